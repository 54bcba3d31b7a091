"""The weather to come, through the house: by how much the room will leave its usual wave.

The house is a first-order lag of the outdoor air. Source: the simplest model that hourly data
identify (Bacher and Madsen 2011, Energy and Buildings 43:1511). Only differences from the usual day
are used, so neither how warm the house is on average nor its own daily wave need be known.
"""

from __future__ import annotations

import bisect
from collections.abc import Iterator, Sequence
from itertools import pairwise

from controller.foresight.algebra import cholesky, solved
from controller.foresight.course import HourAt
from controller.foresight.room_side import day_wave
from controller.thermal.probe import lagged_c

STEP_S = 1800.0
DAY_S = 86_400.0
DAYS_BEFORE = 4


class Outdoors:
    """How far the house will be off its usual day [K], from a series of outdoor air."""

    def __init__(
        self,
        series: Sequence[tuple[float, float]],
        *,
        house_time_constant_s: float,
        hour_at: HourAt,
    ) -> None:
        """Send the weather through the house, and take its usual day away.

        Args:
            series: Instants [s since 1970, UTC] in order and outdoor air [°C]; two or more.
            house_time_constant_s: Time constant of the house [s].
            hour_at: Local hour at an instant.
        """
        inside_c = sum(outdoor_c for _, outdoor_c in series) / len(series)
        first_day = [row for row in series if row[0] <= series[0][0] + DAY_S]
        for _ in range(DAYS_BEFORE):  # the days before are supposed to have been like the first
            for _, ends_c in _through(first_day, inside_c, house_time_constant_s):
                inside_c = ends_c
        course = [(series[0][0], inside_c), *_through(series, inside_c, house_time_constant_s)]
        self._at_s = [at_s for at_s, _ in course]
        indoor_c = [value for _, value in course]
        wave = _usual(self._at_s, indoor_c, hour_at)
        self._off_k = [
            value - sum(a * b for a, b in zip(wave, [1.0, *day_wave(hour_at(at_s))], strict=True))
            for at_s, value in course
        ]

    def off_k(self, at_s: float) -> float | None:
        """Return how far the house is off its usual day [K]; None where the series does not reach.

        Args:
            at_s: Seconds since 1970, UTC.
        """
        if not self._at_s[0] <= at_s <= self._at_s[-1]:
            return None
        right = max(1, bisect.bisect_left(self._at_s, at_s))
        before_s, after_s = self._at_s[right - 1], self._at_s[right]
        share = (at_s - before_s) / (after_s - before_s)
        return self._off_k[right - 1] + share * (self._off_k[right] - self._off_k[right - 1])


def _through(
    series: Sequence[tuple[float, float]], inside_c: float, house_time_constant_s: float
) -> Iterator[tuple[float, float]]:
    """Yield the house after each half hour: instant [s] and temperature [°C]."""
    for (before_s, before_c), (after_s, after_c) in pairwise(series):
        steps = max(1, round((after_s - before_s) / STEP_S))
        for step in range(steps):
            share, ends = step / steps, (step + 1) / steps
            inside_c = lagged_c(
                inside_c,
                before_c=before_c + share * (after_c - before_c),
                after_c=before_c + ends * (after_c - before_c),
                dt_s=(after_s - before_s) / steps,
                tau_s=house_time_constant_s,
            )
            yield before_s + ends * (after_s - before_s), inside_c


def _usual(at_s: Sequence[float], indoor_c: Sequence[float], hour_at: HourAt) -> list[float]:
    """Return mean and daily wave of the house by least squares, the wave held near none."""
    hessian = [[0.0 if i != j else (0.0 if i == 0 else 4.0) for j in range(5)] for i in range(5)]
    gradient = [0.0] * 5
    for instant_s, value in zip(at_s, indoor_c, strict=True):
        row = [1.0, *day_wave(hour_at(instant_s))]
        for i in range(5):
            gradient[i] += row[i] * value
            for j in range(5):
                hessian[i][j] += row[i] * row[j]
    return solved(cholesky(hessian), gradient)
