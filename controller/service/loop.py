"""The loop's one step: the same object turns it in the service and in a rehearsal.

It touches no disk and waits for nobody: readings are handed to it by a source that never blocks,
what it decides is handed to a journal that never blocks.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from operator import is_not

from controller.core.alarms import signal_wanted
from controller.core.decide import begin, decide
from controller.core.law import Band, Law
from controller.core.state import NOTHING_ASKED, Asked, Cooling, Decision, Inputs, Phase, State
from controller.domain.alarms import AlarmName
from controller.domain.temperatures import Lost, Reading
from controller.probes.protocol import SampleSource
from controller.probes.sieve import Sieve
from controller.service.clock import Clock
from controller.service.journal import Journal
from controller.service.output_bank import OutputBank
from controller.settings.law_of import BandSchedule

BAND_LOOK_EVERY_S = 15.0
"""How often the time of day is looked at; a band by the hour needs no more."""

_NOT_FITTED = Lost("no such probe fitted")


def nobody_asks() -> Asked:
    """Stand in for people where nobody can ask for anything."""
    return NOTHING_ASKED


class ControlLoop:
    """Readings in, a decision, outputs switched, the journal told."""

    def __init__(
        self,
        *,
        law: Law,
        schedule: BandSchedule,
        source: SampleSource,
        sieves: Mapping[str, Sieve],
        outputs: OutputBank,
        clock: Clock,
        journal: Journal,
        state: State,
        asked: Callable[[], Asked] = nobody_asks,
        signal_for: frozenset[AlarmName] = frozenset(),
    ) -> None:
        self.law = law
        self.schedule = schedule
        self.source = source
        self.sieves = dict(sieves)
        self.outputs = outputs
        self.state = state
        self.inputs: Inputs | None = None
        self.swap_due: bool | None = None
        self.records_fault: str | None = None
        self.clock = clock
        self.journal = journal
        self.asked = asked
        self.signal_for = signal_for
        self._band: Band | None = None
        self._band_look_at = float("-inf")
        self._readings: list[Reading] = []
        self._readings_hold_until = float("-inf")
        self._decided_from: list[Reading] = []

    def tick(self) -> Decision:
        """Turn the loop once and return what was decided."""
        now = self.clock.monotonic()
        sieves = self.sieves
        samples = self.source.collect(now)
        for name, sample in samples:
            sieves[name].take(sample)
        if samples or now >= self._readings_hold_until:
            self._readings = [sieve.reading(now) for sieve in sieves.values()]
            self._readings_hold_until = min(sieve.holds_until for sieve in sieves.values())
        inputs = self._inputs(now)
        self.state, decision = decide(self.state, inputs, now, self.law)
        # switching comes first, telling second
        self.outputs.apply(decision, now)
        if self.signal_for:
            self.outputs.signal(on=signal_wanted(self.state.alarms, self.signal_for))
        self.journal.note(now, inputs, decision)
        return decision

    def _inputs(self, now: float) -> Inputs:
        """Return the inputs of this tick: the last ones again where nothing differs."""
        if now >= self._band_look_at:
            self._band = self.schedule.band_at(self.clock.local())
            self._band_look_at = now + BAND_LOOK_EVERY_S
        asked, readings, last = self.asked(), self._readings, self.inputs
        if (
            last is not None
            and (
                readings is self._decided_from or not any(map(is_not, readings, self._decided_from))
            )
            and last.band is self._band
            and last.asked is asked
            and last.output_fault is self.outputs.fault
            and last.records_fault is self.records_fault
            and last.swap_due is self.swap_due
        ):
            return last
        assert self._band is not None
        self._decided_from = readings
        by_name: dict[str, Reading] = dict(zip(self.sieves, readings, strict=True))
        self.inputs = Inputs(
            band=self._band,
            air=by_name.get("air", _NOT_FITTED),
            reservoir=by_name.get("reservoir", _NOT_FITTED),
            room=by_name.get("room"),
            coil_outlet=by_name.get("coil_outlet"),
            asked=asked,
            output_fault=self.outputs.fault,
            records_fault=self.records_fault,
            swap_due=self.swap_due,
        )
        return self.inputs

    @property
    def band(self) -> Band:
        """The band in force, by the schedule and the clock."""
        return self._band or self.schedule.band_at(self.clock.local())

    def look_at_band_again(self) -> None:
        """Forget the band in force; the next tick works it out from the schedule."""
        self._band_look_at = float("-inf")

    def take_probes(self, source: SampleSource, sieves: Mapping[str, Sieve]) -> None:
        """Read from other probes from the next tick on; their readings must agree anew."""
        self.source = source
        self.sieves = dict(sieves)
        self.inputs = None
        self._readings_hold_until = float("-inf")

    def take_outputs(self, outputs: OutputBank, cooling: Cooling) -> None:
        """Switch other outputs from the next tick on.

        Args:
            outputs: Freshly opened, everything off.
            cooling: Where the cooling stands with everything off; its timers are kept.
        """
        self.outputs = outputs
        state = begin(
            self.clock.monotonic(),
            last_stop=cooling.pump_since,
            failed_tries=cooling.failed_tries,
            locked_since=cooling.phase_since if cooling.phase is Phase.LOCKOUT else None,
            paused_until=cooling.paused_until,
        )
        self.state = replace(state, alarms=self.state.alarms, starts=self.state.starts)

    def close(self) -> None:
        """Put everything off, then stop reading."""
        self.outputs.close()
        self.source.close()
