"""What is believed of a reservoir before a set of packs, after it, and where people know more."""

from __future__ import annotations

import math

import pytest

from controller.foresight.sized import sized_from
from controller.foresight.unknowns import (
    DRIFT_SD,
    FIRST_SD,
    FROZEN,
    FROZEN_MEAN,
    HIGHEST,
    LOWEST,
    WIDENED,
    WIDEST,
    Belief,
    Unknowns,
    first_belief,
    frozen_known,
    next_belief,
    not_frozen_through,
    not_logged,
    within_range,
)
from controller.thermal.specs import PlantSpec, ReservoirSpec

SIZED = sized_from(PlantSpec(reservoir=ReservoirSpec(litres=24.0)), air_c=16.0)
FIRST = first_belief(SIZED)
N = len(FIRST_SD)
COIL, WATER = Unknowns._fields.index("coil"), Unknowns._fields.index("water")


def sd(belief: Belief, index: int) -> float:
    return math.sqrt(belief.covariance[index][index])


def test_the_first_guess_is_the_owner_s_description() -> None:
    """24 litres of water take 24 kg times 4.19 kJ/(kg K); source: IAPWS-95 at 5 °C gives 4.205."""
    assert math.exp(FIRST.mean.water) == pytest.approx(24.0 * 4205.0, rel=0.01)
    assert math.exp(FIRST.mean.leak) == pytest.approx(SIZED.leak_w_k)
    assert math.exp(FIRST.mean.packs) == pytest.approx(SIZED.packs_w_k)
    assert math.exp(FIRST.mean.worth) == pytest.approx(1000.0 * SIZED.packs_kj)
    assert math.exp(FIRST.mean.coil) > SIZED.coil_dry_w_k  # wet, it takes more than dry
    assert math.exp(FIRST.mean.frozen) == pytest.approx(FROZEN_MEAN)
    assert [sd(FIRST, i) for i in range(N)] == pytest.approx(list(FIRST_SD))
    assert all(FIRST.covariance[i][j] == 0.0 for i in range(N) for j in range(N) if i != j)


def fitted() -> Belief:
    """Return what a set taught: coil and water known to a percent, and tied to one another."""
    covariance = [[0.0] * N for _ in range(N)]
    for i in range(N):
        covariance[i][i] = 1e-4
    covariance[COIL][WATER] = covariance[WATER][COIL] = 5e-5
    covariance[COIL][FROZEN] = covariance[FROZEN][COIL] = 5e-5
    return Belief(FIRST.mean._replace(coil=9.0, frozen=-0.5), covariance)


def test_the_next_set_is_less_sure_by_what_drifts() -> None:
    """A fit is too sure of itself, and things change from one set to the next."""
    belief = next_belief(fitted(), first=FIRST)

    expected = math.sqrt(WIDENED * 1e-4 + DRIFT_SD.coil**2)
    assert sd(belief, COIL) == pytest.approx(expected)
    assert belief.covariance[COIL][WATER] == pytest.approx(WIDENED * 5e-5)
    assert belief.mean.coil == 9.0


def test_how_much_of_the_next_set_is_frozen_has_nothing_to_do_with_the_last() -> None:
    """Its share is the usual one again, tied to nothing."""
    belief = next_belief(fitted(), first=FIRST)

    assert belief.mean.frozen == FIRST.mean.frozen
    assert sd(belief, FROZEN) == pytest.approx(FIRST_SD.frozen)
    assert all(belief.covariance[FROZEN][j] == 0.0 for j in range(N) if j != FROZEN)
    assert all(belief.covariance[j][FROZEN] == 0.0 for j in range(N) if j != FROZEN)


def test_nothing_grows_less_sure_than_a_little_more_than_at_first() -> None:
    """Set after set that teaches nothing; what ties two unknowns shrinks with them."""
    belief = fitted()
    for i in range(N):
        belief.covariance[i][i] = 100.0
    belief.covariance[COIL][WATER] = belief.covariance[WATER][COIL] = 50.0

    belief = next_belief(belief, first=FIRST)

    assert sd(belief, COIL) == pytest.approx(WIDEST * FIRST_SD.coil)
    tied = belief.covariance[COIL][WATER] / (sd(belief, COIL) * sd(belief, WATER))
    assert tied == pytest.approx(0.5, abs=0.01)
    assert belief.covariance[COIL][WATER] == belief.covariance[WATER][COIL]


def test_packs_that_were_not_frozen_through_are_believed_less_frozen_and_less_sure() -> None:
    """What the grower said, and nothing else of the belief."""
    belief = not_frozen_through(fitted())

    assert 0.5 < math.exp(belief.mean.frozen) < 0.8
    assert sd(belief, FROZEN) > 3 * FIRST_SD.frozen
    assert belief.mean.coil == 9.0
    assert belief.covariance[COIL][WATER] == 5e-5


def test_of_a_change_that_nobody_logged_half_a_set_is_possible() -> None:
    """As likely frozen as ever, less sure; half of a set (ln ½ = −0.7) is no more than 3 sd off."""
    logged = next_belief(fitted(), first=FIRST)
    belief = not_logged(logged)

    assert belief.mean == logged.mean
    assert belief.mean.frozen - 3.0 * sd(belief, FROZEN) < math.log(0.5) + FIRST.mean.frozen
    assert belief.mean.frozen - 8.0 * sd(logged, FROZEN) > math.log(0.5) + FIRST.mean.frozen
    assert belief.covariance[COIL][WATER] == logged.covariance[COIL][WATER] > 0.0


def test_a_frozen_share_that_is_known_is_certain() -> None:
    """Once the ice is gone, what went in is what has melted."""
    belief = frozen_known(fitted(), 0.8)

    assert math.exp(belief.mean.frozen) == pytest.approx(0.8)
    assert sd(belief, FROZEN) < 0.01
    assert fitted().covariance[FROZEN][FROZEN] == 1e-4  # the belief given is left as it was


def test_unknowns_stay_inside_the_range_of_their_equations() -> None:
    """At both ends; what lies inside is as it was."""
    inside = list(FIRST.mean)
    assert within_range(inside) == FIRST.mean
    assert within_range([value + 100.0 for value in inside]).core == HIGHEST.core
    assert within_range([value - 100.0 for value in inside]).core == LOWEST.core
    assert within_range([value - 100.0 for value in inside]).coil == FIRST.mean.coil - 100.0
