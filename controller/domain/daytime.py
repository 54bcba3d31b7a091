"""The day by the clock on the wall: stretches over midnight, and the room's usual wave."""

from __future__ import annotations

import math
from datetime import time
from typing import TypeVar

T = TypeVar("T", float, time)

WARMEST_HOUR = 16.5
"""Local hour at which a lived-in room is warmest; common practice, no source."""


def within(now: T, begins: T, ends: T) -> bool:
    """Return whether a time of day lies in a stretch of the day, which may go over midnight.

    Its first instant belongs to it and its last does not; a stretch that begins when it ends is
    the whole day.

    Args:
        now: Local hour, 0 to below 24, or time of day; the other two in the same form.
        begins: When the stretch begins.
        ends: When it ends.
    """
    return begins <= now < ends if begins < ends else now >= begins or now < ends


def hour_of(at: time) -> float:
    """Return a time of day in hours."""
    return at.hour + at.minute / 60 + at.second / 3600


def day_cosine(hour: float, warmest_hour: float = WARMEST_HOUR) -> float:
    """Return the usual wave of a room: 1 when it is warmest, -1 twelve hours later.

    Args:
        hour: Local hour [h]; any number, the day repeats.
        warmest_hour: When it is warmest [h].
    """
    return math.cos((hour - warmest_hour) * math.pi / 12.0)
