"""The reservoir as the forecast sees it: water, melting packs and the heat that the coil brings.

One lumped water temperature, driven by what was observed (share of time cooling, air, room). Nine
unknowns, known before from sizing and from earlier sets of packs, are fitted from the swap to now.

The shapes (a coil that is dry or wet, a melting front whose conductance falls) and the widths of
what is not known come from our own study of 92 simulated plants; nothing here was measured on
hardware.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from controller.foresight.algebra import Matrix, Vector, cholesky, diagonal, inverse, solved, times
from controller.foresight.bins import BIN_S, line_to
from controller.foresight.sized import Sized

WATER_KJ_KGK = 4.19
SMOOTH_K2 = 0.16

COIL, WATER, LEAK, PACKS, CORE, WORTH, FROZEN, OFFSET, DRY = range(9)
"""Places of the unknowns: ln K, ln C, ln U, ln G, b, ln M, ln φ, δ, r (see `WaterSide`)."""
FIRST_SD: Vector = [0.22, 0.06, 0.40, 0.35, 0.13, 0.05, 0.045, 1.0, 0.10]
"""Standard deviations before anything was seen, in that order."""
DRIFT_SD: Vector = [0.04, 0.02, 0.08, 0.05, 0.03, 0.01, 0.0, 0.15, 0.03]
"""How far each may have moved from one set of packs to the next."""
WIDENED = 1.5
"""A fit's covariance is this much too small: its errors are not independent."""
WIDEST = 1.15
LOWEST: Vector = [-math.inf] * 4 + [0.0] + [-math.inf] * 2 + [-1.5, 0.3]
HIGHEST: Vector = [math.inf] * 4 + [0.95] + [math.inf, 0.05, 3.0, 1.2]

WET_OVER_DRY = 1.6
SIGMA_K = 0.6
CORRELATED_BINS = 9.0
"""Errors stay alike for about 45 minutes."""
HUBER_K = 1.0
LINE_BINS = 5
"""Where the water is, by a line through so many bins."""
SETTLING_BINS = 3
"""Just after a swap the water is not one temperature."""
FROZEN_MEAN = 0.925
"""Share of a set that is frozen when it goes in, where the grower says nothing [-]."""
NOT_THROUGH_MEAN, NOT_THROUGH_SD = 0.65, 0.20
"""The same where the grower says that the packs were not frozen through (ln of it)."""
_TAIL_SD = 2.0


class Group(NamedTuple):
    """Packs that share a history: their share of a full set, and what of it is melted."""

    share: float
    melted: float
    frozen: float | None
    """Share that was frozen when they went in; None: the one being fitted."""


class Step(NamedTuple):
    """What drives the water over one bin; nothing missing."""

    duty: float
    air_c: float
    room_c: float


@dataclass(frozen=True, slots=True)
class Belief:
    """Mean and covariance of the nine unknowns."""

    mean: Vector
    covariance: Matrix


@dataclass(frozen=True, slots=True)
class Water:
    """The reservoir at an instant."""

    water_c: float
    groups: tuple[Group, ...]


def first_belief(sized: Sized) -> Belief:
    """Return what sizing says of the unknowns."""
    return Belief(
        [
            math.log(WET_OVER_DRY * sized.coil_dry_w_k),
            math.log(WATER_KJ_KGK * 1000.0 * sized.litres),
            math.log(max(0.02, sized.leak_w_k)),
            math.log(max(0.05, sized.packs_w_k)),
            0.62,
            math.log(max(1.0, 1000.0 * sized.packs_kj)),
            math.log(FROZEN_MEAN),
            0.4,
            0.63,
        ],
        diagonal([sd * sd for sd in FIRST_SD]),
    )


def next_belief(fitted: Belief, *, first: Belief) -> Belief:
    """Return what one set of packs teaches about the next: wider, and the frozen share anew."""
    n = len(fitted.mean)
    covariance = [[WIDENED * value for value in row] for row in fitted.covariance]
    for i in range(n):
        covariance[i][i] += DRIFT_SD[i] ** 2
    for i in range(n):
        widest = (WIDEST * FIRST_SD[i]) ** 2
        if covariance[i][i] > widest:
            scale = math.sqrt(widest / covariance[i][i])
            for j in range(n):
                covariance[i][j] *= scale
                covariance[j][i] *= scale
    mean = list(fitted.mean)
    mean[FROZEN] = first.mean[FROZEN]
    for j in range(n):
        covariance[FROZEN][j] = covariance[j][FROZEN] = 0.0
    covariance[FROZEN][FROZEN] = FIRST_SD[FROZEN] ** 2
    return Belief(mean, covariance)


