"""When the readings of simulated probes are taken: at the first tick at which each is due."""

from __future__ import annotations

import math

_ROUNDING = 1e-6


class ReadingTimes:
    """The number, the tick and the instant of each reading.

    Readings are numbered from 0, which is due at the start, and ticks from 0 as well.
    """

    def __init__(self, origin: float, *, every_s: float, tick_s: float) -> None:
        """Take the two clocks.

        Args:
            origin: Monotonic instant of the start [s].
            every_s: Time between two readings [s].
            tick_s: Time between two ticks, which come at ``origin + n·tick_s`` [s].
        """
        self.origin = origin
        self.tick_s = tick_s
        self._every_s = every_s
        share = every_s / tick_s
        self._ticks_each = round(share) if abs(share - round(share)) < 1e-9 else 0

    def number_at(self, now: float) -> int:
        """Return the number of the newest reading that is due."""
        return int((now - self.origin) / self._every_s + _ROUNDING)

    def tick_of(self, number: int) -> int:
        """Return the tick at which a reading is taken, 1 at least."""
        if self._ticks_each and number > 0:
            return number * self._ticks_each
        return max(1, math.ceil(number * self._every_s / self.tick_s - _ROUNDING))

    def instant_of(self, number: int) -> float:
        """Return the instant at which a reading is taken [s]."""
        return self.origin + self.tick_of(number) * self.tick_s

    def whole_ticks(self, time_s: float) -> float:
        """Return when a time that begins with a tick is noticed to be over [s]."""
        if time_s == math.inf:
            return time_s
        return self.tick_s * math.ceil(time_s / self.tick_s - 1e-9)
