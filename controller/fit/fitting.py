"""The plant's figures from a record, by least squares, with how sure each of them is.

The model is `controller.fit.replay`, what is left free is in `fit_problem`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Protocol

import numpy as np
from scipy.optimize import least_squares

from controller.errors import PhysicsError, RecordError
from controller.fit.problem import FIGURES, Figure, Problem, start_worker
from controller.fit.replay import Offsets, Stretch, sets_in
from controller.thermal.specs import PlantSpec

WIDEST_SD = 0.35
"""A figure whose logarithm is less sure than this is not told by the record: its interval would
reach from half to twice."""
LEAST_DAYS = 1.0
LEAST_SETS = 1
LEAST_ROOM_K = 1.5
"""Least difference between the room's coolest and warmest hours [K]."""
DUTY = (0.02, 0.95)
"""Share of time with cooling on outside which there is nothing to compare [-]."""
MOST_ROUNDS = 20
FIRST_ROUNDS, EVERY_ROUNDS = 3, 3
"""In so many first rounds of a search, and then every so many rounds, the slopes are taken anew."""
CLOSE_ENOUGH = 1e-3
"""The search ends where a round gains less than this share of the misfit, or moves less: on
simulated records every figure is then within 0.1 % of where a longer search ends."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """A figure that the record tells."""

    figure: Figure
    before: float
    value: float
    low: float
    high: float
    """Interval that should hold the truth in `SURE` of cases."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Untold:
    """A figure that the record does not tell; it stays as it was."""

    figure: Figure
    value: float
    sd: float
    """Of its logarithm, had it been kept free."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedCourse:
    """The fitted model over one stretch, one value for each reading [°C]."""

    stretch: Stretch
    air_c: tuple[float, ...]
    """What the air probe should have shown."""
    reservoir_c: tuple[float | None, ...]
    """None until the first whole set is seen going in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """What a record says of a plant."""

    fitted: tuple[Fitted, ...]
    untold: tuple[Untold, ...]
    spec: PlantSpec
    lag_s: float
    offsets: Offsets
    frozen: tuple[float, ...]
    """Of each whole set in the order of time, as `replay.water_side` takes it."""
    courses: tuple[FittedCourse, ...]
    air_rms_k: float
    reservoir_rms_k: float
    days: float
    sets: int


def fit(
    stretches: Sequence[Stretch],
    spec: PlantSpec,
    *,
    on_round: Callable[[int, int], object] = lambda _figures, _round: None,
    processes: int = 1,
) -> Fit:
    """Return the figures that made a record.

    Args:
        stretches: The record.
        spec: The plant as it is believed to be; every figure that is not fitted stays so.
        on_round: Called before each round with how many figures are free, and the round's number.
        processes: How many processes share the work.

    Raises:
        RecordError: The record cannot tell anything; says what it lacks.
    """
    _refuse_what_tells_nothing(stretches, spec)
    workers: AbstractContextManager[Executor | None] = nullcontext(None)
    if processes > 1:
        workers = ProcessPoolExecutor(
            processes, initializer=start_worker, initargs=(stretches, spec)
        )
    with workers as pool:
        return _searched(stretches, spec, on_round, pool)


def _searched(
    stretches: Sequence[Stretch],
    spec: PlantSpec,
    on_round: Callable[[int, int], object],
    workers: Executor | None,
) -> Fit:
    """Return the fit of as many figures as the record tells.

    Each search begins where the last one ended.
    """
    free = list(FIGURES)
    untold: list[Untold] = []
    start: Any = None
    while True:
        problem = Problem(stretches, spec, tuple(free))
        problem.workers = workers
        try:
            best = least_squares(
                problem.residuals, problem.start if start is None else start,
                jac=SearchSlopes(problem, on_round),
                bounds=problem.bounds, x_scale="jac", ftol=CLOSE_ENOUGH, xtol=CLOSE_ENOUGH,
                max_nfev=MOST_ROUNDS,
            )  # fmt: skip
        except (PhysicsError, ValueError) as error:
            raise RecordError(
                f"the model does not come near this record: {error}; "
                "check [plant.*] against the chamber"
            ) from error
        sd, margin = problem.spread(best.x)
        vague = [(sd[i], i) for i in range(len(free)) if not sd[i] <= WIDEST_SD]
        if not vague:
            return _as_fit(problem, best.x, margin, untold)
        worst, index = max(vague)
        figure = free.pop(index)
        untold.append(Untold(figure=figure, value=figure.of(spec), sd=float(worst)))
        start = np.delete(best.x, index)
        if not free:
            raise RecordError(
                "the record tells no figure of the plant better than by a factor of two; "
                "a longer one, with warmer and cooler days and whole sets of packs, may"
            )


