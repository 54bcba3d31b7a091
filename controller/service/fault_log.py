"""Repeated faults: logged once, counted, and logged with the count when they end.

One that comes and goes is logged as it does a few times; from then on it is summed up in one line
an hour, whatever its pattern, until an hour has passed without it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

REMIND_AFTER_S = 3600.0
MOST_AN_HOUR = 4
"""Lines about one thing within an hour: it came and went twice. More are held back."""


@dataclass(slots=True)
class _Fault:
    text: str
    since: float
    """Beginning of the hour that lines are counted in [s]."""
    standing: bool = True
    count: int = 1
    lines: int = 1
    held_back: int = 0
    """Comings and goings in this hour that no line was written about."""
    summed_up: bool = False
    """Whether this hour began with a summary: nothing else is written in it."""

    def may_be_written(self) -> bool:
        """Count a line about a coming or going, and return whether it is written."""
        if self.summed_up or self.lines >= MOST_AN_HOUR:
            self.held_back += 1
            return False
        self.lines += 1
        return True


class FaultLog:
    """Keeps a log readable while something stays broken, or is now and then."""

    def __init__(self, log: Callable[..., object]) -> None:
        self._log = log
        self._known: dict[str, _Fault] = {}

    def fault(self, what: str, text: str, now: float, **detail: object) -> None:
        """Log a fault, unless the same text stands already; remind with a count each hour.

        Args:
            what: What is at fault; one fault is kept for each.
            text: What is wrong with it.
            now: Monotonic instant [s].
            detail: What may differ each time; logged with the first and with each reminder.
        """
        known = self._known.get(what)
        if known is not None and known.standing and known.text == text:
            known.count += 1
            self._hour_over(what, known, now, **detail)
            return
        if known is not None:
            known = self._hour_over(what, known, now, **detail)
        if known is None:
            self._known[what] = _Fault(text, now)
            self._log("fault", what=what, fault=text, **detail)
            return
        known.text, known.standing = text, True
        if known.may_be_written():
            known.count = 1
            self._log("fault", what=what, fault=text, **detail)
        else:
            known.count += 1

    def ended(self, what: str, now: float) -> None:
        """Log that a fault is over, if one stood.

        Args:
            what: What was at fault.
            now: Monotonic instant [s].
        """
        known = self._known.get(what)
        if known is None:
            return
        if known.standing:
            known.standing = False
            if known.may_be_written():
                self._log("fault_ended", what=what, fault=known.text, times=known.count)
        self._hour_over(what, known, now)

    def _hour_over(self, what: str, known: _Fault, now: float, **detail: object) -> _Fault | None:
        """Begin another hour where one has passed; return None where the fault is forgotten."""
        if now - known.since < REMIND_AFTER_S:
            return known
        known.summed_up = known.held_back > 0
        if known.summed_up:
            self._log(
                "fault_comes_and_goes",
                what=what,
                fault=known.text,
                times=known.count,
                changes=known.held_back,
                stands=known.standing,
                **detail,
            )
            known.count = 0
        elif known.standing:
            self._log("fault_goes_on", what=what, fault=known.text, times=known.count, **detail)
        else:
            del self._known[what]
            return None
        known.since, known.lines, known.held_back = now, 1, 0
        return known
