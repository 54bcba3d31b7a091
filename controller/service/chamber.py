"""One chamber as it is configured and wired: built whole, and built anew at a reload."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Self

from controller.core.alarm_board import standing_alarms
from controller.core.decide import begin
from controller.core.state import Asked, Cooling, Decision, State
from controller.domain.alarms import AlarmName
from controller.domain.control_phase import Phase
from controller.errors import ControllerError, OutputError, ProbeError, words_of
from controller.log import Logger
from controller.probes.samples import SampleSource
from controller.probes.sieve import Sieve
from controller.service.bus import AwaitedBus, StrangerWatch
from controller.service.clock import Clock, SystemClock
from controller.service.fault_log import FaultLog
from controller.service.journal import Journal
from controller.service.level_input import LevelInput
from controller.service.loop import BandInForce, ControlLoop
from controller.service.output_bank import SIGNAL, OutputBank, close_outputs
from controller.service.probe_watch import ProbeWatch
from controller.service.sources import sieves_of, stranger_watch
from controller.service.timer_store import stopped
from controller.service.warming_store import PLACES, without_warming
from controller.service.wiring import Plan, open_loads
from controller.settings.law_of import law_of, schedule_of, signal_for, signal_pattern
from controller.settings.load import Settings

SourceOpener = Callable[[Settings, OutputBank, Path], SampleSource]
"""Opens what reads the probes; the path is the folder that files are named relative to."""

_log = Logger("coldpin")


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedParts:
    """What every chamber of one process shares, whatever its configuration says."""

    folder: Path
    """Files in the configuration are named relative to it."""
    open_source: SourceOpener
    journal: Journal
    before_start: Callable[[Cooling, float], object]
    level: LevelInput
    faults: FaultLog


@dataclass(frozen=True, slots=True, kw_only=True)
class Chamber:
    """Everything that a tick needs, and that a reload may change."""

    plan: Plan
    stage: str
    clock: Clock
    band: BandInForce
    loop: ControlLoop
    watch: ProbeWatch
    strangers: StrangerWatch | None
    """Looks for unknown probes while one is lost; None where there is no bus."""

    @property
    def settings(self) -> Settings:
        """What is configured."""
        return self.plan.settings

    def tick(
        self, now: float, *, asked: Asked, swap_due: bool | None, records_fault: str | None
    ) -> Decision:
        """Turn the loop once, as `ControlLoop.tick` does."""
        return self.loop.tick(
            now, self.band.at(now), asked=asked, swap_due=swap_due, records_fault=records_fault
        )

    def stranger(self, now: float) -> str:
        """Return what is known of a probe on the bus that belongs to no place of this chamber.

        Args:
            now: Monotonic instant [s].
        """
        if self.strangers is None:
            return ""
        lost = any(
            alarm.standing and alarm.name is AlarmName.PROBE_LOST
            for alarm in self.loop.state.alarms
        )
        return self.strangers.stranger(lost=lost, now=now)

    @property
    def bus_missing(self) -> str | None:
        """What to do where there is no 1-Wire bus; None where there is one, or none is needed."""
        source = self.loop.source
        return source.missing if isinstance(source, AwaitedBus) else None

    def in_stage(self, stage: str) -> Self:
        """Return the chamber with the band of another stage of its configuration in force."""
        schedule = schedule_of(self.settings.stages[stage])
        return replace(self, stage=stage, band=BandInForce(schedule, self.clock))


def opened_chamber(
    plan: Plan, stage: str, outputs: OutputBank, state: State, around: SharedParts
) -> Chamber:
    """Return a chamber whose loads are open and off.

    Raises:
        ProbeError: The place where temperatures come from is not there.
    """
    source = around.open_source(plan.settings, outputs, around.folder)
    sieves = sieves_of(plan.settings)
    return _built(plan, stage, state, around, outputs=outputs, source=source, sieves=sieves)


def reloaded_chamber(
    old: Chamber, plan: Plan, around: SharedParts
) -> tuple[Chamber, OutputError | None]:
    """Return the chamber of another configuration, which goes on where the old one stands.

    Loads, probes and readings that the configuration leaves as they were are carried over as they
    are: an unchanged pin is not touched, and a probe whose offset changed keeps its readings.

    Returns:
        The new chamber; or, with what went wrong, the old one, its loads open again: those that
        had to be closed are off, the others as they were.

    Raises:
        LostOutputsError: Pump or fan cannot be put off for its new wiring, or neither the new nor
            the old loads can be opened.
        ProbeError: The place where temperatures come from is not there. Nothing has changed.
    """
    settings = plan.settings
    source = _source_kept(old, settings)
    if source is None:
        # opened before anything is closed: a source that cannot be opened changes nothing
        source = _opened_source(settings, old.loop.outputs, around)
    outputs, state, problem = _outputs_carried_over(old, plan)
    if problem is not None:
        if source is not old.loop.source:
            _close(source)
        sieves = dict(old.loop.sieves)
        chamber = _built(
            old.plan,
            old.stage,
            state,
            around,
            outputs=outputs,
            source=old.loop.source,
            sieves=sieves,
        )
        return chamber, problem
    if source is not old.loop.source:
        _close(old.loop.source)
    if settings.probes.air.kind == "simulated" and outputs is not old.loop.outputs:
        _close(source)  # a simulated chamber follows the loads that it was opened with
        source = around.open_source(settings, outputs, around.folder)
    stage = old.stage
    if old.settings.chamber.stage != settings.chamber.stage or stage not in settings.stages:
        stage = settings.chamber.stage
    sieves = _sieves_carried_over(old, settings)
    if _places_of_warming(old.settings) != _places_of_warming(settings):
        state = without_warming(state)
    chamber = _built(plan, stage, state, around, outputs=outputs, source=source, sieves=sieves)
    return chamber, None


def _opened_source(settings: Settings, outputs: OutputBank, around: SharedParts) -> SampleSource:
    try:
        return around.open_source(settings, outputs, around.folder)
    except ControllerError:
        raise
    except Exception as error:
        raise ProbeError(
            f"the probes cannot be opened: {type(error).__name__}: {words_of(error)}"
        ) from error


def _close(source: SampleSource) -> None:
    try:
        source.close()
    except Exception as error:  # noqa: BLE001 - nobody reads from it any more
        _log.error("source_not_closed", error=words_of(error))


class LostOutputsError(OutputError):
    """A reload closed loads: one may be on still, or neither new nor old ones can be opened."""


def _built(
    plan: Plan,
    stage: str,
    state: State,
    around: SharedParts,
    *,
    outputs: OutputBank,
    source: SampleSource,
    sieves: dict[str, Sieve],
) -> Chamber:
    settings = plan.settings
    around.level.configure(settings.inputs.level)
    clock = SystemClock(settings.site.zone())
    loop = ControlLoop(
        law=law_of(settings),
        source=source,
        sieves=sieves,
        outputs=outputs,
        journal=around.journal,
        state=state,
        signal_for=signal_for(settings),
        signal_pattern=signal_pattern(settings),
        before_start=around.before_start,
        level=around.level.read,
        first_readings_until=clock.monotonic() + settings.readings.stale_after,
    )
    return Chamber(
        plan=plan,
        stage=stage,
        clock=clock,
        band=BandInForce(schedule_of(settings.stages[stage]), clock),
        loop=loop,
        watch=ProbeWatch(sieves, around.faults),
        strangers=stranger_watch(settings),
    )


def _source_kept(old: Chamber, settings: Settings) -> SampleSource | None:
    """Return the old source where it reads the same probes in the same way, else None."""

    def read(of: Settings) -> tuple[object, ...]:
        probes = {
            name: (probe.kind, probe.id, probe.file) for name, probe in of.probes.fitted().items()
        }
        times = (of.readings.every, of.readings.deadline)
        made_up = (of.simulation, of.plant) if of.probes.air.kind == "simulated" else ()
        return probes, of.one_wire, times, made_up

    return old.loop.source if read(old.settings) == read(settings) else None


def _places_of_warming(settings: Settings) -> list[object]:
    fitted = settings.probes.fitted()
    return [(fitted[name].kind, fitted[name].id) for name in PLACES if name in fitted]


def _sieves_carried_over(old: Chamber, settings: Settings) -> dict[str, Sieve]:
    """Return the sieves of the new settings; a probe that stayed goes on with its readings."""
    before, after = old.settings.probes.fitted(), settings.probes.fitted()
    sieves = sieves_of(settings)
    for name, sieve in sieves.items():
        previous = before.get(name)
        same = previous is not None and (previous.kind, previous.id, previous.file) == (
            after[name].kind, after[name].id, after[name].file
        )  # fmt: skip
        if same:
            sieve.go_on_from(old.loop.sieves[name])
    return sieves


def _outputs_carried_over(old: Chamber, plan: Plan) -> tuple[OutputBank, State, OutputError | None]:
    """Close what is gone, open what is new, and keep what stayed; or go back to what was.

    Raises:
        LostOutputsError: Pump or fan cannot be put off for its new wiring, or neither the new nor
            the old loads can be opened.
    """
    bank, state = old.loop.outputs, old.loop.state
    if old.plan.loads == plan.loads:
        return bank, state, None
    before = {load.name: load for load in old.plan.loads if load.name in bank.names}
    kept = {load.name for load in plan.loads if before.get(load.name) == load}
    closed = [load for name, load in before.items() if name not in kept]
    failed = close_outputs({load.name: bank.output(load.name) for load in closed})
    failed.pop(SIGNAL, None)  # one that stays on warms no crop and wets no floor
    if failed:
        # the new wiring does not name it, so nobody would put it off any more
        problems = "; ".join(f"{name}: {why}" for name, why in failed.items())
        raise LostOutputsError(
            f"a load may still be on that the new wiring does not reach: {problems}; this process "
            "ends, so that another one can switch it off; cut its supply by hand if it stays on"
        )
    if any(load.name == "pump" for load in closed):
        state = _with_pump_stopped(state, old.clock.monotonic())
    try:
        opened = open_loads(load for load in plan.loads if load.name not in kept)
    except OutputError as problem:
        try:
            return bank.rewired(open_loads(closed), keep=kept), state, problem
        except OutputError as again:
            raise LostOutputsError(
                f"{problem}; and the old wiring cannot be opened again: {again}"
            ) from again
    return bank.rewired(opened, keep=kept), state, None


def _with_pump_stopped(state: State, now: float) -> State:
    """Return the state once the pump has been put off for another wiring; its timers are kept."""
    cooling = stopped(state.cooling, now)
    fresh = begin(
        now,
        last_stop=cooling.pump_since,
        failed_tries=cooling.failed_tries,
        locked_since=cooling.phase_since if cooling.phase is Phase.LOCKOUT else None,
        paused_until=cooling.paused_until,
        alarms=standing_alarms(state),
    )
    warming = state.expectations.warming
    expectations = fresh.expectations._replace(warming=warming)
    return replace(fresh, recent=state.recent, expectations=expectations)
