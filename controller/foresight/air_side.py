"""The load on the coil, learned from its share of time cooling, without knowing a watt.

λ = u·h(x) is how hard the coil worked over half an hour, in kelvin of air less water; a regression
with sized values as its prior splits it by room, hour, the air's own change and what lies behind
it. Widths and time constants come from our own study of 92 simulated plants.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from operator import mul
from typing import NamedTuple

from controller.domain.daytime import WARMEST_HOUR
from controller.foresight.algebra import Matrix, Vector, cholesky, inverse, solved, times
from controller.foresight.band import HeldBand
from controller.foresight.bins import BIN_S, Bin
from controller.foresight.room_side import day_wave
from controller.foresight.sized import OUT_OF_ROOM_K, Sized
from controller.foresight.water_side import coil_k


class Terms(NamedTuple):
    """One figure for each term of the load: its coefficient, its width, or a row of them."""

    base: float
    """Load at `OUT_OF_ROOM_K` [K]."""
    room: float
    """Per kelvin of room over air [-]."""
    cos: float
    sin: float
    cos2: float
    sin2: float
    """The day's wave, and its second harmonic [K]."""
    rate: float
    """Heat capacity that follows the air at once [s]."""
    slow: float
    """Coupling to what follows within hours [-]."""
    unbroken: float
    """Less load while the coil runs without a break [K]."""
    cold: float
    """More load per kelvin that the water is colder than usual [-]."""


COLD_AT_K = 8.0
"""Air less water at which the term `Terms.cold` is nothing [K]."""
POINT_BINS = 6
SLOW_S = 2.5 * 3600.0
"""How slowly crop and walls follow the air [s]."""
UNBROKEN = 0.95
"""A share of time cooling above this is a run without a break [-]."""
AGE_S = 3 * 86_400.0
"""How slowly the past is forgotten [s]."""
TODAY_S, TODAY_WEIGHS_S = 7 * 3600.0, 3 * 3600.0
"""How far back today's distance from the usual load is looked for, and how fast half hours lose
weight in it [s]: with a room probe, which sees the weather …"""
TODAY_BLIND_S, TODAY_WEIGHS_BLIND_S = 4 * 3600.0, 1.5 * 3600.0
"""… and without one."""
TODAY_LASTS_S = 5 * 3600.0
"""How long today's distance from the usual load lasts with a room probe [s] …"""
TODAY_LASTS_BLIND_S = 15 * 3600.0
"""… and without one, where it is the weather's [s]."""
TODAY_SHRUNK = 0.6
"""Half hours that count against today's distance [-]."""
NOISE = 0.25
"""How far half an hour lies off the load, as a share of the mean load [-]; foreign simulated weeks:
0.13 while the coil cycles, and half hours next to each other are not independent."""
TOO_WARM_K, TOO_QUICK_K_H = 3.0, 5.0
"""Air this far over cut-in, or that moves this fast, tells nothing of the load."""
IDLE, IDLE_OVER_K = 0.02, 0.3
"""Air over cut-in by this while the coil hardly worked: the water was of no use."""
FROM_SIZED = 0.84
"""What the coil's own kelvin is beside the sized conductance [-]."""
BASE_FROM_SIZED, AIR_FROM_SIZED = 0.91, 0.43
"""What load and heat capacity of the air come to beside their sized values [-]."""
UNBROKEN_SHARE = 0.06
"""How much less the load is without a break: the humidifier rests then [-]."""
WAVE_ROOM_K, WAVE_ROOM_BLIND_K = 0.08, 0.3
"""How wide the day's wave is left, as a share of the base, with a room probe and without [-]."""
ROOM_WAVE_K = 1.5
"""The room's wave as the load feels it, where no probe is in the room [K]."""
COLD_SD = 0.03
"""How wide the term of cold water is left, as a share of the base per kelvin [1/K]."""
OFFSETS_K = (-2.0, -1.2, -0.5, 0.2, 0.9, 1.6, 2.4)
DRY_SLOPES = (0.42, 0.50, 0.58, 0.66, 0.75, 0.83, 0.91, 1.0)
OFFSET_MEAN_K, OFFSET_SD_K = 0.5, 1.0
DRY_MEAN, DRY_SD = 0.85, 0.15
MISFIT_WEIGHS = 0.3
"""Misfits of half hours next to each other are not independent [-]."""
LEAST_POINTS = 12
LEAST_LOAD_K = 0.2
PRIOR_POINTS = 4.0
"""What the sized load counts for in the mean load [half hours]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadPoint:
    """Half an hour: terms of the regression, and what the coil had to work with."""

    end_s: float
    terms: Terms
    duty: float
    """Share of time cooling [-]."""
    over_water_k: float
    """Air less water while it did [K]."""
    lit: bool = False
    """Whether the lights were on by the clock."""

    def load_k(self, offset: float, dry: float) -> float:
        """Return how hard the coil worked [K]."""
        return self.duty * coil_k(self.over_water_k, offset, dry) if self.duty > 0.0 else 0.0


def wave_terms(hour: float) -> tuple[float, float, float, float]:
    """Return the day's wave at a local hour."""
    return day_wave(hour)


