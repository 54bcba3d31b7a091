"""The unknowns of the reservoir fitted to one set of packs, from its swap to now."""

from __future__ import annotations

import math
from dataclasses import dataclass
from operator import mul
from typing import NamedTuple

from controller.foresight.algebra import Matrix, Vector, cholesky, inverse, solved, times
from controller.foresight.bins import BIN_S, line_to
from controller.foresight.sized import Sized
from controller.foresight.unknowns import (
    FROZEN,
    OFFSET,
    Belief,
    Unknowns,
    frozen_known,
    within_range,
)
from controller.foresight.water_side import Group, Water, WaterCourse, WaterSide

SIGMA_K = 0.3
"""How far a bin of the water may be off the model [K]; foreign simulated weeks: 0.12 in a whole
set that is over, twice that allowed."""
CORRELATED_BINS = 9.0
"""Errors stay alike for about 45 minutes."""
RECENT_S = 3 * 3600.0
ALWAYS_WEIGHS = 0.35
"""Weight of old bins beside recent ones [-], and how fast they get old [s]."""
HUBER_K = 1.0
"""Beyond this a bin is out of the ordinary [K]."""
LINE_BINS = 5
"""Where the water is, by a line through so many bins."""
SETTLING_BINS = 3
"""Just after a swap the water is not one temperature."""
MOST_STEPS = 5
SLOPE_STEP, SLOPE_STEP_K = 1e-3, 1e-2
TAIL_SD = 2.0
"""Packs half thawed are commoner than the bell says beyond so many standard deviations."""
WARMER_BINS, WARMER_K = 8, 0.35
"""Water that lies this far above the model for so long may have lost its ice."""
KNEE_BINS = 14
"""The knee is looked for over the last 70 minutes."""
COIL_AT_KNEE_W_K = 5.0
LEAST_RISE_K_H = 0.6


@dataclass(frozen=True, slots=True)
class WaterFit:
    """The unknowns fitted to one set of packs so far."""

    belief: Belief
    states: list[Water]
    """The reservoir at the ends of the bins, the swap first."""
    cost: float
    melt_slopes: tuple[Vector, ...]
    """How what is melted of each group now moves with each unknown."""

    @property
    def now(self) -> Water:
        """The reservoir at the end of the last bin."""
        return self.states[-1]

    def groups_at(self, values: Unknowns) -> tuple[Group, ...]:
        """Return the packs now, had the unknowns these values: along the slopes of the fit."""
        away = [v - m for v, m in zip(values, self.belief.mean, strict=True)]
        frozen_now = math.exp(values.frozen)
        groups = []
        for group, slopes in zip(self.now.groups, self.melt_slopes, strict=True):
            most = frozen_now if group.frozen is None else group.frozen
            melted = group.melted + sum(map(mul, slopes, away))
            groups.append(group._replace(melted=min(max(melted, 0.0), most)))
        return tuple(groups)


def fit(prior: Belief, course: WaterCourse, sized: Sized) -> WaterFit:
    """Return the unknowns that agree best with the prior and with the water seen.

    Gauss-Newton with numeric slopes and a Huber loss. Where the water runs warmer than the model,
    a second start supposes that the ice is nearly gone.
    """
    problem = _Problem(prior, course, sized)
    best = problem.descend(prior.mean)
    recent = [
        seen - 0.5 * (before.water_c + after.water_c)
        for seen, before, after in zip(
            course.seen_c[-WARMER_BINS:],
            best.states[-WARMER_BINS - 1 : -1],
            best.states[-WARMER_BINS:],
            strict=False,
        )
        if seen is not None
    ]
    if recent and len(course.steps) > 12 and sum(recent) / len(recent) > WARMER_K:
        fresh = _fresh(best.now)
        if fresh is not None and fresh.melted > 0.05:
            other = problem.descend(best.belief.mean._replace(frozen=math.log(0.98 * fresh.melted)))
            if other.cost < best.cost:
                best = other
    return best


def with_knee(fitted: WaterFit, course: WaterCourse, sized: Sized) -> WaterFit:
    """Return the fit, with the ice taken as gone where the last 70 minutes say so.

    The fitted model is run freely over them from where the water really was; heat that would have
    to be missing beyond half of what the packs take means that they take nothing any more.
    """
    if len(course.steps) < KNEE_BINS + SETTLING_BINS:
        return fitted
    begun = line_to(course.seen_c[:-KNEE_BINS], bins=LINE_BINS)
    ended = line_to(course.seen_c, bins=LINE_BINS)
    fresh = _fresh(fitted.now)
    if begun is None or ended is None or fresh is None or fresh.melted <= 0.0:
        return fitted
    side = WaterSide(fitted.belief.mean, sized)
    ice_w_k = side.ice_w_k(fitted.now)
    if ice_w_k <= 0.0:
        return fitted
    start = fitted.states[-KNEE_BINS - 1]._replace(water_c=begun)
    modelled = side.run(start, course.steps[-KNEE_BINS:])[-1]
    capacity = side.capacity_j_k(modelled)
    tau_s = capacity / (ice_w_k + side.leak_w_k + COIL_AT_KNEE_W_K)
    t_s = KNEE_BINS * BIN_S
    missing_w = (ended - modelled.water_c) * capacity / (tau_s * -math.expm1(-t_s / tau_s))
    cooling_w = ice_w_k * max(0.0, ended - sized.plateau_c)
    if not (missing_w > 0.5 * cooling_w and cooling_w / capacity * 3600.0 > LEAST_RISE_K_H):
        return fitted
    belief = frozen_known(fitted.belief, fresh.melted)
    states = WaterSide(belief.mean, sized).run(course.start, course.steps)
    return WaterFit(belief, states, fitted.cost, fitted.melt_slopes)


