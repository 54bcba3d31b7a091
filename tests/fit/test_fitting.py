"""Figures found again from the record that they made; a record that tells nothing is refused."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from controller.errors import RecordError
from controller.fit.fitting import Fit, SearchSlopes, fit
from controller.fit.problem import FIGURES
from controller.fit.replay import stretches_of
from tests.support.plants import TENT
from tests.support.recorded_plant import LAG_S, recorded_plant

TRUTH = TENT
OFF = (1.4, 0.75, 0.7, 1.5, 0.65, 1.35)


@pytest.fixture(scope="module")
def fitted_plant() -> Fit:
    """The example plant, believed with every figure 25 to 50 % off."""
    believed = TRUTH
    for figure, off in zip(FIGURES, OFF, strict=True):
        believed = figure.put(believed, figure.of(believed) * off)
    seen, swaps = recorded_plant(TRUTH, days=2.0)
    return fit(list(stretches_of(seen, swaps)), believed)


def test_the_figures_that_made_a_record_are_found(fitted_plant: Fit) -> None:
    """Each within its interval, and no interval wider than the doubt it was begun with."""
    assert len(fitted_plant.fitted) + len(fitted_plant.untold) == len(FIGURES)
    assert len(fitted_plant.fitted) >= 5
    for each in fitted_plant.fitted:
        truth = each.figure.of(TRUTH)
        assert each.low < truth < each.high, each.figure.name
        assert abs(math.log(each.value / truth)) < 0.15, each.figure.name


def test_several_processes_find_the_same() -> None:
    """To the last digit, each round announced."""
    believed = FIGURES[2].put(TRUTH, 1.3 * FIGURES[2].of(TRUTH))
    seen, swaps = recorded_plant(TRUTH, days=1.2)
    stretches = list(stretches_of(seen, swaps))
    rounds: list[tuple[int, int]] = []

    alone = fit(stretches, believed, on_round=lambda *each: rounds.append(each))
    shared = fit(stretches, believed, processes=2)

    assert [each.value for each in shared.fitted] == [each.value for each in alone.fitted]
    assert rounds[:2] == [(6, 1), (6, 2)]


class _Bowl:
    """Two residuals of two unknowns, with a little curvature; counts who asks for slopes."""

    figures = FIGURES[:2]

    def __init__(self) -> None:
        self.anew = 0

    def residuals(self, at: Any) -> Any:
        x, y = at
        return np.array([2.0 * x + y + 0.1 * x * x, x - 3.0 * y + 0.2 * y * y])

    def slopes(self, at: Any) -> Any:
        self.anew += 1
        x, y = at
        return np.array([[2.0 + 0.2 * x, 1.0], [1.0, -3.0 + 0.4 * y]])


def test_slopes_between_two_that_are_taken_anew_go_by_how_the_residuals_moved() -> None:
    """The secant equation (Broyden, Math. Comp. 19:577, 1965): slopes times move is the change."""
    bowl = _Bowl()
    rounds: list[int] = []
    slopes_at = SearchSlopes(bowl, lambda _figures, number: rounds.append(number))
    points = [np.array([x, y]) for x, y in ((1.0, 1.0), (0.6, 0.8), (0.4, 0.3), (0.2, 0.1))]

    *_, last = [slopes_at(point) for point in points]

    assert rounds == [1, 2, 3, 4]
    assert bowl.anew == 3
    move = points[-1] - points[-2]
    change = bowl.residuals(points[-1]) - bowl.residuals(points[-2])
    assert last @ move == pytest.approx(change)


def test_what_it_is_not_asked_for_is_reported_too(fitted_plant: Fit) -> None:
    """Lag of the air probe, offsets near nothing, packs nearly frozen through, a small misfit."""
    assert fitted_plant.lag_s == pytest.approx(LAG_S, rel=0.15)
    assert abs(fitted_plant.offsets.water_k) < 0.15
    assert all(0.85 < share < 1.1 for share in fitted_plant.frozen)
    assert fitted_plant.air_rms_k < 0.06
    assert fitted_plant.reservoir_rms_k < 0.08


def test_the_courses_have_a_value_for_every_reading(fitted_plant: Fit) -> None:
    """So that a picture can be drawn of model and record."""
    (course,) = fitted_plant.courses
    assert len(course.air_c) == len(course.reservoir_c) == len(course.stretch.seen)


@pytest.mark.parametrize(
    ("days", "changes", "says"),
    [
        (0.5, {}, "12 h of readings"),
        (1.2, {"swing_k": 0.3}, "warm and cool hours differ"),
        (1.2, {"cut_in_c": 60.0}, "cooling was on for 0%"),
        (1.2, {"swap_every_h": 1e6}, None),
    ],
)
def test_a_record_without_variation_is_refused(
    days: float, changes: dict[str, float], says: str | None
) -> None:
    """What it lacks is said, with what is allowed."""
    seen, swaps = recorded_plant(TRUTH, days=days, **changes)
    if says is None:
        swaps, says = [], "no swap of a whole set"
    with pytest.raises(RecordError, match=says):
        fit(list(stretches_of(seen, swaps)), TRUTH)


def test_a_figure_is_put_where_its_key_says() -> None:
    """Every figure reads back what was put, and a wall by name gives way to a number."""
    spec = replace(TENT, chamber=replace(TENT.chamber, wall="foam-board-25"))
    for figure in FIGURES:
        assert figure.of(figure.put(spec, 1.25)) == pytest.approx(1.25)
        part, key = figure.name.split(".")[1:]
        assert hasattr(getattr(spec, part), key)
