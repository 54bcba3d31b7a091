"""Moist air against psychrolib, CoolProp and published figures."""

from __future__ import annotations

import itertools
import math
import sys

import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.errors import PhysicsError
from controller.thermal import moist_air as ma

psychrolib.SetUnitSystem(psychrolib.SI)
AIR_C = (0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0)
RH = (0.05, 0.3, 0.5, 0.7, 0.9, 1.0)
ALTITUDE_M = (0.0, 1000.0, 2000.0, 3000.0)
STATES = list(itertools.product(AIR_C, RH, ALTITUDE_M))


def test_states_agree_with_psychrolib_over_the_whole_range() -> None:
    """0 to 40 °C, 5 to 100 %, 0 to 3000 m: the same ASHRAE formulas, written independently."""
    worst: dict[str, float] = {}

    def note(name: str, ours: float, theirs: float) -> None:
        worst[name] = max(worst.get(name, 0.0), abs(ours - theirs))

    for air_c, rh, altitude_m in STATES:
        pa = psychrolib.GetStandardAtmPressure(altitude_m)
        ratio = ma.humidity_ratio(air_c=air_c, rh=rh, pressure_pa=pa)
        note("pressure Pa", ma.pressure_at_altitude_pa(altitude_m), pa)
        note("ratio g/kg", 1e3 * ratio, 1e3 * psychrolib.GetHumRatioFromRelHum(air_c, rh, pa))
        note(
            "dew point K",
            ma.dew_point_c(ratio=ratio, pressure_pa=pa),
            psychrolib.GetTDewPointFromRelHum(air_c, rh),
        )
        note(
            "enthalpy kJ/kg",
            ma.enthalpy_kj_kg(air_c=air_c, ratio=ratio),
            psychrolib.GetMoistAirEnthalpy(air_c, ratio) / 1e3,
        )
        note(
            "volume l/kg",
            1e3 * ma.specific_volume_m3_kg(air_c=air_c, ratio=ratio, pressure_pa=pa),
            1e3 * psychrolib.GetMoistAirVolume(air_c, ratio, pa),
        )
        note(
            "density g/m3",
            1e3 * ma.density_kg_m3(air_c=air_c, ratio=ratio, pressure_pa=pa),
            1e3 * psychrolib.GetMoistAirDensity(air_c, ratio, pa),
        )
    sys.stdout.write(f"largest departure from psychrolib: {worst}\n")

    bounds = {
        "pressure Pa": 0.1,
        "ratio g/kg": 1e-6,
        "dew point K": 0.002,  # theirs stops iterating at 0.001 K
        "enthalpy kJ/kg": 1e-6,
        "volume l/kg": 0.001,
        "density g/m3": 0.001,
    }
    assert {name for name, value in worst.items() if value > bounds[name]} == set()


def test_states_agree_with_coolprop_over_the_whole_range() -> None:
    """CoolProp treats air as a real gas, whose vapour is 0.4 % denser; temperatures agree."""
    from CoolProp.HumidAirProp import HAPropsSI  # takes seconds to load, for this test alone

    worst: dict[str, float] = {}

    def note(name: str, departure: float) -> None:
        worst[name] = max(worst.get(name, 0.0), abs(departure))

    for air_c, rh, altitude_m in itertools.product(AIR_C[::2], RH, ALTITUDE_M):
        pa = ma.pressure_at_altitude_pa(altitude_m)
        given_state = ("T", air_c + 273.15, "R", rh, "P", pa)
        ratio = ma.humidity_ratio(air_c=air_c, rh=rh, pressure_pa=pa)
        note("ratio share", ratio / HAPropsSI("W", *given_state) - 1.0)
        enthalpy = ma.enthalpy_kj_kg(air_c=air_c, ratio=ratio)
        theirs = HAPropsSI("H", *given_state) / 1e3
        note("enthalpy share", (enthalpy - theirs) / (theirs + 30.0))
        dew_c = HAPropsSI("D", *given_state) - 273.15
        if dew_c > 0.01:  # below, their frost point and the formula over ice differ by definition
            note("dew point K", ma.dew_point_c(ratio=ratio, pressure_pa=pa) - dew_c)
        volume = ma.specific_volume_m3_kg(air_c=air_c, ratio=ratio, pressure_pa=pa)
        note("volume share", volume / HAPropsSI("V", *given_state) - 1.0)
    sys.stdout.write(f"largest departure from CoolProp: {worst}\n")

    bounds = {
        "ratio share": 0.006,
        "enthalpy share": 0.004,
        "dew point K": 0.05,
        "volume share": 0.001,
    }
    assert {name for name, value in worst.items() if value > bounds[name]} == set()


