"""Figures found again from the record that they made; a record that tells nothing is refused."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from controller.errors import RecordError
from controller.fit.figures import FIGURES, ROUGHLY_KNOWN
from controller.fit.fitting import Fit, fit, search
from controller.fit.problem import LEAST_SD, Problem, counted_k
from controller.fit.stretches import stretches_of
from controller.thermal.specs import PlantSpec
from tests.support.plants import TENT
from tests.support.recorded_plant import LAG_S, recorded_plant

TRUTH = TENT
OFF = (1.4, 0.75, 0.7, 1.5, 0.65, 1.35)


def believed_plant() -> PlantSpec:
    """Return the example plant with every figure 25 to 50 % off."""
    believed = TRUTH
    for figure, off in zip(FIGURES, OFF, strict=True):
        believed = figure.put(believed, figure.of(believed) * off)
    return believed


@pytest.fixture(scope="module")
def fitted_plant() -> Fit:
    """The example plant, from two days."""
    seen, swaps = recorded_plant(TRUTH, days=2.0)
    return fit(list(stretches_of(seen, swaps)), believed_plant())


def test_the_figures_that_made_a_record_are_found(fitted_plant: Fit) -> None:
    """Each within its interval, and no interval wider than the doubt it was begun with."""
    assert len(fitted_plant.fitted) + len(fitted_plant.undetermined) == len(FIGURES)
    assert len(fitted_plant.fitted) >= 5
    for each in fitted_plant.fitted:
        truth = each.figure.of(TRUTH)
        assert each.low < truth < each.high, each.figure.name
        assert abs(math.log(each.value / truth)) < 0.15, each.figure.name


def test_no_round_of_the_slow_way_moves_a_figure_further(fitted_plant: Fit) -> None:
    """Every move replayed anew, and one more round of Gauss and Newton from where the fit ended."""
    believed = believed_plant()
    seen, swaps = recorded_plant(TRUTH, days=2.0)
    problem = Problem(list(stretches_of(seen, swaps)), believed, (*ROUGHLY_KNOWN, *FIGURES))
    at = search(problem, lambda _figures, _number: None)
    errors = problem.residuals(at)
    columns = []
    for index in range(problem.size):
        small = np.zeros(problem.size)
        small[index] = 0.02
        moved = problem.residuals(at + small) - problem.residuals(at - small)
        columns.append(moved / 0.04)
    slopes = np.stack(columns, axis=1)

    move = -np.linalg.solve(slopes.T @ slopes, slopes.T @ errors)

    sd = np.sqrt(np.diag(np.linalg.inv(slopes.T @ slopes)))
    quick_sd, _ = problem.spread(at)
    for index, figure in enumerate(problem.figures):
        assert abs(move[index]) < (0.3 if figure in FIGURES else 0.5) * sd[index], figure.name
        assert quick_sd[index] == pytest.approx(math.hypot(sd[index], LEAST_SD), rel=0.1)
    values = {each.figure: each.value for each in fitted_plant.fitted}
    plant = problem.plant(at + move)
    for figure, value in values.items():
        assert figure.of(plant) == pytest.approx(value, rel=0.02), figure.name


def test_the_slope_of_the_humidity_is_that_within_the_humidifiers_band() -> None:
    """Beside two replays a little apart, with a humidifier that works by shares within 3 % only."""
    narrow = replace(TRUTH, fine=replace(TRUTH.fine, humidistat_band=0.03))
    seen, swaps = recorded_plant(narrow, days=1.0)
    figures = (*ROUGHLY_KNOWN, *FIGURES)
    problem = Problem(list(stretches_of(seen, swaps)), narrow, figures)
    column = [figure.key for figure in problem.figures].index("rh")
    small = np.zeros(problem.size)
    small[column] = 0.001
    start = problem.start
    apart = (problem.residuals(start + small) - problem.residuals(start - small)) / 0.002

    slope = problem.slopes(start)[:, column]

    assert slope @ apart == pytest.approx(apart @ apart, rel=0.1)
    assert slope @ slope == pytest.approx(apart @ apart, rel=0.2)


def test_fins_and_fan_are_not_told_apart() -> None:
    """Believed with twice the air through fins that take as much: the coil is found as a whole."""
    coil = FIGURES[2]
    fan = replace(TRUTH.coil, air_kg_s=1.6 * TRUTH.coil.air_kg_s)
    believed = coil.put(replace(TRUTH, coil=fan), 0.7 * coil.of(TRUTH))
    seen, swaps = recorded_plant(TRUTH, days=1.5)

    fitted = fit(list(stretches_of(seen, swaps)), believed)

    (fitted_coil,) = [each for each in fitted.fitted if each.figure == coil]
    assert fitted_coil.low < coil.of(TRUTH) < fitted_coil.high
    assert fitted_coil.value == pytest.approx(coil.of(TRUTH), rel=0.1)
    assert coil.of(fitted.spec) == pytest.approx(fitted_coil.value)


def test_errors_that_last_count_for_little() -> None:
    """An error of 0.1 K in turns of readings, and the same one for hours on end."""
    block = np.repeat(np.arange(10), 360)
    quick = np.tile([0.1, -0.1], 1800)
    slow = np.repeat([0.1, -0.1] * 5, 360)

    assert counted_k([(quick, block)]) < 0.02
    assert counted_k([(slow, block)]) == pytest.approx(0.1 * math.sqrt(360))


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
        assert all(hasattr(getattr(spec, figure.part), key) for key in figure.keys)
