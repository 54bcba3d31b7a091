"""The room over the coming day: its usual wave, and how far today is off it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from operator import mul
from typing import NamedTuple

from controller.domain.daytime import WARMEST_HOUR
from controller.foresight.algebra import Vector, cholesky, solved
from controller.foresight.sized import Sized

OFF_LASTS_S = 40 * 3600.0
"""How long a day stays warmer or colder than usual [s]; by the room probes of foreign simulated
weeks, with hot spells in them."""
DAY_S = 86_400.0
_AGE_S = 3 * DAY_S
READING_VARIANCE_K2 = 4.0
"""How far a half hour lies off the usual day [K²]: weather and windows, common practice."""
FIRST_VARIANCE_K2 = (9.0, 1.0, 1.0, 0.25, 0.25)
"""How far mean and harmonics may lie off their sized values [K²]; from our own study."""


@lru_cache(maxsize=4096)
def day_wave(hour: float) -> tuple[float, float, float, float]:
    """Return the two harmonics of the day at a local hour."""
    angle = hour * math.pi / 12.0
    return math.cos(angle), math.sin(angle), math.cos(2 * angle), math.sin(2 * angle)


@dataclass(frozen=True, slots=True)
class Room:
    """The usual wave of the room, and today's distance from it [K]."""

    wave: Vector
    off_k: float = 0.0
    weather_k: Callable[[float], float | None] | None = None
    """How far the weather takes the house off its usual day, so many seconds from now [K]; None
    where no forecast reaches."""

    def usual_c(self, hour: float) -> float:
        """Return the room on a usual day at a local hour [°C]."""
        mean_c, by_cos, by_sin, by_cos2, by_sin2 = self.wave
        cos, sin, cos2, sin2 = day_wave(hour)
        return mean_c + (by_cos * cos + by_sin * sin + by_cos2 * cos2 + by_sin2 * sin2)

    def ahead_c(self, hour: float, ahead_s: float) -> float:
        """Return the room this long from now, at the local hour that it will be then [°C]."""
        if self.weather_k is not None:
            now_k, then_k = self.weather_k(0.0), self.weather_k(ahead_s)
            if now_k is not None and then_k is not None:
                # today is off because of its weather, and stays so as far as that does
                return self.usual_c(hour) + self.off_k + (then_k - now_k)
        return self.usual_c(hour) + self.off_k * math.exp(-ahead_s / OFF_LASTS_S)


def sized_room(sized: Sized) -> Room:
    """Return the wave that the plant's figures give."""
    angle = WARMEST_HOUR * math.pi / 12.0
    swing_k = sized.room_swing_k
    return Room([sized.room_mean_c, swing_k * math.cos(angle), swing_k * math.sin(angle), 0.0, 0.0])


class RoomRow(NamedTuple):
    """What a room probe showed at an instant, ready for the regression."""

    at_s: float
    """Seconds since 1970, UTC."""
    hour: float
    wave: tuple[float, ...]
    """One, and the two harmonics of the day at that hour."""
    room_c: float


def room_row(at_s: float, hour: float, room_c: float) -> RoomRow:
    """Return what a room probe showed [°C] at an instant [s since 1970] and local hour."""
    return RoomRow(at_s, hour, (1.0, *day_wave(hour)), room_c)


def learned_room(sized: Sized, rows: Sequence[RoomRow], *, now_s: float) -> Room:
    """Return the wave that fits what was seen, today's distance included.

    Args:
        sized: What was thought before.
        rows: One each half hour and the newest, in the order of time.
        now_s: Now [s since 1970].
    """
    start = sized_room(sized)
    if not rows:
        return start
    weights = [math.exp(-(now_s - row.at_s) / _AGE_S) / READING_VARIANCE_K2 for row in rows]
    rooms_c = [row.room_c for row in rows]
    columns = list(zip(*(row.wave for row in rows), strict=True))
    weighed = [list(map(mul, weights, column)) for column in columns]
    n = len(columns)
    hessian = [[sum(map(mul, weighed[i], columns[j])) for j in range(n)] for i in range(n)]
    gradient = [sum(map(mul, weighed[i], rooms_c)) for i in range(n)]
    for i, variance_k2 in enumerate(FIRST_VARIANCE_K2):
        hessian[i][i] += 1.0 / variance_k2
        gradient[i] += start.wave[i] / variance_k2
    room = Room(solved(cholesky(hessian), gradient))
    newest = rows[-1]
    off_k = newest.room_c - room.usual_c(newest.hour)
    return Room(room.wave, off_k * math.exp(-(now_s - newest.at_s) / OFF_LASTS_S))