class SearchProblem(Protocol):
    """What a search needs of a problem."""

    @property
    def figures(self) -> tuple[Figure, ...]:
        """The figures that are free."""

    def residuals(self, at: Any) -> Any:
        """Return the residuals at a point."""

    def slopes(self, at: Any) -> Any:
        """Return their slopes there."""


class SearchSlopes:
    """The slopes of a search: taken anew in some of its rounds, and brought up to date in others.

    Those correct them along their own step by how the residuals really moved (Broyden, Math. Comp.
    19:577, 1965), which costs no replay of the record.
    """

    def __init__(self, problem: SearchProblem, on_round: Callable[[int, int], object]) -> None:
        self._problem, self._on_round = problem, on_round
        self._rounds = 0
        self._at: Any = None
        self._residuals: Any = None
        self._slopes: Any = None

    def __call__(self, at: Any) -> Any:
        """Return the slopes at a point."""
        self._rounds += 1
        self._on_round(len(self._problem.figures), self._rounds)
        residuals = self._problem.residuals(at)
        move = None if self._at is None else at - self._at
        anew = self._rounds <= FIRST_ROUNDS or self._rounds % EVERY_ROUNDS == 0
        if anew or move is None or not move.any():
            self._slopes = self._problem.slopes(at)
        else:
            missed = residuals - self._residuals - self._slopes @ move
            self._slopes = self._slopes + np.outer(missed, move) / (move @ move)
        self._at, self._residuals = at.copy(), residuals
        return self._slopes


def _refuse_what_tells_nothing(stretches: Sequence[Stretch], spec: PlantSpec) -> None:
    problems = []
    days = sum(each.seconds for each in stretches) / 86_400.0
    if days < LEAST_DAYS:
        problems.append(
            f"found {days * 24:.0f} h of readings without a hole, allowed: "
            f"{LEAST_DAYS * 24:.0f} h or more, with air, reservoir and room together"
        )
    else:
        rooms = sorted(reading.room_c for each in stretches for reading in each.seen)
        span_k = rooms[int(0.95 * len(rooms))] - rooms[int(0.05 * len(rooms))]
        if span_k < LEAST_ROOM_K:
            problems.append(
                f"the room's warm and cool hours differ by {span_k:.1f} K, allowed: "
                f"{LEAST_ROOM_K:g} K or more; wall and crop cannot be told apart"
            )
        duty = _duty(stretches)
        if not DUTY[0] <= duty <= DUTY[1]:
            problems.append(
                f"cooling was on for {duty:.0%} of the time, allowed: {DUTY[0]:.0%} to "
                f"{DUTY[1]:.0%}; there is no change to learn the coil from"
            )
        whole = spec.packs.in_reservoir
        if sum(len(sets_in(each, whole_set=whole)) for each in stretches) < LEAST_SETS:
            problems.append(
                f"no swap of a whole set ({whole} packs) was found, allowed: one or more; "
                "without it nothing tells the watts"
            )
    if problems:
        raise RecordError("; ".join(problems))


def _duty(stretches: Sequence[Stretch]) -> float:
    on_s = sum(
        after.at_s - reading.at_s
        for each in stretches
        for reading, after in pairwise(each.seen)
        if reading.pump and reading.fan
    )
    return on_s / sum(each.seconds for each in stretches)


def _as_fit(problem: Problem, at: Any, margin: Any, untold: list[Untold]) -> Fit:
    replays = problem.replays(at)

    def rms(errors: list[Any]) -> float:
        joined = np.concatenate(errors)
        return float(np.sqrt(np.mean(joined**2))) if len(joined) else math.nan

    return Fit(
        fitted=tuple(
            Fitted(
                figure=figure,
                before=figure.of(problem.spec),
                value=math.exp(at[i]),
                low=math.exp(at[i] - margin[i]),
                high=math.exp(at[i] + margin[i]),
            )
            for i, figure in enumerate(problem.figures)
        ),
        untold=tuple(untold),
        spec=problem.plant(at),
        lag_s=math.exp(at[problem.lag]),
        offsets=problem.offsets(at),
        frozen=tuple(
            share for i in range(len(problem.stretches)) for share in problem.frozen_of(at, i)
        ),
        courses=tuple(
            FittedCourse(stretch=stretch, air_c=tuple(each.probe_c), reservoir_c=each.water_c)
            for stretch, each in zip(problem.stretches, replays, strict=True)
        ),
        air_rms_k=rms([each.air_error_k for each in replays]),
        reservoir_rms_k=rms([each.water_error_k for each in replays]),
        days=sum(each.seconds for each in problem.stretches) / 86_400.0,
        sets=sum(problem.sets),
    )