def told_not_through(belief: Belief) -> Belief:
    """Return the belief after a grower said that the packs were not frozen through."""
    mean = list(belief.mean)
    mean[FROZEN] = math.log(NOT_THROUGH_MEAN)
    covariance = [list(row) for row in belief.covariance]
    covariance[FROZEN][FROZEN] = NOT_THROUGH_SD**2
    return Belief(mean, covariance)


def coil_k(x: float, offset: float, dry: float) -> float:
    """Return how hard the coil works, in kelvin: dry slope or wet line, smoothly the larger.

    Args:
        x: Air less water [K].
        offset: Where the wet line starts [K].
        dry: Slope of the dry line [-].
    """
    dry_k = dry * x
    if x <= 0.0:
        return dry_k
    wet_k = x - offset
    return 0.5 * (dry_k + wet_k + math.sqrt((dry_k - wet_k) ** 2 + SMOOTH_K2))


class WaterSide:
    """The equation of the reservoir with one set of values for its unknowns.

    C·dR/dt = u·[K·g(A − R) + P] + U·(Rm − R) − Σ fⱼ·Gⱼ·(R − Tp); dzⱼ/dt = Gⱼ·(R − Tp)/M while
    zⱼ < φⱼ, with Gⱼ = G/(1 − b + 2·b·zⱼ)·(1 − zⱼ/φⱼ + 0.01)^¼. Melted packs add to C. R water,
    A air, Rm room, Tp plateau of the packs, u share of time cooling, z melted, φ frozen share.
    """

    __slots__ = ("_core", "_packs_j_k", "_plateau_c", "_pump_w", "coil_w_k", "dry", "frozen",
                 "leak_w_k", "offset", "packs_w_k", "water_j_k", "worth_j")  # fmt: skip

    def __init__(self, values: Sequence[float], sized: Sized) -> None:
        self.coil_w_k = math.exp(values[COIL])
        self.water_j_k = math.exp(values[WATER])
        self.leak_w_k = math.exp(values[LEAK])
        self.packs_w_k = math.exp(values[PACKS])
        self.worth_j = math.exp(values[WORTH])
        self.frozen = math.exp(values[FROZEN])
        self.offset = values[OFFSET]
        self.dry = values[DRY]
        self._core = values[CORE]
        self._pump_w = sized.pump_w
        self._plateau_c = sized.plateau_c
        self._packs_j_k = WATER_KJ_KGK * 1000.0 * sized.packs_kg

    def pack_w_k(self, group: Group) -> float:
        """Return the conductance of a full set in the state of this group [W/K]."""
        frozen = self.frozen if group.frozen is None else group.frozen
        melted = group.melted
        if melted >= frozen:
            return 0.0
        core = self._core
        left = 1.0 - melted / frozen + 0.01
        return self.packs_w_k / (1.0 - core + 2.0 * core * melted) * math.sqrt(math.sqrt(left))

    def after(self, water: Water, step: Step, dt_s: float = BIN_S) -> Water:
        """Return the reservoir one step later, implicit in its temperature."""
        was_c, plateau_c = water.water_c, self._plateau_c
        heat_w = step.duty * self._pump_w + self.leak_w_k * step.room_c
        slope_w_k = self.leak_w_k
        if step.duty > 0.0:
            x = step.air_c - was_c
            per_k = self.dry if x < 0.1 else coil_k(x, self.offset, self.dry) / x
            coil_w_k = step.duty * self.coil_w_k * per_k
            heat_w += coil_w_k * step.air_c
            slope_w_k += coil_w_k
        liquid = 0.0
        conductances = []
        for group in water.groups:
            pack_w_k = self.pack_w_k(group)
            conductances.append(pack_w_k)
            heat_w += group.share * pack_w_k * plateau_c
            slope_w_k += group.share * pack_w_k
            liquid += group.share * min(group.melted, 1.0)
        inertia_w_k = (self.water_j_k + self._packs_j_k * liquid) / dt_s
        water_c = (inertia_w_k * was_c + heat_w) / (inertia_w_k + slope_w_k)
        over_k = max(0.0, 0.5 * (was_c + water_c) - plateau_c)
        groups = tuple(
            group
            if not pack_w_k
            else Group(
                group.share,
                min(
                    group.melted + dt_s * pack_w_k * over_k / self.worth_j,
                    self.frozen if group.frozen is None else group.frozen,
                ),
                group.frozen,
            )
            for group, pack_w_k in zip(water.groups, conductances, strict=True)
        )
        return Water(water_c, groups)

    def run(self, start: Water, steps: Sequence[Step]) -> list[Water]:
        """Return the reservoir at the start and after each step."""
        states = [start]
        water = start
        for step in steps:
            water = self.after(water, step)
            states.append(water)
        return states

    def ice_w_k(self, water: Water) -> float:
        """Return the conductance of all packs in the water [W/K]."""
        return sum(group.share * self.pack_w_k(group) for group in water.groups)

    def capacity_j_k(self, water: Water) -> float:
        """Return the heat capacity of the water and of what is melted [J/K]."""
        liquid = sum(group.share * min(group.melted, 1.0) for group in water.groups)
        return self.water_j_k + self._packs_j_k * liquid

    def ice_left_j(self, water: Water) -> float:
        """Return the heat that the packs still take by melting [J]."""
        return sum(
            group.share
            * self.worth_j
            * max(0.0, (self.frozen if group.frozen is None else group.frozen) - group.melted)
            for group in water.groups
        )


