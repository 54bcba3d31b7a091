"""A clock that moves only when told to."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta


class SimulatedClock:
    """Monotonic seconds and a wall clock that start where they are told and go on together."""

    def __init__(self, start: datetime, origin: float = 5000.0) -> None:
        """Start the clock.

        Args:
            start: Aware local time at the beginning.
            origin: Monotonic reading at the beginning [s]; not 0, for no origin is special.

        Raises:
            ValueError: *start* has no zone.
        """
        if start.tzinfo is None:
            raise ValueError(f"found the naive time {start}, allowed: a time with its zone")
        self._start_utc = start.astimezone(UTC)
        self._zone = start.tzinfo
        self.origin = origin
        self._now = origin

    def monotonic(self) -> float:
        """Return simulated seconds."""
        return self._now

    def local(self) -> datetime:
        """Return the simulated time of day; daylight-saving changes fall where they fall."""
        return self.local_at(self._now)

    def local_at(self, instant: float) -> datetime:
        """Return the time of day at a monotonic instant [s]."""
        return (self._start_utc + timedelta(seconds=instant - self.origin)).astimezone(self._zone)

    def move_to(self, instant: float) -> None:
        """Set the clock to an instant; built from an index, not by adding steps, by the caller.

        Raises:
            ValueError: *instant* lies in the past.
        """
        if instant < self._now:
            raise ValueError(f"a clock cannot go back, from {self._now} to {instant} s")
        self._now = instant
