"""The ice point of a probe: offset, uncertainty, and baths that will not do."""

from __future__ import annotations

import math
import random

import pytest

from controller.commissioning.ice_point import IcePoint, NotYet, judge_bath


def bath(
    *, mean_mc: float, seconds: int = 240, drift_mk_min: float = 0.0, sigma_mk: float = 0.0
) -> list[tuple[float, int]]:
    """Readings every 5 s, in the probe's steps of 62.5 mK."""
    rng = random.Random(7)
    return [
        (
            float(at),
            int(round((mean_mc + drift_mk_min * at / 60 + rng.gauss(0, sigma_mk)) / 62.5) * 62.5),
        )
        for at in range(0, seconds + 1, 5)
    ]


def test_offset_is_what_the_bath_shows_with_the_sign_turned() -> None:
    """0.375 °C in ice means -0.38 K (to 10 mK); 17.00 then reads 16.62.

    Source: worked number of the method, MSL Technical Guide 1.
    """
    bath_result = judge_bath(bath(mean_mc=375))

    assert isinstance(bath_result, IcePoint)
    assert bath_result.offset_mk == -380
    assert bath_result.spread_mk == 0


def test_uncertainty_combines_step_bath_and_repeatability() -> None:
    """62.5 mK step (18.04 mK), bath ±10 mK (5.77 mK), repeatability: root of the sum of squares.

    Source: JCGM 100 (GUM); 0.0625/√12 = 0.01804 K.
    """
    quiet = judge_bath(bath(mean_mc=0))
    assert isinstance(quiet, IcePoint)
    assert quiet.uncertainty_mk == pytest.approx(math.hypot(18.042, 5.774), abs=0.01)

    readings = bath(mean_mc=31, sigma_mk=20)
    noisy = judge_bath(readings)
    assert isinstance(noisy, IcePoint)
    assert noisy.uncertainty_mk > quiet.uncertainty_mk


@pytest.mark.parametrize(
    ("readings", "advice", "hopeless"),
    [
        pytest.param([], "no reading", False, id="nothing-read"),
        pytest.param(bath(mean_mc=0, seconds=120), "are needed", False, id="too-short"),
        pytest.param(bath(mean_mc=500, drift_mk_min=-80), "drifting", False, id="drifting"),
        pytest.param(bath(mean_mc=4000), "no ice bath", True, id="tap-water"),
        pytest.param(bath(mean_mc=0, sigma_mk=200), "spread", False, id="restless"),
    ],
)
def test_bath_that_will_not_do_is_refused_with_the_reason(
    readings: list[tuple[float, int]], advice: str, hopeless: bool
) -> None:
    """No offset comes out of a drift, a restless bath or warm water."""
    bath_result = judge_bath(readings)

    assert isinstance(bath_result, NotYet)
    assert advice in bath_result.reason
    assert bath_result.hopeless is hopeless


def test_only_the_last_minutes_count() -> None:
    """A probe that has come to rest is judged by its rest, not by its way there."""
    arriving = [(at, 20_000 - 320 * int(at / 5)) for at, _ in bath(mean_mc=0, seconds=300)]
    resting = [(at + 400.0, value) for at, value in bath(mean_mc=125)]

    bath_result = judge_bath([*arriving, *resting])

    assert isinstance(bath_result, IcePoint)
    assert bath_result.offset_mk == -120
