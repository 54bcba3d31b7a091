"""A rehearsal: the service's loop on a simulated clock and chamber, with a person and trouble."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from random import Random

from controller.core.decide import begin
from controller.core.law import Law
from controller.core.state import NOTHING_ASKED, Asked, State
from controller.domain.daytime import hour_of
from controller.domain.requests import LoggedSwap
from controller.domain.temperatures import Seen
from controller.errors import PhysicsError, ScenarioError
from controller.foresight.bins import Sample
from controller.foresight.forecast import Forecast
from controller.foresight.swap_plan import SwapPlan
from controller.outputs.dry import DryOutput
from controller.records.status_file import Clocks, status_of
from controller.rehearsal.clock import SimulatedClock
from controller.rehearsal.dry_forecaster import EVERY_S, DryForecaster
from controller.rehearsal.grower import Freezer, Grower, Visit
from controller.rehearsal.hearing import Hearing, Look, Teller
from controller.rehearsal.plain_switch import PlainSwitch
from controller.rehearsal.plant_probes import PlantProbes
from controller.rehearsal.plants import build_chamber
from controller.rehearsal.room import room_c
from controller.rehearsal.room_file import RoomSeries
from controller.rehearsal.tally import Observer, Tally
from controller.service.journal import Journal, Journals
from controller.service.loop import BandInForce, ControlLoop
from controller.service.output_bank import OutputBank
from controller.service.sources import sieves_of
from controller.settings.foresight_of import lights_to_plan_by
from controller.settings.law_of import BandSchedule, law_of, schedule_of
from controller.settings.load import Settings
from controller.settings.scenario_file import FaultScript, ScenarioFile
from controller.thermal.freezing import freezer_pace, frozen_queue
from controller.thermal.specs import PlantSpec

DAY_S = 86_400.0
MINUTE_S = 60.0
FIRST_DAY = datetime(2026, 7, 13)  # noqa: DTZ001 - given its zone where it is used
"""A Monday in July; the date matters for nothing but daylight saving and the look of a table."""
SETTLED_S = 1200.0
"""After a swap, the next forecast waits until the reservoir shows it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceRow:
    """What the probes showed at one instant of a rehearsal [m°C], in the layout of a record."""

    time: datetime
    readings_mc: dict[str, int | None]
    pump: bool
    fan: bool
    swap_packs: int | None


