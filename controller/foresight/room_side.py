"""The room over the coming day: its usual wave, and how far today is off it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from controller.foresight.algebra import Vector, cholesky, solved
from controller.foresight.sized import Sized

WARMEST_H = 17.0
"""Common practice for a lived-in house, no source."""
OFF_LASTS_S = 15 * 3600.0
"""How long a day stays warmer or colder than usual [s]; from our own study."""
DAY_S = 86_400.0
_AGE_S = 3 * DAY_S


def day_wave(hour: float) -> Vector:
    """Return the two harmonics of the day at a local hour."""
    angle = hour * math.pi / 12.0
    return [math.cos(angle), math.sin(angle), math.cos(2 * angle), math.sin(2 * angle)]


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
        return self.wave[0] + sum(a * b for a, b in zip(self.wave[1:], day_wave(hour), strict=True))

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
    angle = WARMEST_H * math.pi / 12.0
    swing_k = sized.room_swing_k
    return Room([sized.room_mean_c, swing_k * math.cos(angle), swing_k * math.sin(angle), 0.0, 0.0])


def learned_room(sized: Sized, points: Iterable[tuple[float, float, float]]) -> Room:
    """Return the wave that fits what was seen, today's distance included.

    Args:
        sized: What was thought before.
        points: Age [s], local hour and room [°C], one each half hour.
    """
    start = sized_room(sized)
    variances = [9.0, 1.0, 1.0, 0.25, 0.25]
    hessian = [[1.0 / variances[i] if i == j else 0.0 for j in range(5)] for i in range(5)]
    gradient = [m / v for m, v in zip(start.wave, variances, strict=True)]
    newest: tuple[float, float, float] | None = None
    for age_s, hour, room_c in points:
        row = [1.0, *day_wave(hour)]
        weight = math.exp(-age_s / _AGE_S) / 4.0
        for i in range(5):
            gradient[i] += weight * row[i] * room_c
            for j in range(5):
                hessian[i][j] += weight * row[i] * row[j]
        if newest is None or age_s < newest[0]:
            newest = (age_s, hour, room_c)
    room = Room(solved(cholesky(hessian), gradient))
    if newest is None:
        return room
    age_s, hour, room_c = newest
    return Room(room.wave, (room_c - room.usual_c(hour)) * math.exp(-age_s / OFF_LASTS_S))
