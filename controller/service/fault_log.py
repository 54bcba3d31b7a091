"""Repeated identical faults: logged once, counted, and logged with the count when they end."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

REMIND_AFTER_S = 3600.0


@dataclass(slots=True)
class _Fault:
    text: str
    count: int
    logged_at: float


class FaultLog:
    """Keeps a log readable while something stays broken."""

    def __init__(self, log: Callable[..., object]) -> None:
        self._log = log
        self._standing: dict[str, _Fault] = {}

    def fault(self, what: str, text: str, now: float, **detail: object) -> None:
        """Log a fault, unless the same text stands already; remind with a count each hour.

        Args:
            what: What is at fault; one fault is kept for each.
            text: What is wrong with it.
            now: Monotonic instant [s].
            detail: What may differ each time; logged with the first and with each reminder.
        """
        standing = self._standing.get(what)
        if standing is None or standing.text != text:
            self._standing[what] = _Fault(text, 1, now)
            self._log("fault", what=what, fault=text, **detail)
            return
        standing.count += 1
        if now - standing.logged_at >= REMIND_AFTER_S:
            standing.logged_at = now
            self._log("fault_goes_on", what=what, fault=text, times=standing.count, **detail)

    def ended(self, what: str) -> None:
        """Log that a fault is over, if one stood."""
        standing = self._standing.pop(what, None)
        if standing is not None:
            self._log("fault_ended", what=what, fault=standing.text, times=standing.count)