class Rehearsal:
    """One dry run. `run` may be called once."""

    _swap_due: bool | None = None

    def __init__(
        self,
        settings: Settings,
        scenario: ScenarioFile,
        *,
        days: float | None = None,
        seed: int | None = None,
        trace: Callable[[TraceRow], None] | None = None,
        keep_switches: bool = False,
        plain: bool = False,
        room: RoomSeries | None = None,
        forecaster: DryForecaster | None = None,
        teller: Teller | None = None,
        journal: Journal | None = None,
        plant: PlantSpec | None = None,
        schedule: BandSchedule | None = None,
        law: Law | None = None,
        swap_at_c: float | None = None,
    ) -> None:
        """Set the stage.

        Args:
            settings: The chamber; its probes and drivers are replaced by simulated ones.
            scenario: Room, person and faults.
            days: Length [d]; None: the scenario's.
            seed: Seed of noise and person; None: the configuration's.
            trace: Is given a row a minute.
            keep_switches: Keep every switch and not only their number.
            plain: Put a plain on/off switch in the place of the control, to compare with.
            room: The room from a file; None: the plant's daily curve.
            forecaster: Forecasts as the lookout would, and raises the alarm swap_due by it.
            teller: Decides what the person is told; None: the person sees every alarm at once.
            journal: Is told of every tick, beside the tally.
            plant: Equipment in the place of the settings' own.
            schedule: Switching points in the place of those of the settings' stage.
            law: Timers and limits in the place of the settings' own.
            swap_at_c: True reservoir temperature at which the person, when awake, changes packs
                beside habit and alarms [°C]; None: never for that.

        Raises:
            ScenarioError: Length or plant cannot be used.
        """
        self.settings = settings
        self.scenario = scenario
        self.seed = settings.simulation.seed if seed is None else seed
        self.days = scenario.days if days is None else days
        if not (0 < self.days <= 400):
            raise ScenarioError(f"days: found {self.days:g}, allowed: above 0 and up to 400")
        self._zone = settings.site.zone()
        start = datetime.combine(FIRST_DAY, scenario.starts)
        self.clock = SimulatedClock(_aware(start, self._zone))
        self.started = self.clock.local()
        self.tally = Tally(self.clock.origin, keep_switches=keep_switches)
        self.swaps: list[dict[str, float]] = []
        self.packs_used = 0
        self._journal = self.tally if journal is None else Journals(self.tally, journal)
        self._trace = trace
        self._plain = plain
        self._room = room
        self._forecaster = forecaster
        self._forecast_due_s = 0.0
        self._next_swap_s: float | None = None
        self._foreseen: tuple[Forecast, SwapPlan | None] | None = None
        self._teller = teller
        self.hearing = Hearing()
        self.forecasts: list[dict[str, float | None]] = []
        self._swapped_since_row: int | None = None
        self._asked: Asked = NOTHING_ASKED
        self._outputs = {"pump": DryOutput(), "fan": DryOutput()}
        self.law = law_of(settings) if law is None else law
        self._schedule = schedule or schedule_of(settings.stages[settings.chamber.stage])
        self._swap_at_c = math.inf if swap_at_c is None else swap_at_c
        self._observer: Observer | None = None
        self._observed_from_s = math.inf
        self._lights = lights_to_plan_by(settings)
        random = Random(self.seed)  # noqa: S311 - a person's habits, not a secret
        try:
            self._spec = settings.plant_spec() if plant is None else plant
            self.chamber = build_chamber(
                settings, self._room_c(self.clock.origin), plant=self._spec
            )
        except PhysicsError as error:
            raise ScenarioError(f"the plant cannot be simulated: {error}") from error
        self.probes = PlantProbes(
            self.chamber,
            probes=tuple(settings.probes.fitted()),
            simulation=settings.simulation,
            every_s=settings.readings.every,
            running=lambda: (self._outputs["pump"].on, self._outputs["fan"].on),
            room_at=self._room_c,
            lights_at=self._lights_on,
            now=self.clock.origin,
            seed=random.getrandbits(32),
            moved=self._moved,
        )
        packs = self._spec.packs
        in_freezer = max(0, packs.count - packs.in_reservoir)
        ready = scenario.grower.packs_ready
        ready = in_freezer if ready is None else min(ready, in_freezer)
        pace = freezer_pace(self._spec)
        freezer = Freezer(pace=pace, queue=frozen_queue(ready, pace))
        freezer.put(in_freezer - ready, 0.0)  # the others have just gone in
        self._grower = Grower(
            scenario.grower, freezer, packs_in_use=packs.in_reservoir, random=random
        )
        self._bled: set[int] = set()

    def observe(self, observer: Observer, *, from_s: float = 0.0) -> None:
        """Let *observer* follow the run; call it before `run`.

        Args:
            observer: What follows.
            from_s: When it is given the account of the plant so far [s since the start]; at 0
                there is none.
        """
        self._observer, self._observed_from_s = observer, from_s or math.inf
        self.tally.observer = observer

    def run(self, progress: Callable[[float], None] = lambda _: None) -> None:
        """Run to the end.

        Args:
            progress: Is told the share done, about once a simulated hour.

        Raises:
            ScenarioError: The plant left the range of its formulas.
        """
        try:
            self._run(progress)
        except PhysicsError as error:
            raise ScenarioError(f"the simulated plant left its range: {error}") from error

    def _run(self, progress: Callable[[float], None]) -> None:
        clock = self.clock
        tick_s = self.settings.timing.tick
        ticks = round(self.days * DAY_S / tick_s)
        loop = self._loop = self._new_loop(begin(clock.origin))
        minute_ends = clock.origin
        powered = True
        for index in range(1, ticks + 1):
            now = clock.origin + index * tick_s
            clock.move_to(now)
            if now >= minute_ends:
                minute_ends += MINUTE_S * math.ceil(tick_s / MINUTE_S)
                self.probes.move_on(now)
                faults = self._faults_at(now - clock.origin)
                if powered and "power_cut" in faults:
                    self._cut_power(now)
                    powered = False
                elif not powered and "power_cut" not in faults:
                    loop = self._loop = self._new_loop(begin(now))
                    powered = True
                self._minute(now, loop, powered=powered)
                if index % 720 == 0:
                    progress(index / ticks)
            if powered:
                asked, self._asked = self._asked, NOTHING_ASKED
                loop.tick(now, self._band.at(now), asked=asked, swap_due=self._swap_due)
        self.probes.move_on(clock.monotonic())
        progress(1.0)

    def _new_loop(self, state: State) -> ControlLoop | PlainSwitch:
        settings = self.settings
        for output in self._outputs.values():
            output.switch(on=False)
        self._swap_due = None
        self._band = BandInForce(self._schedule, self.clock)
        if self._plain:
            return PlainSwitch(
                reservoir_warm_mc=settings.limits.reservoir_warm,
                clear_by_mk=settings.alarms.clear_by,
                source=self.probes,
                sieves=sieves_of(settings),
                outputs=OutputBank(self._outputs),
                journal=self.tally,
            )
        return ControlLoop(
            law=self.law,
            source=self.probes,
            sieves=sieves_of(settings),
            outputs=OutputBank(self._outputs),
            journal=self._journal,
            state=state,
        )

    def _cut_power(self, now: float) -> None:
        """Everything falls off without a goodbye; the plant goes on by itself."""
        was_on = any(output.on for output in self._outputs.values())
        for output in self._outputs.values():
            output.switch(on=False)
        if was_on:
            at_s = now - self.clock.origin
            self.tally.switched(at_s, pump=False, fan=False, phase="rest", reason="power cut")

    def _minute(self, now: float, loop: ControlLoop | PlainSwitch, *, powered: bool) -> None:
        """Let the person act and the faults come and go."""
        at_s = now - self.clock.origin
        if at_s >= self._observed_from_s and self._observer is not None:
            self._observer.begins(self.chamber.account())
            self._observed_from_s = math.inf
        standing = self.tally.standing() if powered else frozenset()
        woken: frozenset[str] = frozenset()
        if self._teller is not None:
            standing, woken = self.hearing.calls(standing)
        local = self.clock.local()
        planned = None
        if self._next_swap_s is not None and self.scenario.grower.goes_by == "plan":
            planned = local.timestamp() >= self._next_swap_s
        spent = self.chamber.reservoir_c >= self._swap_at_c
        visit = self._grower.look(
            at_s,
            local,
            standing,
            planned=planned,
            woken=woken,
            spent=spent,
            frozen_share=self.chamber.frozen_share,
        )
        if visit is not None:
            self._visited(visit, at_s)
        if self._trace is not None or self._forecaster is not None:
            row = self._row(now, loop)
            if self._trace is not None:
                self._trace(row)
            if self._forecaster is not None and powered and isinstance(loop, ControlLoop):
                self._foresee(self._forecaster, row, at_s)
        if self._teller is not None and powered and isinstance(loop, ControlLoop):
            self._tell(self._teller, loop, at_s)

    def _tell(self, teller: Teller, loop: ControlLoop, at_s: float) -> None:
        """Let it be decided what the person is told now."""
        if loop.inputs is None:
            return  # the loop has not turned yet
        local, swap = self.clock.local(), self.swaps[-1] if self.swaps else None
        status = status_of(
            loop.state,
            loop.inputs,
            loop.law,
            Clocks(now=self.clock.monotonic(), local=local, boot_id=None, boottime_s=at_s),
            chamber=self.settings.chamber.name,
            stage=self.settings.chamber.stage,
            tick_s=self.settings.timing.tick,
        )
        last_swap = None
        if swap is not None:
            at = local - timedelta(seconds=at_s - swap["t_s"])
            last_swap = LoggedSwap(
                at=at, packs=int(swap["packs"]), logged_at=at, frozen_through=None
            )
        forecast, plan = self._foreseen or (None, None)
        words = teller(
            Look(now=local, status=status, last_swap=last_swap, forecast=forecast, plan=plan)
        )
        self.hearing.take(words, at_s, asleep=not self._grower.awake(local))

    def _foresee(self, forecaster: DryForecaster, row: TraceRow, at_s: float) -> None:
        now_s = row.time.timestamp()
        if row.swap_packs:
            forecaster.swapped(now_s, row.swap_packs)
        air_c, water_c, room_c = (
            None if value is None else value / 1000
            for value in (row.readings_mc.get(name) for name in ("air", "reservoir", "room"))
        )
        forecaster.seen(Sample(now_s, air_c, water_c, room_c, row.pump and row.fan))
        if at_s < self._forecast_due_s:
            return
        self._forecast_due_s = at_s + EVERY_S
        forecast = forecaster.forecast(now_s)
        self._swap_due = forecaster.due(forecast)
        script = self.scenario.grower
        plan = forecaster.plan(forecast, wakes=script.wakes, sleeps=script.sleeps)
        self._foreseen = forecast, plan
        self._next_swap_s = None
        if plan is None:
            return
        self._next_swap_s = plan.swaps[0].at_s if plan.swaps else math.inf

        def t_s(instant_s: float | None) -> float | None:
            return None if instant_s is None else round(instant_s - now_s + at_s, 1)

        self.forecasts.append(
            {
                "t_s": at_s,
                "swap_due_t_s": t_s(forecast.due_s),
                "early_t_s": t_s(forecast.early_s),
                "late_t_s": t_s(forecast.late_s),
            }
        )

    def _moved(self, dt_s: float, pump: bool) -> None:
        chamber = self.chamber
        self.tally.passed(
            dt_s,
            air_c=chamber.air_c,
            reservoir_c=chamber.reservoir_c,
            pump=pump,
            band=self._band.at(self.clock.monotonic()),
        )

    def _visited(self, visit: Visit, at_s: float) -> None:
        if visit.packs:
            self._next_swap_s, self._forecast_due_s = None, at_s + SETTLED_S
            left_frozen = self.chamber.swap(packs=visit.packs, frozen_share=visit.frozen_share)
            self._grower.puts_back(visit.packs, at_s, frozen_share=left_frozen)
            self.swaps.append({"t_s": at_s, "packs": visit.packs})
            if self._observer is not None:
                self._observer.swapped(at_s, packs=visit.packs, frozen_share=visit.frozen_share)
            self.packs_used += visit.packs
            self._swapped_since_row = visit.packs
            self.hearing.swapped()
        if visit.bleeds_the_pump:
            self._asked = Asked(reset=True)
            self._bled |= {
                number for number, fault in self._each_fault("lost_prime") if fault.at <= at_s
            }

    def _faults_at(self, at_s: float) -> set[str]:
        """Bring the faults of this minute about and return their kinds."""
        kinds = {
            fault.kind
            for number, fault in enumerate(self.scenario.faults)
            if fault.at <= at_s < fault.at + fault.lasts and number not in self._bled
        }
        self.probes.flow = 0.0 if "lost_prime" in kinds else 1.0
        self.probes.dead = {
            fault.probe
            for _, fault in self._each_fault("dead_probe")
            if fault.probe and fault.at <= at_s < fault.at + fault.lasts
        }
        return set(kinds)

    def _each_fault(self, kind: str) -> Iterator[tuple[int, FaultScript]]:
        return (
            (number, fault)
            for number, fault in enumerate(self.scenario.faults)
            if fault.kind == kind
        )

    def _lights_on(self, now: float) -> bool:
        return self._lights.on(hour_of(self.clock.local_at(now).time()))

    def _room_c(self, now: float) -> float:
        steps = self.scenario.room.warmer_by
        shift_k = 0.0
        if steps:
            day = int((now - self.clock.origin) // DAY_S)
            shift_k = steps[min(day, len(steps) - 1)] / 1000
        if self._room is not None:
            started = self.started
            since_midnight_s = (started.hour * 60 + started.minute) * 60.0
            return self._room.at(since_midnight_s + now - self.clock.origin) + shift_k
        return room_c(self._spec.room, self.clock.local_at(now), shift_k)

    def _row(self, now: float, loop: ControlLoop | PlainSwitch) -> TraceRow:
        readings = {
            name: reading.value_mc if isinstance(reading, Seen) else None
            for name, sieve in loop.sieves.items()
            for reading in (sieve.reading(now),)
        }
        swapped, self._swapped_since_row = self._swapped_since_row, None
        return TraceRow(
            time=self.clock.local(),
            readings_mc=readings,
            pump=self._outputs["pump"].on,
            fan=self._outputs["fan"].on,
            swap_packs=swapped,
        )


def _aware(naive: datetime, zone: tzinfo | None) -> datetime:
    return naive.replace(tzinfo=zone) if zone else naive.astimezone()
