"""The only place where the service learns the time."""

from __future__ import annotations

import time
from datetime import UTC, datetime, tzinfo
from typing import Protocol


class Clock(Protocol):
    """What the loop may ask about time."""

    def monotonic(self) -> float:
        """Return seconds from any origin; never goes back, whatever the wall clock does."""
        ...

    def local(self) -> datetime:
        """Return the chamber's time of day, aware; may jump when the clock is set."""
        ...


class SystemClock:
    """The machine's clocks."""

    def __init__(self, zone: tzinfo | None = None) -> None:
        self._zone = zone

    def monotonic(self) -> float:
        """Return CLOCK_MONOTONIC [s]."""
        return time.monotonic()

    def local(self) -> datetime:
        """Return the wall clock in the chamber's zone, or the machine's."""
        try:
            return datetime.now(self._zone).astimezone(self._zone)
        except (ValueError, OverflowError, OSError):  # see `follow_system_zone`
            return datetime.now(UTC)