@dataclass(frozen=True, slots=True)
class LearnedLoad:
    """The regression: coefficients, their covariance, today's distance, and the coil's shape."""

    mean: Terms
    covariance: Matrix
    today_k: float
    offset: float
    dry: float
    typical_k: float
    """Mean load [K]."""
    lights_k: float = 0.0
    """What the lights add while they are on [K]."""
    today_lasts_s: float = TODAY_LASTS_S


class AirSide:
    """The load of one plant."""

    def __init__(self, sized: Sized, band: HeldBand, *, room_probe: bool) -> None:
        self._sized = sized
        self._band = band
        self._room_probe = room_probe
        self.offset, self.dry = OFFSET_MEAN_K, DRY_MEAN
        self._points: list[LoadPoint] = []
        self._next = 0
        """First bin of the next half hour to be kept, and the slow mean of the air before it."""
        self._slow_c: float | None = None

    def points(self, bins: Sequence[Bin], hours: Sequence[float]) -> list[LoadPoint]:
        """Return the half hours that can be learned from.

        Args:
            bins: One after the other without a hole; the same as at the last call and more, or a
                part of them from their beginning.
            hours: Local hour of the middle of each.
        """
        while self._next + 2 * POINT_BINS <= len(bins):  # the newest bins may still change
            self._slow_c, point = self._half_hour(bins, hours, self._next, self._slow_c)
            if point is not None:
                self._points.append(point)
            self._next += POINT_BINS
        end_s = bins[-1].end_s if bins else 0.0
        until = bisect_right(self._points, end_s, key=lambda point: point.end_s)
        points = self._points[:until]
        slow_c = self._slow_c
        for first in range(self._next, len(bins) - POINT_BINS + 1, POINT_BINS):
            slow_c, point = self._half_hour(bins, hours, first, slow_c)
            if point is not None:
                points.append(point)
        return points

    def _half_hour(
        self, bins: Sequence[Bin], hours: Sequence[float], first: int, slow_c: float | None
    ) -> tuple[float | None, LoadPoint | None]:
        """Return the slow mean of the air at the end of half an hour, and its point."""
        part = bins[first : first + POINT_BINS]
        share = 1.0 - math.exp(-BIN_S / SLOW_S)
        middle_c = slow_c
        for index, each in enumerate(part):
            if each.air_c is not None:
                slow_c = each.air_c if slow_c is None else slow_c + share * (each.air_c - slow_c)
            if index == POINT_BINS // 2:
                middle_c = slow_c
        return slow_c, self._point(part, hours[first + POINT_BINS // 2], middle_c)

    def _point(self, part: Sequence[Bin], hour: float, slow_c: float | None) -> LoadPoint | None:
        duties, over_water_k, air, room = [], [], [], []
        for each in part:
            if each.air_c is None or each.water_c is None or each.duty is None:
                return None
            if each.room_c is not None:
                room.append(each.room_c)
            air.append(each.air_c)
            duties.append(each.duty)
            over_water_k.append(each.air_c - each.water_c)
        if slow_c is None or (self._room_probe and len(room) < len(part) // 2):
            return None
        air_c = sum(air) / len(air)
        rate_k_s = (sum(air[-3:]) - sum(air[:3])) / 3.0 / (3.0 * BIN_S)
        cut_in_c, _ = self._band.at(hour)
        cooled = sum(duties)
        duty = cooled / len(duties)
        if (
            air_c > cut_in_c + TOO_WARM_K
            or (duty < IDLE and air_c > cut_in_c + IDLE_OVER_K)
            or abs(rate_k_s) * 3600.0 > TOO_QUICK_K_H
        ):
            return None
        x = sum(map(mul, duties, over_water_k)) / cooled if cooled > 0.0 else 0.0
        unbroken = min(duties) > UNBROKEN
        if self._room_probe:
            room_k = sum(room) / len(room) - air_c - OUT_OF_ROOM_K
        else:
            room_k = self._band.middle_c(hour) - air_c
        lights = self._sized.lights
        return LoadPoint(
            end_s=part[-1].end_s,
            terms=Terms(
                1.0,
                room_k,
                *wave_terms(hour),
                rate=-rate_k_s if unbroken else 0.0,
                slow=slow_c - air_c,
                unbroken=-1.0 if unbroken else 0.0,
                cold=x - COLD_AT_K if cooled > 0.0 else 0.0,
            ),
            duty=duty,
            over_water_k=x,
            lit=lights is not None and lights.on(hour),
        )

    def prior(self, coil_w_k: float) -> tuple[Terms, Terms]:
        """Return mean and standard deviation of each coefficient.

        Args:
            coil_w_k: Conductance of the coil as it is believed now [W/K].
        """
        sized = self._sized
        scale_w_k = FROM_SIZED * coil_w_k
        base_k = BASE_FROM_SIZED * sized.load_w / scale_w_k
        per_k = sized.load_w_k / scale_w_k
        if not self._room_probe:
            base_k += per_k * (sized.room_mean_c - self._band.middle_c(12.0) - OUT_OF_ROOM_K)
        base_k = max(base_k, LEAST_LOAD_K)
        angle = WARMEST_HOUR * math.pi / 12.0 + math.pi / 24.0
        wave_k = 0.0 if self._room_probe else ROOM_WAVE_K * per_k
        rate_s = AIR_FROM_SIZED * 1000.0 * sized.air_kj_k / scale_w_k
        slow = sized.crop_w_k / scale_w_k
        wave_sd_k = (WAVE_ROOM_K if self._room_probe else WAVE_ROOM_BLIND_K) * base_k
        mean = Terms(
            base=base_k, room=per_k, cos=wave_k * math.cos(angle), sin=wave_k * math.sin(angle),
            cos2=0.0, sin2=0.0, rate=rate_s, slow=slow, unbroken=UNBROKEN_SHARE * base_k, cold=0.0,
        )  # fmt: skip
        sd = Terms(
            base=0.22 * base_k, room=0.25 * per_k, cos=wave_sd_k, sin=wave_sd_k,
            cos2=0.5 * wave_sd_k, sin2=0.5 * wave_sd_k, rate=0.5 * rate_s, slow=0.6 * slow,
            unbroken=0.06 * base_k, cold=COLD_SD * base_k,
        )  # fmt: skip
        return mean, sd

    def load(self, points: Sequence[LoadPoint], *, now_s: float, coil_w_k: float) -> LearnedLoad:
        """Return the load as it is believed now."""
        return _Regression(self, points, now_s=now_s, coil_w_k=coil_w_k).load(self.offset, self.dry)

    def learn_shape(self, points: Sequence[LoadPoint], *, now_s: float, coil_w_k: float) -> None:
        """Take the shape of the coil that makes the load simplest, over a grid of shapes."""
        if len(points) < LEAST_POINTS:
            return
        regression = _Regression(self, points, now_s=now_s, coil_w_k=coil_w_k)
        misfits = {
            (offset, dry): regression.misfit(offset, dry)
            for offset in OFFSETS_K
            for dry in DRY_SLOPES
        }
        least = min(misfits.values())
        total = offset_total = dry_total = 0.0
        for (offset, dry), misfit in misfits.items():
            prior = ((offset - OFFSET_MEAN_K) / OFFSET_SD_K) ** 2
            prior += ((dry - DRY_MEAN) / DRY_SD) ** 2
            weight = math.exp(-0.5 * (prior + MISFIT_WEIGHS * (misfit - least)))
            total += weight
            offset_total += weight * offset
            dry_total += weight * dry
        self.offset, self.dry = offset_total / total, dry_total / total

    @property
    def today_lasts_s(self) -> float:
        """How long today's distance lasts [s]."""
        return TODAY_LASTS_S if self._room_probe else TODAY_LASTS_BLIND_S

    @property
    def today_s(self) -> float:
        """How far back it is looked for [s]."""
        return TODAY_S if self._room_probe else TODAY_BLIND_S

    @property
    def today_weighs_s(self) -> float:
        """How fast half hours lose weight in it [s]."""
        return TODAY_WEIGHS_S if self._room_probe else TODAY_WEIGHS_BLIND_S

    def lights_k(self, coil_w_k: float) -> float:
        """Return what the lights add while they are on [K]."""
        lights = self._sized.lights
        return 0.0 if lights is None else lights.watts / (FROM_SIZED * coil_w_k)


class _Regression:
    """Ridge regression of the half hours; their sums are made once for all shapes of the coil."""

    def __init__(
        self, air: AirSide, points: Sequence[LoadPoint], *, now_s: float, coil_w_k: float
    ) -> None:
        self._air, self._points, self._now_s = air, points, now_s
        self._mean, self._sd = air.prior(coil_w_k)
        self._lights_k = air.lights_k(coil_w_k)
        self._ages = [math.exp(-(now_s - point.end_s) / AGE_S) for point in points]
        n = len(self._mean)
        columns = list(zip(*(point.terms for point in points), strict=True)) or [()] * n
        self._columns = [list(map(mul, self._ages, column)) for column in columns]
        self._squares = [
            [sum(map(mul, self._columns[i], columns[j])) for j in range(i + 1)] for i in range(n)
        ]

    def _loads(self, offset: float, dry: float) -> Vector:
        return [
            point.load_k(offset, dry) - (self._lights_k if point.lit else 0.0)
            for point in self._points
        ]

    def _solve(self, offset: float, dry: float) -> tuple[Vector, Vector, Matrix, float, float]:
        """Return loads, coefficients, precision, mean load and variance for one shape."""
        mean, sd = self._mean, self._sd
        n = len(mean)
        loads = self._loads(offset, dry)
        typical_k = (PRIOR_POINTS * mean.base + sum(map(mul, self._ages, loads))) / (
            PRIOR_POINTS + sum(self._ages)
        )
        variance = (NOISE * max(LEAST_LOAD_K, typical_k)) ** 2
        hessian = [[0.0] * n for _ in range(n)]
        for i in range(n):
            for j in range(i + 1):
                hessian[i][j] = hessian[j][i] = self._squares[i][j] / variance
            hessian[i][i] += 1.0 / (sd[i] * sd[i])
        gradient = [
            mean[i] / (sd[i] * sd[i]) + sum(map(mul, self._columns[i], loads)) / variance
            for i in range(n)
        ]
        return loads, solved(cholesky(hessian), gradient), hessian, typical_k, variance

    def misfit(self, offset: float, dry: float) -> float:
        """Return the weighted misfit for one shape of the coil."""
        loads, values, hessian, _, variance = self._solve(offset, dry)
        # what is left of weighted least squares with a prior, without going through the rows again
        squares = sum(map(mul, map(mul, self._ages, loads), loads)) / variance
        prior = sum((m / s) ** 2 for m, s in zip(self._mean, self._sd, strict=True))
        explained: float = sum(map(mul, values, times(hessian, values)))
        return float(squares + prior - explained)

    def load(self, offset: float, dry: float) -> LearnedLoad:
        """Return the load for one shape of the coil."""
        loads, values, hessian, typical_k, _ = self._solve(offset, dry)
        total_k = weights = 0.0
        counted = 0
        for point, load_k in zip(reversed(self._points), reversed(loads), strict=True):
            age_s = self._now_s - point.end_s
            if age_s > self._air.today_s:
                break
            weight = math.exp(-age_s / self._air.today_weighs_s)
            total_k += weight * (load_k - sum(map(mul, values, point.terms)))
            weights += weight
            counted += 1
        today_k = total_k / weights * counted / (counted + TODAY_SHRUNK) if weights > 0.0 else 0.0
        return LearnedLoad(
            Terms(*values),
            inverse(hessian),
            today_k,
            offset,
            dry,
            max(LEAST_LOAD_K, typical_k),
            self._lights_k,
            self._air.today_lasts_s,
        )
