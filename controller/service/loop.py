"""One turn of the control loop, the same in the service and in a rehearsal.

It touches no disk and waits for nobody: readings come from a source that never blocks, what it
decides goes to a journal that never blocks.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from operator import is_not

from controller.core.decide import decide
from controller.core.law import Band, Law
from controller.core.signal import NO_CALL, SignalPattern, call_of, is_sounding
from controller.core.state import NOTHING_ASKED, Asked, Cooling, Decision, Inputs, State
from controller.domain.alarms import AlarmName
from controller.domain.control_phase import Phase, Reason
from controller.domain.temperatures import Lost, Reading, Seen
from controller.probes.samples import SampleSource
from controller.probes.sieve import Sieve
from controller.service.clock import Clock
from controller.service.journal import Journal
from controller.service.output_bank import OutputBank
from controller.settings.law_of import BandSchedule

BAND_EVERY_S = 15.0
"""How often the time of day is read; a band by the hour needs no more."""

_NOT_FITTED = Lost("no such probe fitted")


class BandInForce:
    """The band of a stage by the time of day, worked out a few times a minute."""

    def __init__(self, schedule: BandSchedule, clock: Clock) -> None:
        self._schedule = schedule
        self._clock = clock
        self._band: Band | None = None
        self._until = float("-inf")

    def at(self, now: float) -> Band:
        """Return the band at a monotonic instant [s]; the same object while it stays the same."""
        if self._band is None or now >= self._until:
            self._band = self._schedule.band_at(self._clock.local())
            self._until = now + BAND_EVERY_S
        return self._band


def _no_preparation(_cooling: Cooling, _now: float) -> None:
    """Do nothing before a start of the pump: nothing outlives a rehearsal."""


def _no_switch() -> bool | None:
    """Stand in where no level switch is fitted."""
    return None


class ControlLoop:
    """Readings in, a decision, outputs switched, the journal written.

    What can change between two ticks is an argument of `tick`; everything else is given once. A
    configuration that is read again makes another loop, which goes on from the `state` of this one.
    """

    def __init__(
        self,
        *,
        law: Law,
        source: SampleSource,
        sieves: Mapping[str, Sieve],
        outputs: OutputBank,
        journal: Journal,
        state: State,
        signal_for: frozenset[AlarmName] = frozenset(),
        signal_pattern: SignalPattern = SignalPattern.STEADY,
        before_start: Callable[[Cooling, float], object] = _no_preparation,
        level: Callable[[], bool | None] = _no_switch,
        first_readings_until: float = float("-inf"),
    ) -> None:
        """Join the parts; nothing is read or switched yet.

        Args:
            law: Timers, limits and alarm rules.
            source: Where samples come from.
            sieves: What judges the samples, by the name of the probe.
            outputs: The loads, opened off.
            journal: Is given every tick.
            state: Where the control law begins.
            signal_for: Alarms that the lamp or buzzer calls for.
            signal_pattern: How it is on meanwhile.
            before_start: Called with the cooling decided and the instant, before the pump is
                switched on; must return soon, and is never a reason not to start.
            level: Says whether there is water enough in the reservoir, without waiting; None where
                no switch is fitted.
            first_readings_until: Until this instant [s] an air probe that has not been read once
                is waited for, at rest; from then on it is lost.
        """
        self._law = law
        self._source = source
        self._sieves = dict(sieves)
        self._outputs = outputs
        self._journal = journal
        self._state = state
        self._signal_for = signal_for
        self._signal_pattern = signal_pattern
        self._call = NO_CALL
        self._before_start = before_start
        self._level = level
        self._first_readings_until = first_readings_until
        self._inputs: Inputs | None = None
        self._readings: list[Reading] = []
        self._readings_hold_until = float("-inf")
        self._decided_from: list[Reading] = []

    @property
    def law(self) -> Law:
        """Timers, limits and alarm rules in force."""
        return self._law

    @property
    def sieves(self) -> Mapping[str, Sieve]:
        """What judges the samples, by the name of the probe."""
        return self._sieves

    @property
    def source(self) -> SampleSource:
        """Where samples come from."""
        return self._source

    @property
    def outputs(self) -> OutputBank:
        """The loads."""
        return self._outputs

    @property
    def state(self) -> State:
        """What the control law remembers after the last tick."""
        return self._state

    @property
    def inputs(self) -> Inputs | None:
        """What the last tick was decided from; None before the first."""
        return self._inputs

    def tick(
        self,
        now: float,
        band: Band,
        *,
        asked: Asked = NOTHING_ASKED,
        swap_due: bool | None = None,
        records_fault: str | None = None,
    ) -> Decision:
        """Turn once and return what was decided.

        Args:
            now: Monotonic instant [s], never before the last one.
            band: The switching points in force.
            asked: What people asked for since the last tick.
            swap_due: Whether packs are due; None: nobody forecasts.
            records_fault: What is wrong with the records; None while they are kept.
        """
        sieves = self._sieves
        samples = self._source.collect(now)
        for name, sample in samples:
            sieves[name].take(sample)
        if samples or now >= self._readings_hold_until:
            self._readings = [sieve.reading(now) for sieve in sieves.values()]
            self._readings_hold_until = min([sieve.holds_until for sieve in sieves.values()])
        inputs = self._inputs_of(band, asked, swap_due, records_fault)
        pump_before = self._state.cooling.pump
        if now < self._first_readings_until and self._awaits_first_readings(inputs):
            self._state, decision = _at_rest(self._state)
        else:
            self._state, decision = decide(self._state, inputs, now, self._law)
        if decision.pump and not pump_before:
            self._before_start(self._state.cooling, now)
        # switching comes first, telling second
        self._outputs.apply(decision, now)
        if self._signal_for:
            self._call = call_of(self._call, self._state.alarms, self._signal_for, now)
            self._outputs.signal(on=is_sounding(self._call, now, self._signal_pattern))
        self._journal.note(now, inputs, decision)
        return decision

    def _inputs_of(
        self, band: Band, asked: Asked, swap_due: bool | None, records_fault: str | None
    ) -> Inputs:
        """Return the inputs of this tick: the last ones again where nothing differs."""
        readings, last, output_fault = self._readings, self._inputs, self._outputs.fault
        level = self._level()
        if (
            last is not None
            and (
                readings is self._decided_from or not any(map(is_not, readings, self._decided_from))
            )
            and last.band is band
            and last.asked is asked
            and last.output_fault is output_fault
            and last.records_fault is records_fault
            and last.swap_due is swap_due
            and last.level is level
        ):
            return last
        self._decided_from = readings
        by_name: dict[str, Reading] = dict(zip(self._sieves, readings, strict=True))
        self._inputs = Inputs(
            band=band,
            air=by_name.get("air", _NOT_FITTED),
            reservoir=by_name.get("reservoir", _NOT_FITTED),
            room=by_name.get("room"),
            coil_outlet=by_name.get("coil_outlet"),
            level=level,
            asked=asked,
            output_fault=output_fault,
            records_fault=records_fault,
            swap_due=swap_due,
        )
        return self._inputs

    def _awaits_first_readings(self, inputs: Inputs) -> bool:
        """Return whether there is nothing to decide yet; what people ask for is decided at once."""
        if isinstance(inputs.air, Seen):
            self._first_readings_until = float("-inf")
            return False
        cooling = self._state.cooling
        resting = cooling.phase in {Phase.REST, Phase.HELD} and cooling.paused_until is None
        return resting and not cooling.fan and inputs.asked is NOTHING_ASKED

    def close(self) -> None:
        """Put everything off, then stop reading."""
        self._outputs.close()
        self._source.close()


def _at_rest(state: State) -> tuple[State, Decision]:
    """Return the state and the decision while the first readings are waited for."""
    reason = Reason.FIRST_READINGS
    if state.cooling.reason is not reason:
        cooling = state.cooling._replace(phase=Phase.REST, reason=reason)
        decision = Decision(False, False, cooling.phase, reason)
        state = replace(state, cooling=cooling, decision=decision)
    return state, state.decision
