"""The load on the coil, learned from its share of time cooling, without knowing a watt.

λ = u·h(x) is how hard the coil worked over half an hour, in kelvin of air less water; a regression
with sized values as its prior splits it by room, hour, the air's own change and what lies behind
it. Widths and time constants come from our own study of 92 simulated plants.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from controller.foresight.algebra import Matrix, Vector, cholesky, inverse, solved
from controller.foresight.band import HeldBand
from controller.foresight.bins import BIN_S, Bin
from controller.foresight.room_side import WARMEST_H, day_wave
from controller.foresight.sized import OUT_OF_ROOM_K, Sized
from controller.foresight.water_side import coil_k

BASE, ROOM, COS, SIN, COS2, SIN2, RATE, SLOW, BREAK = range(9)
"""Places of the terms: see `terms`."""
POINT_BINS = 6
SLOW_S = 2.5 * 3600.0
"""How slowly crop and walls follow the air [s]."""
UNBROKEN = 0.95
"""A share of time cooling above this is a run without a break [-]."""
AGE_S = 3 * 86_400.0
TODAY_S = 4 * 3600.0
TODAY_WEIGHS_S = 1.5 * 3600.0
TODAY_LASTS_S = 5 * 3600.0
NOISE = 0.35
_FROM_SIZED = 0.84
_BASE_FROM_SIZED = 0.91
_OFFSETS = (-2.0, -1.2, -0.5, 0.2, 0.9, 1.6, 2.4)
_DRY = (0.42, 0.50, 0.58, 0.66, 0.75, 0.83, 0.91, 1.0)
_OFFSET_PRIOR = (0.5, 1.0)
_DRY_PRIOR = (0.85, 0.15)
_MISFIT_WEIGHS = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """Half an hour: terms of the regression, and what the coil had to work with."""

    end_s: float
    terms: Vector
    runs: tuple[tuple[float, float], ...]
    """Share of time cooling and air less water [K] of each bin."""
    lit: bool = False
    """Whether the lights were on by the clock."""

    def load_k(self, offset: float, dry: float) -> float:
        """Return how hard the coil worked [K]."""
        return sum(u * coil_k(x, offset, dry) for u, x in self.runs if u > 0.0) / len(self.runs)


def terms(
    *, hour: float, room_less_air_k: float, rate_k_s: float, over_slow_k: float, unbroken: bool
) -> Vector:
    """Return one row of the regression.

    Args:
        hour: Local hour.
        room_less_air_k: Room less air [K]; without a room probe air less the band's middle, with
            the opposite sign.
        rate_k_s: Rise of the air [K/s]; it tells only where the coil ran without a break.
        over_slow_k: Air less its slow mean [K].
        unbroken: Whether the coil ran without a break.
    """
    return [
        1.0,
        room_less_air_k,
        *day_wave(hour),
        -rate_k_s if unbroken else 0.0,
        -over_slow_k,
        -1.0 if unbroken else 0.0,
    ]


@dataclass(frozen=True, slots=True)
class Load:
    """The regression: coefficients, their covariance, today's distance, and the coil's shape."""

    mean: Vector
    covariance: Matrix
    today_k: float
    offset: float
    dry: float
    typical_k: float
    """Mean load [K]."""
    lights_k: float = 0.0
    """What the lights add while they are on [K]."""


class AirSide:
    """The load of one plant."""

    def __init__(self, sized: Sized, band: HeldBand, *, room_probe: bool) -> None:
        self._sized = sized
        self._band = band
        self._room_probe = room_probe
        self.offset, self.dry = _OFFSET_PRIOR[0], _DRY_PRIOR[0]

    def points(self, bins: Sequence[Bin], hours: Sequence[float]) -> list[Point]:
        """Return the half hours that can be learned from.

        Args:
            bins: One after the other without a hole.
            hours: Local hour of the middle of each.
        """
        found: list[Point] = []
        slow_c: float | None = None
        share = 1.0 - math.exp(-BIN_S / SLOW_S)
        slow: list[float | None] = []
        for each in bins:
            if each.air_c is not None:
                slow_c = each.air_c if slow_c is None else slow_c + share * (each.air_c - slow_c)
            slow.append(slow_c)
        for first in range(0, len(bins) - POINT_BINS + 1, POINT_BINS):
            part = bins[first : first + POINT_BINS]
            middle = first + POINT_BINS // 2
            point = self._point(part, hours[middle], slow[middle])
            if point is not None:
                found.append(point)
        return found

    def _point(self, part: Sequence[Bin], hour: float, slow_c: float | None) -> Point | None:
        runs, air, room = [], [], []
        for each in part:
            if each.air_c is None or each.water_c is None or each.duty is None:
                return None
            if each.room_c is not None:
                room.append(each.room_c)
            air.append(each.air_c)
            runs.append((each.duty, each.air_c - each.water_c))
        if slow_c is None or (self._room_probe and len(room) < len(part) // 2):
            return None
        air_c = sum(air) / len(air)
        rate_k_s = (sum(air[-3:]) - sum(air[:3])) / 3.0 / (3.0 * BIN_S)
        cut_in_c, _ = self._band.at(hour)
        duty = sum(u for u, _ in runs) / len(runs)
        if (
            air_c > cut_in_c + 3.0
            or (duty < 0.02 and air_c > cut_in_c + 0.3)
            or abs(rate_k_s) * 3600.0 > 5.0
        ):
            return None
        less_k = (
            sum(room) / len(room) - air_c if self._room_probe else self._band.middle_c(hour) - air_c
        )
        return Point(
            end_s=part[-1].end_s,
            terms=terms(
                hour=hour,
                room_less_air_k=less_k - (OUT_OF_ROOM_K if self._room_probe else 0.0),
                rate_k_s=rate_k_s,
                over_slow_k=air_c - slow_c,
                unbroken=min(u for u, _ in runs) > UNBROKEN,
            ),
            runs=tuple(runs),
            lit=self._sized.lights is not None and self._sized.lights.on(hour),
        )

    def prior(self, coil_w_k: float) -> tuple[Vector, Vector]:
        """Return mean and standard deviation of each coefficient.

        Args:
            coil_w_k: Conductance of the coil as it is believed now [W/K].
        """
        sized = self._sized
        scale_w_k = _FROM_SIZED * coil_w_k
        out_of_room_k = OUT_OF_ROOM_K
        base = _BASE_FROM_SIZED * sized.load_w / scale_w_k
        per_k = sized.load_w_k / scale_w_k
        if not self._room_probe:
            at_middle = sized.room_mean_c - self._band.middle_c(12.0) - out_of_room_k
            base += per_k * at_middle
        base = max(base, 0.2)
        angle = WARMEST_H * math.pi / 12.0 + math.pi / 24.0
        wave = 0.0 if self._room_probe else 1.5 * per_k
        mean = [
            base,
            per_k,
            wave * math.cos(angle),
            wave * math.sin(angle),
            0.0,
            0.0,
            0.43 * 1000.0 * sized.air_kj_k / scale_w_k,
            sized.crop_w_k / scale_w_k,
            0.06 * base,
        ]
        sd = [
            0.22 * mean[BASE],
            0.25 * mean[ROOM],
            0.08 * base,
            0.08 * base,
            0.04 * base,
            0.04 * base,
            0.5 * mean[RATE],
            0.6 * mean[SLOW],
            0.06 * base,
        ]
        if not self._room_probe:
            sd[COS] = sd[SIN] = 0.15 * base
        return mean, sd

    def load(self, points: Sequence[Point], *, now_s: float, coil_w_k: float) -> Load:
        """Return the load as it is believed now."""
        fitted, _ = self._regressed(points, now_s, coil_w_k, self.offset, self.dry)
        return fitted

    def learn_shape(self, points: Sequence[Point], *, now_s: float, coil_w_k: float) -> None:
        """Take the shape of the coil that makes the load simplest, over a grid of shapes."""
        if len(points) < 12:
            return
        weights, offsets, dries = 0.0, 0.0, 0.0
        results = []
        for offset in _OFFSETS:
            for dry in _DRY:
                fitted, misfit = self._regressed(points, now_s, coil_w_k, offset, dry)
                results.append((offset, dry, misfit))
                del fitted
        least = min(misfit for *_, misfit in results)
        for offset, dry, misfit in results:
            prior = ((offset - _OFFSET_PRIOR[0]) / _OFFSET_PRIOR[1]) ** 2 + (
                (dry - _DRY_PRIOR[0]) / _DRY_PRIOR[1]
            ) ** 2
            weight = math.exp(-0.5 * (prior + _MISFIT_WEIGHS * (misfit - least)))
            weights += weight
            offsets += weight * offset
            dries += weight * dry
        self.offset, self.dry = offsets / weights, dries / weights

    def _regressed(
        self, points: Sequence[Point], now_s: float, coil_w_k: float, offset: float, dry: float
    ) -> tuple[Load, float]:
        """Return the regression for one shape of the coil, and its weighted misfit."""
        mean, sd = self.prior(coil_w_k)
        n = len(mean)
        lights = self._sized.lights
        lights_k = 0.0 if lights is None else lights.watts / (_FROM_SIZED * coil_w_k)
        loads = [point.load_k(offset, dry) - (lights_k if point.lit else 0.0) for point in points]
        ages = [math.exp(-(now_s - point.end_s) / AGE_S) for point in points]
        total_age = sum(ages)
        typical_k = (4.0 * mean[BASE] + sum(a * v for a, v in zip(ages, loads, strict=True))) / (
            4.0 + total_age
        )
        noise_k2 = (NOISE * max(0.2, typical_k)) ** 2
        hessian = [[0.0] * n for _ in range(n)]
        gradient = [m / (s * s) for m, s in zip(mean, sd, strict=True)]
        for i in range(n):
            hessian[i][i] = 1.0 / (sd[i] * sd[i])
        for point, load_k, age in zip(points, loads, ages, strict=True):
            row = point.terms
            weight = age / noise_k2
            for i in range(n):
                scaled = weight * row[i]
                if scaled:
                    gradient[i] += scaled * load_k
                    target = hessian[i]
                    for j in range(i + 1):
                        target[j] += scaled * row[j]
        for i in range(n):
            for j in range(i):
                hessian[j][i] = hessian[i][j]
        values = solved(cholesky(hessian), gradient)
        residuals = [
            load_k - sum(a * b for a, b in zip(values, point.terms, strict=True))
            for point, load_k in zip(points, loads, strict=True)
        ]
        misfit = sum(age * r * r / noise_k2 for age, r in zip(ages, residuals, strict=True)) + sum(
            ((v - m) / s) ** 2 for v, m, s in zip(values, mean, sd, strict=True)
        )
        today_sum = today_weight = 0.0
        counted = 0
        for point, residual in zip(reversed(points), reversed(residuals), strict=True):
            age_s = now_s - point.end_s
            if age_s > TODAY_S:
                break
            weight = math.exp(-age_s / TODAY_WEIGHS_S)
            today_sum += weight * residual
            today_weight += weight
            counted += 1
        today_k = (
            today_sum / today_weight * counted / (counted + 0.6) if today_weight > 0.0 else 0.0
        )
        load = Load(values, inverse(hessian), today_k, offset, dry, max(0.2, typical_k), lights_k)
        return load, misfit