def _fresh(water: Water) -> Group | None:
    """Return the packs that went in last, where how frozen they were is being fitted."""
    return next((group for group in water.groups if group.frozen is None), None)


class _Run(NamedTuple):
    """The water at the ends of the bins, the swap first, and what is melted in the end."""

    waters_c: Vector
    melted: Vector


class _Problem:
    """Least squares for one course."""

    def __init__(self, prior: Belief, course: WaterCourse, sized: Sized) -> None:
        self._prior = prior
        self._precision = inverse(prior.covariance)
        self._sd_frozen = math.sqrt(prior.covariance[FROZEN][FROZEN])
        self._course = course
        self._sized = sized
        n = len(course.steps)
        self._weights = [
            0.0
            if i < SETTLING_BINS or seen is None
            else (ALWAYS_WEIGHS + (1.0 - ALWAYS_WEIGHS) * math.exp(-(n - 1 - i) * BIN_S / RECENT_S))
            / (CORRELATED_BINS * SIGMA_K**2)
            for i, seen in enumerate(course.seen_c)
        ]

    def descend(self, values: Unknowns) -> WaterFit:
        """Return the best fit from a start, after `MOST_STEPS` at most."""
        run = self._run(values)
        residuals = self._residuals(run.waters_c)
        cost = self._cost(values, residuals)
        slopes, melt_slopes = self._slopes(values, run, residuals)
        for _ in range(MOST_STEPS):
            hessian, gradient = self._normal(values, residuals, slopes)
            move = solved(cholesky(hessian), gradient)
            previous_cost = cost
            scale = 1.0
            for _ in range(4):
                tried = within_range([v + scale * m for v, m in zip(values, move, strict=True)])
                run_tried = self._run(tried)
                residuals_tried = self._residuals(run_tried.waters_c)
                cost_tried = self._cost(tried, residuals_tried)
                if cost_tried < cost:
                    values, run, residuals = tried, run_tried, residuals_tried
                    cost = cost_tried
                    break
                scale *= 0.3
            if previous_cost - cost < 1e-3:
                break
            slopes, melt_slopes = self._slopes(values, run, residuals)
        hessian, _ = self._normal(values, residuals, slopes)
        states = WaterSide(values, self._sized).run(self._course.start, self._course.steps)
        return WaterFit(Belief(values, inverse(hessian)), states, cost, melt_slopes)

    def _run(self, values: Unknowns) -> _Run:
        side = WaterSide(values, self._sized)
        return _Run(*side.course(self._course.start, self._course.steps))

    def _residuals(self, waters_c: Vector) -> Vector:
        return [
            0.0 if seen is None else seen - 0.5 * (before_c + after_c)
            for seen, before_c, after_c in zip(
                self._course.seen_c, waters_c[:-1], waters_c[1:], strict=True
            )
        ]

    def _slopes(
        self, values: Unknowns, run: _Run, residuals: Vector
    ) -> tuple[list[Vector], tuple[Vector, ...]]:
        """Return how the modelled water, and what is melted in the end, move with each unknown."""
        slopes = []
        melts = []
        for index in range(len(values)):
            h = SLOPE_STEP_K if index == OFFSET else SLOPE_STEP
            moved = list(values)
            moved[index] += h
            run_moved = self._run(Unknowns(*moved))
            after = self._residuals(run_moved.waters_c)
            slopes.append([(b - a) / h for b, a in zip(residuals, after, strict=True)])
            melts.append([(b - a) / h for a, b in zip(run.melted, run_moved.melted, strict=True)])
        return slopes, tuple(list(column) for column in zip(*melts, strict=True))

    def _tail(self, values: Unknowns) -> float:
        """Return the factor on the precision of the frozen share.

        Packs half thawed are rarer than the bell says near its middle, and commoner far out.
        """
        k = (self._prior.mean.frozen - values.frozen) / self._sd_frozen
        if k <= TAIL_SD:
            return 1.0
        factor: float = (TAIL_SD**2 + 4.0 * math.log(k / TAIL_SD)) / (k * k)
        return factor

    def _cost(self, values: Unknowns, residuals: Vector) -> float:
        away = [v - m for v, m in zip(values, self._prior.mean, strict=True)]
        away[FROZEN] *= math.sqrt(self._tail(values))
        total: float = sum(map(mul, away, times(self._precision, away)))
        for residual, weight in zip(residuals, self._weights, strict=True):
            size = abs(residual)
            total += weight * (size * size if size <= HUBER_K else HUBER_K * (2.0 * size - HUBER_K))
        return 0.5 * total

    def _normal(
        self, values: Unknowns, residuals: Vector, slopes: list[Vector]
    ) -> tuple[Matrix, Vector]:
        """Return the normal equations about these values."""
        n = len(values)
        root = math.sqrt(self._tail(values))
        hessian = [list(row) for row in self._precision]
        for j in range(n):
            hessian[FROZEN][j] *= root
            hessian[j][FROZEN] *= root
        away = [m - v for v, m in zip(values, self._prior.mean, strict=True)]
        gradient = times(hessian, away)
        weights = [
            weight * min(1.0, HUBER_K / abs(residual)) if residual else weight
            for residual, weight in zip(residuals, self._weights, strict=True)
        ]
        weighted = [list(map(mul, weights, row)) for row in slopes]
        for i in range(n):
            row = weighted[i]
            gradient[i] += sum(map(mul, row, residuals))
            for j in range(i + 1):
                value = sum(map(mul, row, slopes[j]))
                hessian[i][j] += value
                if i != j:
                    hessian[j][i] += value
        return hessian, gradient
