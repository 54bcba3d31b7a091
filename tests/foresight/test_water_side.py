"""The reservoir's equation: exact cases, energy, and unknowns that are found again."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import pytest

from controller.foresight.sized import Sized
from controller.foresight.unknowns import (
    FROZEN,
    HIGHEST,
    LOWEST,
    Unknowns,
    first_belief,
    next_belief,
    not_frozen_through,
    not_logged,
)
from controller.foresight.water_fit import _Problem, fit
from controller.foresight.water_side import Group, Water, WaterCourse, WaterDrive, WaterSide, coil_k

SIZED = Sized(
    coil_dry_w_k=8.0, litres=24.0, leak_w_k=0.5, pump_w=5.0, packs_in_set=4, packs_w_k=9.0,
    packs_kj=1480.0, packs_kg=4.0, plateau_c=0.0, load_w=60.0, load_w_k=3.0, air_kj_k=15.0,
    crop_w_k=2.0, room_mean_c=24.0, room_swing_k=3.0,
)  # fmt: skip
PACKS = Unknowns._fields.index("packs")
FRESH = (Group(1.0, 0.0, None),)
VALUES = first_belief(SIZED).mean


def test_resting_water_warms_as_the_exact_solution_says() -> None:
    """Without ice and coil: Rm − (Rm − R₀)·exp(−U·t/C); spent packs lag behind by some 0.1 K."""
    side = WaterSide(VALUES, SIZED)
    start = Water(5.0, (Group(1.0, 1.0, 1.0, None),))
    hours = 12.0

    end = side.run(start, [WaterDrive(0.0, 16.0, 24.0)] * round(hours * 12))[-1]

    capacity = side.capacity_j_k(start)
    exact_c = 24.0 - 19.0 * math.exp(-side.leak_w_k * hours * 3600.0 / capacity)
    assert end.water_c == pytest.approx(exact_c, abs=0.02)


def test_what_the_coil_brings_goes_into_water_and_ice() -> None:
    """Heat in by coil, pump and leak = heat in water, ice and melt, within two parts in 100."""
    side = WaterSide(VALUES, SIZED)
    step = WaterDrive(0.6, 16.0, 24.0)
    states = side.run(Water(6.0, FRESH), [step] * 60)

    brought_j = 0.0
    for state in states[1:]:
        x = step.air_c - state.water_c
        brought_j += 300.0 * (
            step.duty * (side.coil_w_k * coil_k(x, side.offset, side.dry) + SIZED.pump_w)
            + side.leak_w_k * (step.room_c - state.water_c)
        )
    stored_j = side.cold_left_j(states[0], 12.0) - side.cold_left_j(states[-1], 12.0)

    assert stored_j == pytest.approx(brought_j, rel=0.02)


def test_ice_melts_to_its_frozen_share_and_no_further() -> None:
    """Once it is gone it neither cools nor melts."""
    side = WaterSide(VALUES, SIZED)

    end = side.run(Water(8.0, FRESH), [WaterDrive(1.0, 17.0, 26.0)] * 300)[-1]

    assert end.groups[0].melted == pytest.approx(side.frozen)
    assert side.ice_w_k(end) == 0.0
    assert side.ice_left_j(end) == 0.0


def test_packs_take_their_melting_and_their_warming() -> None:
    """From frozen until all is as warm as the water: worth × frozen share + mass × 4.19 kJ/(kg·K).

    Water's specific heat at 0 to 15 °C: 4.19 to 4.22 kJ/(kg·K), IAPWS-95, from memory.
    """
    side = WaterSide(VALUES, SIZED)

    cold_j = side.cold_left_j(Water(8.0, FRESH), 8.0)

    expected_j = side.worth_j * side.frozen + 4.0 * 4190.0 * 8.0
    assert cold_j == pytest.approx(expected_j, rel=0.001)


def test_melt_stays_cold_until_its_pack_is_spent() -> None:
    """The water falls once more where the melt of packs that end together begins to warm.

    A pack that holds ice is at its plateau, its melt too: so does the plant of `thermal.packs`.
    """
    side = WaterSide(VALUES._replace(spread=math.log(0.02)), SIZED)
    nearly = Water(9.0, (Group(1.0, 0.97 * side.frozen, None),))
    melted = Water(9.0, (Group(1.0, side.frozen, None),))
    warm = Water(9.0, (Group(1.0, side.frozen, None, None),))
    step = WaterDrive(0.0, 16.0, 24.0)

    assert side.cold_left_j(melted, 9.0) == pytest.approx(4.0 * 4190.0 * 9.0)
    once = [step]
    assert side.run(melted, once)[-1].water_c < side.run(nearly, once)[-1].water_c < 9.0
    assert side.run(warm, once)[-1].water_c > 9.0
    later = side.run(melted, [step] * 60)[-1]
    assert side.cold_left_j(later, later.water_c) < 0.02 * 4.0 * 4190.0 * 9.0


@pytest.mark.parametrize(("shrink", "expected"), [(0.0, 1.0), (0.5, math.sqrt(0.25 / 0.81))])
def test_the_front_in_a_bottle_shrinks_with_the_root_of_its_ice(
    shrink: float, expected: float
) -> None:
    """Radius of the front R·√(ice left): area of a cylinder; that of a slab stays as it is."""
    values = VALUES._replace(shrink=shrink, core=0.0, spread=math.log(0.02))
    side = WaterSide(values, SIZED)

    def at(left: float) -> float:
        return side.pack_w_k(Group(1.0, (1.0 - left) * side.frozen, None))

    assert at(0.25) / at(0.81) == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize(
    ("x", "expected"),
    [(-1.0, -0.63), (10.0, 9.6), (0.5, 0.44)],
    ids=["water-warmer", "wet", "dry"],
)
def test_coil_is_dry_or_wet(x: float, expected: float) -> None:
    """Near the larger of the dry slope and the wet line; warmer water heats along the dry slope."""
    assert coil_k(x, 0.4, 0.63) == pytest.approx(expected, abs=0.13)


def course(values: Unknowns, bins: int) -> WaterCourse:
    steps = [
        WaterDrive(0.4 + 0.3 * math.sin(i / 20.0), 16.0, 24.0 + 2.0 * math.sin(i / 45.0))
        for i in range(bins)
    ]
    states = WaterSide(values, SIZED).run(Water(9.0, FRESH), steps)
    seen = [0.5 * (a.water_c + b.water_c) for a, b in pairwise(states)]
    return WaterCourse(Water(9.0, FRESH), steps, seen)


def test_fit_finds_what_made_the_record() -> None:
    """Over a whole set: how well the packs conduct, and what they hold for each watt of the coil.

    Coil, packs and water share one scale that the water's own temperature cannot tell.
    """
    true = VALUES._replace(
        packs=VALUES.packs + 0.3, worth=VALUES.worth - 0.05, frozen=math.log(0.88)
    )

    estimate = fit(first_belief(SIZED), course(true, 260), SIZED).belief.mean

    assert estimate.packs == pytest.approx(true.packs, abs=0.1)
    assert estimate.frozen + estimate.worth - estimate.coil == pytest.approx(
        true.frozen + true.worth - true.coil, abs=0.04
    )


def test_packs_that_melt_below_zero_are_the_same_reservoir_on_another_scale() -> None:
    """With the plateau all temperatures move: only their differences are in the equation."""
    salted = replace(SIZED, plateau_c=-4.0)
    groups = (
        Group(0.5, 0.2, None),
        Group(0.5, VALUES.frozen, 1.0, None),
        Group(0.3, 0.9, 1.0, 2.0),
    )
    steps = course(VALUES, 200).steps
    colder = [each._replace(air_c=each.air_c - 4.0, room_c=each.room_c - 4.0) for each in steps]

    states = WaterSide(VALUES, SIZED).run(Water(9.0, groups), steps)
    shifted = WaterSide(VALUES, salted).run(Water(5.0, groups), colder)

    for state, other in zip(states, shifted, strict=True):
        assert other.water_c == pytest.approx(state.water_c - 4.0)
        for group, its in zip(state.groups, other.groups, strict=True):
            assert its.melted == pytest.approx(group.melted)
    last, other = states[-1], shifted[-1]
    side, its_side = WaterSide(VALUES, SIZED), WaterSide(VALUES, salted)
    assert its_side.cold_left_j(other, 8.0) == pytest.approx(side.cold_left_j(last, 12.0))


def test_half_thawed_packs_are_commoner_than_a_bell_has_it() -> None:
    """Up to two standard deviations it is a bell; from there its logarithm, and no step between."""
    prior = first_belief(SIZED)
    problem = _Problem(prior, course(VALUES, 20), SIZED)
    sd = math.sqrt(prior.covariance[FROZEN][FROZEN])

    def weight(deviations: float) -> float:
        """Return what a share so far below the usual costs, as squares of deviations."""
        values = prior.mean._replace(frozen=prior.mean.frozen - deviations * sd)
        return problem._tail(values) * deviations**2

    assert [weight(k) for k in (-3.0, 1.0, 2.0)] == pytest.approx([9.0, 1.0, 4.0])
    assert weight(2.001) == pytest.approx(4.0, abs=0.01)
    assert weight(4.0) == pytest.approx(4.0 + 4.0 * math.log(2.0))


def test_water_warmer_than_packs_that_were_known_all_along_explains_nothing_of_them() -> None:
    """No packs are fresh, so none can be supposed nearly spent."""
    spent = (Group(1.0, 0.9, 0.9),)
    made = course(VALUES, 40)
    warm = replace(made, start=Water(9.0, spent), seen_c=[14.0] * 40)

    fitted = fit(first_belief(SIZED), warm, SIZED)

    assert fitted.belief.mean.frozen == pytest.approx(VALUES.frozen, abs=0.05)


def test_fit_to_a_record_of_nothing_stays_with_the_prior() -> None:
    """A lost reservoir probe teaches nothing."""
    true = course(VALUES, 60)

    estimate = fit(first_belief(SIZED), replace(true, seen_c=[None] * 60), SIZED).belief

    assert estimate.mean == pytest.approx(VALUES)


def test_fit_stays_in_range_on_nonsense() -> None:
    """Readings that no reservoir gives leave unknowns within their bounds."""
    strange = replace(course(VALUES, 60), seen_c=[(-1.0) ** i * 30.0 for i in range(60)])

    estimate = fit(first_belief(SIZED), strange, SIZED).belief.mean

    assert all(low <= v <= high for low, v, high in zip(LOWEST, estimate, HIGHEST, strict=True))


def test_the_next_set_is_believed_less_sure_and_frozen_as_usual() -> None:
    """What was fitted widens; how frozen the next packs are is not known from these."""
    first = first_belief(SIZED)
    fitted = fit(first, course(VALUES, 120), SIZED).belief

    following = next_belief(fitted, first=first)

    assert following.mean.frozen == first.mean.frozen
    assert following.covariance[FROZEN][FROZEN] == first.covariance[FROZEN][FROZEN]
    assert following.covariance[PACKS][PACKS] > fitted.covariance[PACKS][PACKS]
    assert following.covariance[PACKS][FROZEN] == 0.0


def test_half_a_set_that_nobody_logged_is_no_larger_coil() -> None:
    """Ice that is missing is laid to the packs, and not to a plant that sets before have shown."""
    half = VALUES._replace(frozen=VALUES.frozen + math.log(0.5))
    prior = next_belief(fit(first_belief(SIZED), course(VALUES, 260), SIZED).belief,
                        first=first_belief(SIZED))  # fmt: skip
    seen = course(half, 100)

    supposed = fit(prior, seen, SIZED).belief.mean
    unsure = fit(not_logged(prior), seen, SIZED).belief.mean

    assert unsure.coil == pytest.approx(prior.mean.coil, abs=0.1)
    assert math.exp(unsure.frozen) == pytest.approx(math.exp(half.frozen), abs=0.08)
    assert supposed.coil > unsure.coil + 0.15


def test_packs_said_not_to_be_through_are_believed_half_thawed() -> None:
    """The person's word moves the frozen share down and widens it."""
    believed = not_frozen_through(first_belief(SIZED))

    assert math.exp(believed.mean.frozen) == pytest.approx(0.65)
