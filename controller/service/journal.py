"""Who is told of every tick: the log, and later the records."""

from __future__ import annotations

from typing import Protocol

from controller.core.state import Decision, Inputs
from controller.domain.events import EventKind
from controller.domain.temperatures import Reading, Seen
from controller.errors import words_of
from controller.log import Logger

_log = Logger("coldpin")


class Journal(Protocol):
    """Takes note of a tick, without ever waiting or raising."""

    def note(self, now: float, inputs: Inputs, decision: Decision) -> None:
        """Take note of what was decided at a monotonic instant [s], and from what."""
        ...


class LogJournal:
    """Writes one log line for each event."""

    def note(self, now: float, inputs: Inputs, decision: Decision) -> None:
        """Log the events of a tick; quiet ticks leave no trace."""
        for event in decision.events:
            alarm = event.kind in {EventKind.RAISED, EventKind.TRIP}
            (_log.warning if alarm else _log.info)(
                event.kind.value,
                what=event.name,
                detail=event.detail,
                air=shown(inputs.air),
                reservoir=shown(inputs.reservoir),
                uptime_s=round(now, 1),
            )


class Journals:
    """Several journals as one."""

    def __init__(self, *journals: Journal) -> None:
        self._journals = journals
        self._failed = False

    def note(self, now: float, inputs: Inputs, decision: Decision) -> None:
        """Hand the tick to each of them; one that fails stops neither the others nor the loop."""
        for journal in self._journals:
            try:
                journal.note(now, inputs, decision)
            except Exception as error:  # noqa: BLE001 - acting never depends on telling
                if not self._failed:
                    _log.error("tick_not_noted", error=f"{type(error).__name__}: {words_of(error)}")
                self._failed = True


def shown(reading: Reading) -> str:
    """Return a reading for a log line."""
    return f"{reading.value_mc / 1000:.2f} °C" if isinstance(reading, Seen) else reading.reason