@dataclass(frozen=True, slots=True)
class Fit:
    """The unknowns fitted to one set of packs so far."""

    belief: Belief
    states: list[Water]
    """The reservoir at the ends of the bins, the swap first."""
    cost: float

    @property
    def now(self) -> Water:
        """The reservoir at the end of the last bin."""
        return self.states[-1]


@dataclass(frozen=True, slots=True)
class Course:
    """What was seen from a swap on."""

    start: Water
    steps: Sequence[Step]
    seen_c: Sequence[float | None]
    """Mean of the water over each step; None where the probe was lost."""


def fit(prior: Belief, course: Course, sized: Sized) -> Fit:
    """Return the unknowns that agree best with the prior and with the water seen.

    Gauss-Newton with numeric slopes and a Huber loss. Where the water runs warmer than the model,
    a second start supposes that the ice is nearly gone.
    """
    problem = _Problem(prior, course, sized)
    best = problem.descend(list(prior.mean))
    recent = [
        seen - 0.5 * (before.water_c + after.water_c)
        for seen, before, after in zip(
            course.seen_c[-8:], best.states[-9:-1], best.states[-8:], strict=False
        )
        if seen is not None
    ]
    if recent and len(course.steps) > 12 and sum(recent) / len(recent) > 0.35:
        fresh = [group for group in best.now.groups if group.frozen is None]
        if fresh and fresh[0].melted > 0.05:
            start = list(best.belief.mean)
            start[FROZEN] = math.log(0.98 * fresh[0].melted)
            other = problem.descend(start)
            if other.cost < best.cost:
                best = other
    return best


def gone(fitted: Fit, course: Course, sized: Sized) -> Fit:
    """Return the fit, with the ice taken as gone where the last 70 minutes say so.

    The fitted model is run freely over them from where the water really was; heat that would have
    to be missing beyond half of what the packs take means that they take nothing any more.
    """
    bins = 14
    if len(course.steps) < bins + SETTLING_BINS:
        return fitted
    begun = line_to(course.seen_c[:-bins], bins=LINE_BINS)
    ended = line_to(course.seen_c, bins=LINE_BINS)
    if begun is None or ended is None:
        return fitted
    side = WaterSide(fitted.belief.mean, sized)
    ice_w_k = side.ice_w_k(fitted.now)
    if ice_w_k <= 0.0:
        return fitted
    start = replace(fitted.states[-bins - 1], water_c=begun)
    modelled = side.run(start, course.steps[-bins:])[-1]
    capacity = side.capacity_j_k(modelled)
    tau_s = capacity / (ice_w_k + side.leak_w_k + 5.0)
    t_s = bins * BIN_S
    missing_w = (ended - modelled.water_c) * capacity / (tau_s * -math.expm1(-t_s / tau_s))
    cooling_w = ice_w_k * max(0.0, ended - sized.plateau_c)
    if not (missing_w > 0.5 * cooling_w and cooling_w / capacity * 3600.0 > 0.6):
        return fitted
    fresh = [group.melted for group in fitted.now.groups if group.frozen is None]
    if not fresh or fresh[0] <= 0.0:
        return fitted
    mean = list(fitted.belief.mean)
    mean[FROZEN] = math.log(fresh[0])
    covariance = [list(row) for row in fitted.belief.covariance]
    for j in range(len(mean)):
        covariance[FROZEN][j] = covariance[j][FROZEN] = 0.0
    covariance[FROZEN][FROZEN] = 1e-6
    return Fit(
        Belief(mean, covariance),
        WaterSide(mean, sized).run(course.start, course.steps),
        fitted.cost,
    )


