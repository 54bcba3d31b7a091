"""Effectiveness against published worked examples and the ht library."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.errors import PhysicsError
from controller.thermal import exchanger as ex

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from ht import effectiveness_from_NTU

Rule = Callable[..., float]


def counterflow(*, ntu: float, ratio: float) -> float:
    """Return the share by which the smaller stream changes in counterflow."""
    return ex.counterflow_effectiveness(ntu, ratio)


# ht's names for the same arrangements
ARRANGEMENTS: list[tuple[Rule, str]] = [
    (counterflow, "counterflow"),
    (ex.crossflow_unmixed, "crossflow"),
]


@pytest.mark.parametrize(("rule", "theirs"), ARRANGEMENTS, ids=[name for _, name in ARRANGEMENTS])
def test_effectiveness_agrees_with_ht_over_a_grid(rule: Rule, theirs: str) -> None:
    """N 0.1 to 8, capacity ratio 0.05 to 1, every arrangement."""
    for ntu in (0.1, 0.3, 0.5, 1.0, 2.0, 3.5, 5.0, 8.0):
        for ratio in (0.05, 0.25, 0.5, 0.75, 0.99, 1.0):
            reference = effectiveness_from_NTU(ntu, Cr=ratio, subtype=theirs)
            assert rule(ntu=ntu, ratio=ratio) == pytest.approx(reference, abs=2e-6), (ntu, ratio)


@pytest.mark.parametrize("rule", [rule for rule, _ in ARRANGEMENTS])
def test_limits(rule: Rule) -> None:
    """N to 0 gives 0; ratio to 0 gives 1 - exp(-N) for every arrangement, without a jump."""
    assert rule(ntu=0.0, ratio=0.5) == 0.0
    assert rule(ntu=1e-6, ratio=0.5) == pytest.approx(1e-6, rel=1e-2)
    for ntu in (0.2, 1.0, 4.0):
        assert rule(ntu=ntu, ratio=0.0) == pytest.approx(-math.expm1(-ntu), rel=1e-9)
        assert rule(ntu=ntu, ratio=1e-7) == pytest.approx(-math.expm1(-ntu), rel=1e-4)


def test_long_exchangers_reach_their_thermodynamic_end() -> None:
    """N to infinity: 1 in counterflow, near 1 in cross flow."""
    assert counterflow(ntu=1e4, ratio=0.5) == pytest.approx(1.0)
    assert ex.crossflow_unmixed(ntu=1e4, ratio=0.5) == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("ntu", [0.3, 1.0, 5.0])
def test_equal_capacities_are_no_special_place(ntu: float) -> None:
    """At ratio 1 counterflow is N/(1 + N), and its neighbours agree with it."""
    assert counterflow(ntu=ntu, ratio=1.0) == pytest.approx(ntu / (1 + ntu))
    assert counterflow(ntu=ntu, ratio=1.0 - 1e-7) == pytest.approx(ntu / (1 + ntu), rel=1e-6)


def test_gas_to_water_rating_unmixed() -> None:
    """Incropera 7th ed., example 11.4: chart 0.82, 2.64e5 W, water 98.0 °C out, gas 73.7 °C."""
    hot, cold, ua = 1500.0, 4197.0, 4000.0
    effectiveness = ex.crossflow_unmixed(ntu=ua / hot, ratio=hot / cold)
    heat_w = effectiveness * hot * (250.0 - 35.0)

    assert effectiveness == pytest.approx(0.82, rel=0.025)
    assert heat_w == pytest.approx(2.64e5, rel=0.025)
    assert 35.0 + heat_w / cold == pytest.approx(98.0, rel=0.025)
    assert effectiveness == pytest.approx(0.8358, rel=1e-3)  # re-solved without a chart


def test_gas_to_water_size_unmixed() -> None:
    """Incropera 7th ed., example 11.3: effectiveness 0.75, ratio 0.45, N 2.1, 39.7 m²."""
    hot = 4197.0 * (125.0 - 35.0) / (300.0 - 100.0)
    effectiveness = (300.0 - 100.0) / (300.0 - 35.0)
    low, high = 0.0, 10.0
    while high - low > 1e-9:
        ntu = 0.5 * (low + high)
        if ex.crossflow_unmixed(ntu=ntu, ratio=hot / 4197.0) < effectiveness:
            low = ntu
        else:
            high = ntu

    assert effectiveness == pytest.approx(0.75, rel=0.01)
    assert low == pytest.approx(2.1, rel=0.04)
    assert low * hot / 100.0 == pytest.approx(39.7, rel=0.04)


def test_counterflow_size() -> None:
    """Çengel, counterflow water heater: 0.4286, N 0.652, 5.11 m², 108 m of tube."""
    cold, hot = 1.2 * 4180.0, 2.0 * 4310.0
    heat_w = cold * (80.0 - 20.0)
    effectiveness = heat_w / (cold * (160.0 - 20.0))
    ntu = ex.counterflow_ntu(effectiveness=effectiveness, ratio=cold / hot)
    area_m2 = ntu * cold / 640.0

    assert heat_w == pytest.approx(301e3, rel=0.003)
    assert effectiveness == pytest.approx(0.42857, rel=0.003)
    assert ntu == pytest.approx(0.652, rel=0.003)
    assert area_m2 == pytest.approx(5.11, rel=0.003)
    assert area_m2 / (math.pi * 0.015) == pytest.approx(108.0, rel=0.006)


def test_car_radiator_unmixed() -> None:
    """Çengel, example 11-6: 62.9 kW, 3347 W/(m²·K) on the inside of 40 tubes (factor 0.97)."""
    water = 0.6 * 4195.0
    heat_w = water * (90.0 - 65.0)
    air = heat_w / (40.0 - 20.0)
    smaller, larger = min(air, water), max(air, water)
    effectiveness = heat_w / (smaller * (90.0 - 20.0))
    low, high = 0.0, 5.0
    while high - low > 1e-9:
        ntu = 0.5 * (low + high)
        if ex.crossflow_unmixed(ntu=ntu, ratio=smaller / larger) < effectiveness:
            low = ntu
        else:
            high = ntu
    inside_m2 = 40 * math.pi * 0.005 * 0.65

    assert heat_w == pytest.approx(62.9e3, rel=0.003)
    assert low * smaller / inside_m2 == pytest.approx(3347.0, rel=0.01)


def test_air_heater_unmixed_finds_the_water_flow() -> None:
    """Holman, example 10-11: 40.33 kW, about 660 W/K of water, which leaves at 21 °C."""
    air = 40_330.0 / (29.44 - 15.55)
    ua = 227.0 * 9.29

    def heat_w(water: float) -> float:
        smaller, larger = min(air, water), max(air, water)
        return (
            ex.crossflow_unmixed(ntu=ua / smaller, ratio=smaller / larger)
            * smaller
            * (82.22 - 15.55)
        )

    low, high = 300.0, 2000.0
    while high - low > 1e-6:
        water = 0.5 * (low + high)
        if heat_w(water) < 40_330.0:
            low = water
        else:
            high = water

    assert low == pytest.approx(660.0, rel=0.02)
    assert 82.22 - 40_330.0 / low == pytest.approx(21.1, abs=1.2)


def test_large_air_cooler_unmixed() -> None:
    """Som, example 10.7: about 1.0 MW, air leaves at 26 °C."""
    air, water, ua = 10.0 * 1010.0, 7.0 * 4180.0, 220.0 * 250.0
    effectiveness = ex.crossflow_unmixed(ntu=ua / air, ratio=air / water)
    heat_w = effectiveness * air * (125.0 - 20.0)

    assert heat_w == pytest.approx(1.0e6, rel=0.01)
    assert 125.0 - heat_w / air == pytest.approx(26.0, abs=1.0)


@pytest.mark.parametrize(
    ("litres_min", "feet3_min", "ua_w_k", "w_k"),
    [
        (1.0, 30.0, 10.0, 7.19),
        (1.0, 30.0, 20.0, 10.93),
        (1.0, 30.0, 40.0, 14.32),
        (2.0, 40.0, 20.0, 12.73),
        (3.8, 60.0, 40.0, 22.66),
    ],
)
def test_heat_per_inlet_kelvin_of_a_120_mm_core(
    litres_min: float, feet3_min: float, ua_w_k: float, w_k: float
) -> None:
    """By ht's exact cross flow, air 1.2 kg/m³ and 1006 J/(kg·K), water 4190 J/(kg·K)."""
    air = feet3_min * 0.0283168 / 60.0 * 1.2 * 1006.0
    water = litres_min / 60.0 * 4190.0
    smaller, larger = min(air, water), max(air, water)

    result = smaller * ex.crossflow_unmixed(ntu=ua_w_k / smaller, ratio=smaller / larger)

    assert result == pytest.approx(w_k, rel=0.01)


@given(share=st.floats(0.01, 0.95), rate=st.floats(0.01, 1.04))
def test_units_and_fall_undo_each_other(share: float, rate: float) -> None:
    """Also beyond rate 1, where the other stream is the smaller one."""
    units = ex.units_of_effectiveness(share, rate)

    assert ex.counterflow_effectiveness(units, rate) == pytest.approx(share, rel=1e-6)


@pytest.mark.parametrize(
    ("ntu", "ratio"), [(-1.0, 0.5), (float("nan"), 0.5), (1.0, 1.1), (1.0, -0.1), (math.inf, 0.5)]
)
def test_impossible_exchangers_are_refused(ntu: float, ratio: float) -> None:
    """Negative conductance, or a smaller stream that is the larger."""
    with pytest.raises(PhysicsError):
        ex.crossflow_unmixed(ntu=ntu, ratio=ratio)


def test_effectiveness_of_one_needs_infinite_surface() -> None:
    """Refused rather than answered with infinity."""
    with pytest.raises(PhysicsError):
        ex.counterflow_ntu(effectiveness=1.0, ratio=0.5)