@pytest.mark.parametrize(
    ("air_c", "kpa"),
    [
        (0.01, 0.6117),
        (5.0, 0.8725),
        (10.0, 1.2281),
        (15.0, 1.7057),
        (20.0, 2.3392),
        (25.0, 3.1698),
        (30.0, 4.2469),
        (35.0, 5.6291),
        (40.0, 7.3851),
    ],
)
def test_saturation_pressure_agrees_with_a_printed_steam_table(air_c: float, kpa: float) -> None:
    """Çengel and Boles, *Thermodynamics*, table A-4."""
    assert ma.saturation_pressure_pa(air_c) == pytest.approx(1000.0 * kpa, rel=5e-4)


@pytest.mark.parametrize(("air_c", "pa"), [(-10.0, 259.9), (-20.0, 103.3), (-5.0, 401.8)])
def test_saturation_pressure_over_ice_agrees_with_a_printed_table(air_c: float, pa: float) -> None:
    """Vapour pressure of ice, CRC Handbook of Chemistry and Physics (from memory)."""
    assert ma.saturation_pressure_pa(air_c) == pytest.approx(pa, rel=1e-3)


@pytest.mark.parametrize(
    ("air_c", "magnus_pa"),
    [(0.01, 611.64), (10.0, 1226.03), (17.0, 1933.27), (25.0, 3160.06), (30.0, 4233.72)],
)
def test_saturation_pressure_lies_near_the_meteorologists_formula(
    air_c: float, magnus_pa: float
) -> None:
    """WMO Guide No. 8, annex 4.B, 611.2·exp(17.62 t/(243.12 + t)): 0.1 to 0.3 % below."""
    assert math.isclose(611.2 * math.exp(17.62 * air_c / (243.12 + air_c)), magnus_pa, abs_tol=0.1)
    assert -0.0031 < magnus_pa / ma.saturation_pressure_pa(air_c) - 1.0 < 0.0001


@pytest.mark.parametrize(
    ("altitude_m", "pa"),
    [(0, 101325), (500, 95460.8), (1000, 89874.5), (1500, 84555.9), (2000, 79495.1),
     (3000, 70108.4)],
)  # fmt: skip
def test_pressure_falls_with_altitude(altitude_m: float, pa: float) -> None:
    """ASHRAE Fundamentals 2017 ch. 1 eq. 3, as psychrolib evaluates it."""
    assert ma.pressure_at_altitude_pa(altitude_m) == pytest.approx(pa, abs=1.0)


def test_fruiting_chamber_at_sea_level() -> None:
    """17 °C and 90 %: dew point 15.349 °C by both libraries."""
    ratio = ma.humidity_ratio(air_c=17.0, rh=0.9)

    assert ratio == pytest.approx(0.010893, rel=0.001)
    assert ma.dew_point_c(ratio=ratio) == pytest.approx(15.349, abs=0.002)
    assert ma.enthalpy_kj_kg(air_c=17.0, ratio=ratio) == pytest.approx(44.691, rel=0.001)
    assert ma.density_kg_m3(air_c=17.0, ratio=ratio) == pytest.approx(1.2087, rel=0.001)


def test_fruiting_chamber_in_the_mountains() -> None:
    """17 °C and 90 % at 1600 m: thinner air holds more vapour per kilogram (psychrolib)."""
    pa = ma.pressure_at_altitude_pa(1600.0)
    ratio = ma.humidity_ratio(air_c=17.0, rh=0.9, pressure_pa=pa)

    assert pa == pytest.approx(83523.5, abs=2.0)
    assert ratio == pytest.approx(0.013265, rel=0.003)
    assert ma.density_kg_m3(air_c=17.0, ratio=ratio, pressure_pa=pa) == pytest.approx(
        0.9949, rel=0.003
    )


