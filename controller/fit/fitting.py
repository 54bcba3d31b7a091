"""The plant's figures from a record, by least squares, with how sure each of them is.

The model is in `fit.air_replay` and `fit.water_replay`, what is left free in `fit.problem`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from controller.errors import PhysicsError, RecordError
from controller.fit.figures import FIGURES, ROUGHLY_KNOWN, Figure
from controller.fit.problem import Problem
from controller.fit.stretches import Offsets, Stretch, sets_in
from controller.thermal.specs import PlantSpec

WIDEST_SD = 0.35
"""A figure whose logarithm is less sure than this is not determined by the record: its interval
would reach from half to twice."""
NARROWED = 0.7
"""Nor is one that the record makes less surer than this share of the doubt there was before."""
LEAST_DAYS = 1.0
LEAST_SETS = 1
LEAST_ROOM_K = 1.5
"""Least difference between the room's coolest and warmest hours [K]."""
DUTY = (0.02, 0.95)
"""Share of time with cooling on outside which there is nothing to compare [-]."""
MOST_ROUNDS = 40
FIRST_DAMPING, DAMPING_STEP, MOST_DAMPING = 1e-2, 5.0, 1e6
CLOSE_ENOUGH = 0.03
"""The search ends where the next round would move no figure that is asked for by more than this
share of its standard deviation [-]."""
STEADY = 0.05
"""And where what a reading counts for changes by less than this share."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """A figure with which the model meets the record."""

    figure: Figure
    before: float
    value: float
    low: float
    high: float
    """Interval that should hold the truth in `SURE` of cases."""


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
    """What the record determines."""
    undetermined: tuple[Fitted, ...]
    """What the record does not determine: moved no further than what is usual allows."""
    adjusted: tuple[Fitted, ...]
    """What was known roughly, moved likewise. The other figures hold with these two."""
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
) -> Fit:
    """Return the figures that made a record.

    All figures are free together, each with what is known of it beforehand. One that the record
    tells is surer than `WIDEST_SD` afterwards.

    Args:
        stretches: The record.
        spec: The plant as it is believed to be; what is neither fitted nor adjusted stays so.
        on_round: Called before each round with how many figures are free, and the round's number.

    Raises:
        RecordError: The record cannot tell anything; says what it lacks.
    """
    _refuse_uninformative(stretches, spec)
    problem = Problem(stretches, spec, (*ROUGHLY_KNOWN, *FIGURES))
    best = search(problem, on_round)
    result = _as_fit(problem, best)
    if not result.fitted:
        raise RecordError(
            "the record tells no figure of the plant better than by a factor of two; "
            "a longer one, with warmer and cooler days and whole sets of packs, may"
        )
    return result


def search(problem: Problem, on_round: Callable[[int, int], object]) -> Any:
    """Return where the misfit is least, with each reading counting for what its errors allow.

    Gauss and Newton's rounds, damped where the misfit would grow (Levenberg, Q. Appl. Math. 2:164,
    1944). After each, what a reading counts for is taken over from the errors left.

    Args:
        problem: What is searched; its weights are left as they are in the end.
        on_round: Called before each round with how many figures are asked for, and its number.

    Raises:
        RecordError: The model leaves the range of its formulas wherever it is begun.
    """
    asked = [i for i, figure in enumerate(problem.figures) if figure in FIGURES]
    at, damping = problem.start, FIRST_DAMPING
    lowest, highest = problem.bounds
    try:
        for number in range(1, MOST_ROUNDS + 1):
            on_round(len(asked), number)
            errors, slopes = problem.residuals(at), problem.slopes(at)
            weight = slopes.T @ slopes
            pull = slopes.T @ errors
            while damping < MOST_DAMPING:
                move = -np.linalg.solve(weight + damping * np.diag(np.diag(weight)), pull)
                tried = np.clip(at + move, lowest, highest)
                if _misfit(problem, tried) <= float(errors @ errors):
                    break
                damping *= DAMPING_STEP
            else:
                return at
            sd = np.sqrt(np.diag(np.linalg.inv(weight)))
            moved = np.abs(tried - at)[asked] / sd[asked]
            at, damping = tried, damping / DAMPING_STEP
            before_k = (problem.air_k, problem.water_k)
            problem.weigh(at)
            changes = np.abs(np.log(np.divide((problem.air_k, problem.water_k), before_k)))
            if moved.max() < CLOSE_ENOUGH and changes.max() < STEADY:
                break
    except (PhysicsError, ValueError, np.linalg.LinAlgError) as error:
        raise RecordError(
            f"the model does not come near this record: {error}; "
            "check [plant.*] against the chamber"
        ) from error
    return at


def _misfit(problem: Problem, at: Any) -> float:
    """Return the sum of squares at a point; infinite where the model leaves its formulas."""
    try:
        errors = problem.residuals(at)
    except PhysicsError:
        return math.inf
    return float(errors @ errors)


def _refuse_uninformative(stretches: Sequence[Stretch], spec: PlantSpec) -> None:
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


def _as_fit(problem: Problem, at: Any) -> Fit:
    sd, margin = problem.spread(at)
    replays, spec = problem.replays(at), problem.plant(at)
    figures = [
        Fitted(
            figure=figure,
            before=figure.of(problem.spec),
            value=figure.of(spec),
            low=figure.of(spec) * math.exp(-margin[i]),
            high=figure.of(spec) * math.exp(margin[i]),
        )
        for i, figure in enumerate(problem.figures)
    ]
    determined = {
        figure
        for i, figure in enumerate(problem.figures)
        if figure in FIGURES and sd[i] <= min(WIDEST_SD, NARROWED * figure.doubt)
    }

    def rms(errors: list[Any]) -> float:
        joined = np.concatenate(errors)
        return float(np.sqrt(np.mean(joined**2))) if len(joined) else math.nan

    return Fit(
        fitted=tuple(each for each in figures if each.figure in determined),
        undetermined=tuple(
            each for each in figures if each.figure in FIGURES and each.figure not in determined
        ),
        adjusted=tuple(each for each in figures if each.figure in ROUGHLY_KNOWN),
        spec=spec,
        lag_s=math.exp(at[problem.lag]),
        offsets=problem.offsets(at),
        frozen=tuple(
            share for i in range(len(problem.stretches)) for share in problem.frozen_of(at, i)
        ),
        courses=tuple(
            FittedCourse(
                stretch=stretch,
                air_c=tuple(each.probe.shown_c.tolist()),
                reservoir_c=tuple(
                    None if math.isnan(c) else c for c in each.water.water_c.tolist()
                ),
            )
            for stretch, each in zip(problem.stretches, replays, strict=True)
        ),
        air_rms_k=rms([each.air_error_k for each in replays]),
        reservoir_rms_k=rms([each.water_error_k for each in replays]),
        days=sum(each.seconds for each in problem.stretches) / 86_400.0,
        sets=sum(problem.sets),
    )