class _Problem:
    """Least squares for one course."""

    def __init__(self, prior: Belief, course: Course, sized: Sized) -> None:
        self._prior = prior
        self._precision = inverse(prior.covariance)
        self._sd_frozen = math.sqrt(prior.covariance[FROZEN][FROZEN])
        self._course = course
        self._sized = sized
        n = len(course.steps)
        self._weights = [
            0.0
            if i < SETTLING_BINS or seen is None
            else (0.35 + 0.65 * math.exp(-(n - 1 - i) * BIN_S / 10_800.0))
            / (CORRELATED_BINS * SIGMA_K**2)
            for i, seen in enumerate(course.seen_c)
        ]

    def descend(self, values: Vector, steps: int = 5) -> Fit:
        course = self._course
        states = self._run(values)
        residuals = self._residuals(states)
        cost = self._cost(values, residuals)
        hessian = self._precision
        for _ in range(steps):
            slopes = [self._slope(values, residuals, i) for i in range(len(values))]
            hessian, gradient = self._normal(values, residuals, slopes)
            move = solved(cholesky(hessian), gradient)
            scale = 1.0
            for _ in range(4):
                tried = [
                    min(max(v + scale * m, low), high)
                    for v, m, low, high in zip(values, move, LOWEST, HIGHEST, strict=True)
                ]
                states_tried = self._run(tried)
                residuals_tried = self._residuals(states_tried)
                cost_tried = self._cost(tried, residuals_tried)
                if cost_tried < cost:
                    break
                scale *= 0.3
            else:
                break
            gained = cost - cost_tried
            values, states, residuals, cost = tried, states_tried, residuals_tried, cost_tried
            if gained < 1e-3:
                break
        else:
            slopes = [self._slope(values, residuals, i) for i in range(len(values))]
            hessian, _ = self._normal(values, residuals, slopes)
        del course
        return Fit(Belief(values, inverse(hessian)), states, cost)

    def _run(self, values: Vector) -> list[Water]:
        return WaterSide(values, self._sized).run(self._course.start, self._course.steps)

    def _residuals(self, states: list[Water]) -> Vector:
        return [
            0.0 if seen is None else seen - 0.5 * (states[i].water_c + states[i + 1].water_c)
            for i, seen in enumerate(self._course.seen_c)
        ]

    def _slope(self, values: Vector, residuals: Vector, index: int) -> Vector:
        """Return how the modelled water moves with one unknown."""
        h = 1e-2 if index == OFFSET else 1e-3
        moved = list(values)
        moved[index] += h
        return [
            (before - after) / h
            for before, after in zip(residuals, self._residuals(self._run(moved)), strict=True)
        ]

    def _tail(self, values: Vector) -> tuple[float, float]:
        """Return the penalty of the frozen share, and the factor on its precision.

        Packs half thawed are rarer than the bell says near its middle, and commoner far out.
        """
        k = (self._prior.mean[FROZEN] - values[FROZEN]) / self._sd_frozen
        if k <= _TAIL_SD:
            return k * k, 1.0
        penalty = _TAIL_SD**2 + 4.0 * math.log(k / _TAIL_SD)
        return penalty, penalty / (k * k)

    def _cost(self, values: Vector, residuals: Vector) -> float:
        away = [v - m for v, m in zip(values, self._prior.mean, strict=True)]
        penalty, factor = self._tail(values)
        away[FROZEN] *= math.sqrt(factor)
        total = sum(a * p for a, p in zip(away, times(self._precision, away), strict=True))
        for residual, weight in zip(residuals, self._weights, strict=True):
            size = abs(residual)
            total += weight * (size * size if size <= HUBER_K else HUBER_K * (2.0 * size - HUBER_K))
        del penalty
        return 0.5 * total

    def _normal(
        self, values: Vector, residuals: Vector, slopes: list[Vector]
    ) -> tuple[Matrix, Vector]:
        n = len(values)
        _, factor = self._tail(values)
        root = math.sqrt(factor)
        precision = [
            [
                value * (root if i == FROZEN else 1.0) * (root if j == FROZEN else 1.0)
                for j, value in enumerate(row)
            ]
            for i, row in enumerate(self._precision)
        ]
        away = [m - v for v, m in zip(values, self._prior.mean, strict=True)]
        gradient = times(precision, away)
        hessian = precision
        weights = [
            weight * min(1.0, HUBER_K / abs(residual)) if residual else weight
            for residual, weight in zip(residuals, self._weights, strict=True)
        ]
        weighted = [[w * s for w, s in zip(weights, row, strict=True)] for row in slopes]
        for i in range(n):
            gradient[i] += sum(a * b for a, b in zip(weighted[i], residuals, strict=True))
            for j in range(i + 1):
                value = sum(a * b for a, b in zip(weighted[i], slopes[j], strict=True))
                hessian[i][j] += value
                if i != j:
                    hessian[j][i] += value
        return hessian, gradient
