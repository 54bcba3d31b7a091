"""Repeated identical faults: told once, counted, and told again with the count when they end."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

REMIND_AFTER_S = 3600.0


@dataclass(slots=True)
class _Fault:
    text: str
    count: int
    told_at: float


class ToldOnce:
    """Keeps a log readable while something stays broken."""

    def __init__(self, tell: Callable[..., object]) -> None:
        self._tell = tell
        self._standing: dict[str, _Fault] = {}

    def fault(self, what: str, text: str, now: float, **detail: object) -> None:
        """Tell of a fault, unless the same text stands already; remind with a count each hour.

        Args:
            what: What is at fault; one fault is kept for each.
            text: What is wrong with it.
            now: Monotonic instant [s].
            detail: What may differ each time; told with the first and with each reminder.
        """
        standing = self._standing.get(what)
        if standing is None or standing.text != text:
            self._standing[what] = _Fault(text, 1, now)
            self._tell("fault", what=what, fault=text, **detail)
            return
        standing.count += 1
        if now - standing.told_at >= REMIND_AFTER_S:
            standing.told_at = now
            self._tell("fault_goes_on", what=what, fault=text, times=standing.count, **detail)

    def ended(self, what: str) -> None:
        """Tell that a fault is over, if one stood."""
        standing = self._standing.pop(what, None)
        if standing is not None:
            self._tell("fault_ended", what=what, fault=standing.text, times=standing.count)