def test_percentage_saturation_is_not_relative_humidity() -> None:
    """The same example: 21 °C and 45 % *saturation* hold 7.0 g/kg and 39.08 kJ/kg."""
    ratio = 0.45 * ma.saturated_ratio(21.0)

    assert 1000.0 * ratio == pytest.approx(7.0, abs=0.05)  # the book prints one decimal
    assert ma.enthalpy_kj_kg(air_c=21.0, ratio=ratio) == pytest.approx(39.08, rel=0.006)
    assert ratio > ma.humidity_ratio(air_c=21.0, rh=0.45)


@pytest.mark.parametrize(
    ("air_c", "kj_kg"), [(5.0, 18.590), (10.0, 29.285), (15.0, 42.016), (17.0, 47.816)]
)
def test_enthalpy_of_saturated_air_and_back(air_c: float, kj_kg: float) -> None:
    """Psychrolib's saturated enthalpies; the inverse returns the temperature."""
    assert ma.saturated_enthalpy_kj_kg(air_c) == pytest.approx(kj_kg, rel=0.003)
    assert ma.saturated_air_c(ma.saturated_enthalpy_kj_kg(air_c)) == pytest.approx(air_c)


@given(air_c=st.floats(-20.0, 45.0), rh=st.floats(0.02, 1.0), altitude_m=st.floats(0.0, 4000.0))
def test_conversions_undo_each_other(air_c: float, rh: float, altitude_m: float) -> None:
    """Humidity and dew point lead back to where they came from."""
    pa = ma.pressure_at_altitude_pa(altitude_m)
    ratio = ma.humidity_ratio(air_c=air_c, rh=rh, pressure_pa=pa)
    dew_c = ma.dew_point_c(ratio=ratio, pressure_pa=pa)

    assert ma.relative_humidity(air_c=air_c, ratio=ratio, pressure_pa=pa) == pytest.approx(rh)
    assert ma.saturated_ratio(dew_c, pa) == pytest.approx(ratio, rel=1e-7)
    assert dew_c <= air_c + 1e-7


@given(air_c=st.floats(-15.0, 45.0))
def test_slope_of_saturated_enthalpy_is_its_derivative(air_c: float) -> None:
    """The closed slope equals a central difference."""
    if abs(air_c - ma.TRIPLE_POINT_C) < 0.01:
        return
    step_k = 1e-4
    difference = (
        ma.saturated_enthalpy_kj_kg(air_c + step_k) - ma.saturated_enthalpy_kj_kg(air_c - step_k)
    ) / (2 * step_k)

    assert ma.saturated_enthalpy_slope(air_c) == pytest.approx(difference, rel=1e-5)


@pytest.mark.parametrize("rh", [9000.0, 90.0, -0.1, float("nan")])
def test_humidity_that_is_not_a_share_is_refused(rh: float) -> None:
    """The message says how to write it."""
    with pytest.raises(PhysicsError, match=r"0\.90 for 90 percent"):
        ma.humidity_ratio(air_c=17.0, rh=rh)


@pytest.mark.parametrize(
    "call",
    [
        pytest.param(lambda: ma.saturation_pressure_pa(float("nan")), id="nan"),
        pytest.param(lambda: ma.saturation_pressure_pa(250.0), id="too-hot"),
        pytest.param(lambda: ma.pressure_at_altitude_pa(50_000.0), id="too-high"),
        pytest.param(lambda: ma.dew_point_c(ratio=0.0), id="no-vapour"),
        pytest.param(lambda: ma.dew_point_c(ratio=-0.01), id="negative-vapour"),
        pytest.param(lambda: ma.saturated_air_c(1e6), id="no-such-enthalpy"),
        pytest.param(lambda: ma.humidity_ratio(air_c=99.0, rh=1.0, pressure_pa=9e4), id="boiling"),
    ],
)
def test_states_out_of_range_are_refused(call: object) -> None:
    """Nothing silently extrapolates."""
    assert callable(call)
    with pytest.raises(PhysicsError):
        call()
