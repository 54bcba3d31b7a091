"""What the control is compared with: an on/off switch and a fixed reservoir alarm, nothing more.

Pump and fan go on together at cut-in and off together at cut-out, in the very tick; no timer, no
permissive, no proof of flow, no forecast. The probes, their sieve and the band by the hour are the
same, so that only the control differs.
"""

from __future__ import annotations

from collections.abc import Mapping

from controller.core.law import Band
from controller.core.rules import call_for
from controller.core.state import NOTHING_ASKED, Asked, Decision, Event, Inputs
from controller.domain.alarms import AlarmName
from controller.domain.control_phase import Phase, Reason
from controller.domain.events import EventKind
from controller.domain.temperatures import Lost, Reading, Seen
from controller.probes.samples import SampleSource
from controller.probes.sieve import Sieve
from controller.service.journal import Journal
from controller.service.output_bank import OutputBank

_NO_READING = Lost("no reading yet")


class PlainSwitch:
    """Stands where `controller.service.loop.ControlLoop` stands."""

    def __init__(
        self,
        *,
        reservoir_warm_mc: int,
        clear_by_mk: int,
        source: SampleSource,
        sieves: Mapping[str, Sieve],
        outputs: OutputBank,
        journal: Journal,
    ) -> None:
        self.sieves = dict(sieves)
        self._warm_mc = reservoir_warm_mc
        self._clear_mc = reservoir_warm_mc - clear_by_mk
        self._source = source
        self._outputs = outputs
        self._journal = journal
        self._on = False
        self._warm = False

    def tick(
        self,
        now: float,
        band: Band,
        *,
        asked: Asked = NOTHING_ASKED,  # noqa: ARG002 - a plain switch is asked for nothing
        swap_due: bool | None = None,  # noqa: ARG002 - and knows no forecast
    ) -> Decision:
        """Switch as the air says, and ring when the reservoir has become warm.

        Args:
            now: Monotonic instant [s].
            band: The switching points in force.
            asked: Left aside.
            swap_due: Left aside.
        """
        for name, sample in self._source.collect(now):
            self.sieves[name].take(sample)
        readings = {name: sieve.reading(now) for name, sieve in self.sieves.items()}
        air: Reading = readings.get("air", _NO_READING)
        reservoir: Reading = readings.get("reservoir", _NO_READING)
        previous, self._on = self._on, call_for(air, band, previous=self._on)
        events = [*self._alarm(reservoir)]
        if self._on is not previous:
            side = "on" if self._on else "off"
            events += [Event(EventKind.SWITCH, load, side) for load in ("pump", "fan")]
        decision = Decision(
            self._on,
            self._on,
            Phase.COOL if self._on else Phase.REST,
            Reason.CALL if self._on else Reason.NO_CALL,
            tuple(events),
        )
        self._outputs.apply(decision, now)
        self._journal.note(now, Inputs(band=band, air=air, reservoir=reservoir), decision)
        return decision

    def _alarm(self, reservoir: Reading) -> list[Event]:
        if not isinstance(reservoir, Seen):
            return []
        name = AlarmName.RESERVOIR_WARM.value
        if not self._warm and reservoir.value_mc >= self._warm_mc:
            self._warm = True
            return [Event(EventKind.RAISED, name, "")]
        if self._warm and reservoir.value_mc <= self._clear_mc:
            self._warm = False
            return [Event(EventKind.CLEARED, name, "")]
        return []
