"""Water and ice against the international formulations (iapws) and textbook figures."""

from __future__ import annotations

import warnings

import pytest

from controller.errors import PhysicsError
from controller.thermal import water

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # iapws warns of its own deprecated calls on import
    from iapws import IAPWS95
    from iapws._iapws import _Ice

LIQUID_C = (0.01, 2.0, 4.0, 10.0, 17.0, 25.0, 33.0, 40.0)
ICE_C = (0.0, -5.0, -18.0, -30.0, -40.0)


@pytest.mark.parametrize("water_c", LIQUID_C)
def test_liquid_properties_agree_with_iapws_95(water_c: float) -> None:
    """Density, heat, conductivity and viscosity are those of IAPWS-95 at 1 atm."""
    reference = IAPWS95(T=water_c + 273.15, P=0.101325)

    assert water.density_kg_m3(water_c) == pytest.approx(reference.rho, abs=0.001)
    assert water.specific_heat_kj_kgk(water_c) == pytest.approx(reference.cp, abs=3e-5)
    assert water.conductivity_w_mk(water_c) == pytest.approx(reference.k, abs=2e-4)
    assert water.viscosity_mpa_s(water_c) == pytest.approx(1000 * reference.mu, rel=3e-4)
    at_zero = 0.0612  # IAPWS-95 at 0 °C and 1 atm: its zero is liquid at the triple point
    assert water.enthalpy_kj_kg(water_c) == pytest.approx(reference.h - at_zero, abs=0.005)


@pytest.mark.parametrize("ice_c", ICE_C)
def test_ice_properties_agree_with_iapws_06(ice_c: float) -> None:
    """Density, specific heat and enthalpy of ice are those of IAPWS R10-06 at 1 atm."""
    reference = _Ice(ice_c + 273.15, 0.101325)

    assert water.ice_density_kg_m3(ice_c) == pytest.approx(reference["rho"], abs=0.003)
    assert water.ice_specific_heat_kj_kgk(ice_c) == pytest.approx(reference["cp"], abs=1e-4)
    at_zero = 0.0612
    assert water.ice_enthalpy_kj_kg(ice_c) == pytest.approx(reference["h"] - at_zero, abs=0.02)


def test_ice_reference_reproduces_its_own_verification_point() -> None:
    """The library we judge by gives the verification value of IAPWS R10-06(2009), table 6."""
    reference = _Ice(273.152519, 0.101325)

    assert reference["h"] == pytest.approx(-333.354874, rel=1e-6)
    assert reference["rho"] == pytest.approx(916.721463, rel=1e-6)
    assert reference["cp"] == pytest.approx(2.09671391, rel=1e-6)


def test_latent_heat_is_the_step_between_ice_and_water() -> None:
    """IAPWS-95 less IAPWS-06 at the melting point; textbooks print 333.6 and 334 kJ/kg."""
    melting_k = 273.1525
    step = IAPWS95(T=melting_k, P=0.101325).h - _Ice(melting_k, 0.101325)["h"]

    assert pytest.approx(step, abs=0.05) == water.LATENT_HEAT_KJ_KG
    assert pytest.approx(333.7, abs=0.4) == water.LATENT_HEAT_KJ_KG


@pytest.mark.parametrize(
    ("from_c", "to_c", "kj_kg", "tolerance"),
    [
        pytest.param(-18.0, 0.0, 36.55, 0.3, id="ice-minus-18-to-0"),
        pytest.param(-18.0, 5.0, 391.0, 1.0, id="pack-to-5"),
        pytest.param(-18.0, 10.0, 412.0, 1.0, id="pack-to-10"),
        pytest.param(-18.0, 12.0, 420.4, 1.0, id="pack-to-12"),
        pytest.param(-18.0, 25.0, 474.9, 1.0, id="pack-to-25"),
    ],
)
def test_heat_of_a_pack_of_water(
    from_c: float, to_c: float, kj_kg: float, tolerance: float
) -> None:
    """Sums of IAPWS steps: ice to 0 °C, melting, water upwards (own sums of IF97 and R10-06)."""
    top = water.enthalpy_kj_kg(to_c) if to_c > 0 else -water.LATENT_HEAT_KJ_KG

    assert top - water.ice_enthalpy_kj_kg(from_c) == pytest.approx(kj_kg, abs=tolerance)


@pytest.mark.parametrize(
    ("water_c", "kj_kg"), [(10.0, 42.06), (15.0, 63.02), (20.0, 83.95), (25.0, 104.87)]
)
def test_heat_of_water_from_zero(water_c: float, kj_kg: float) -> None:
    """IAPWS-IF97 gives these steps from 0 °C."""
    assert water.enthalpy_kj_kg(water_c) == pytest.approx(kj_kg, abs=0.2)


def test_ice_in_water_when_all_of_it_melts() -> None:
    """8 kg at 12 °C take 1 kg of ice from -18 °C and end at 0.86 °C (own heat balance)."""
    mixed_c, left_kg = water.mixed_c(water_kg=8.0, water_c=12.0, ice_kg=1.0, ice_c=-18.0)

    assert (mixed_c, left_kg) == (pytest.approx(0.86, abs=0.05), 0.0)


def test_ice_in_water_when_some_is_left() -> None:
    """With 1.5 kg the balance without a branch would say -3.8 °C; the truth is ice at 0 °C."""
    mixed_c, left_kg = water.mixed_c(water_kg=8.0, water_c=12.0, ice_kg=1.5, ice_c=-18.0)

    assert mixed_c == 0.0
    assert left_kg == pytest.approx((1.5 * 369.98 - 8.0 * 4.19 * 12.0) / 333.43, abs=0.01)


def test_ice_that_brings_water_to_four_degrees() -> None:
    """0.695 kg of ice from -18 °C takes 8 kg from 12 to 4 °C (own heat balance)."""
    mixed_c, left_kg = water.mixed_c(water_kg=8.0, water_c=12.0, ice_kg=0.695, ice_c=-18.0)

    assert (mixed_c, left_kg) == (pytest.approx(4.0, abs=0.05), 0.0)


def test_little_water_on_much_cold_ice_freezes() -> None:
    """A spoon of water on a block of cold ice ends below zero, all of it frozen."""
    mixed_c, left_kg = water.mixed_c(water_kg=0.1, water_c=5.0, ice_kg=10.0, ice_c=-18.0)

    assert left_kg == pytest.approx(10.1)
    assert -18.0 < mixed_c < -12.0


def test_ton_of_refrigeration_is_2000_lb_of_ice_a_day() -> None:
    """12 000 Btu/h, 3.517 kW by definition; the true latent heat gives 3.501 kW."""
    assert pytest.approx(3.516853, abs=1e-5) == water.TON_OF_REFRIGERATION_KW
    pounds_kg = 2000.0 * 0.45359237
    assert pounds_kg * water.LATENT_HEAT_KJ_KG / 86_400.0 == pytest.approx(3.5010, abs=5e-4)


def test_a_litre_a_minute_carries_70_watts_per_kelvin() -> None:
    """1 kg/min at 4.19 kJ/(kg·K)."""
    assert water.MEAN_CP_KJ_KGK * 1000.0 / 60.0 == pytest.approx(69.8, abs=0.3)


@pytest.mark.parametrize("value", [-0.1, 40.1, float("nan")])
def test_liquid_formulas_refuse_what_lies_outside(value: float) -> None:
    """Every liquid property names the range it holds in."""
    for formula in (
        water.density_kg_m3,
        water.specific_heat_kj_kgk,
        water.enthalpy_kj_kg,
        water.conductivity_w_mk,
        water.viscosity_mpa_s,
    ):
        with pytest.raises(PhysicsError, match="0 to 40"):
            formula(value)


@pytest.mark.parametrize("value", [0.1, -40.1, float("nan")])
def test_ice_formulas_refuse_what_lies_outside(value: float) -> None:
    """Every ice property names the range it holds in."""
    for formula in (
        water.ice_density_kg_m3,
        water.ice_specific_heat_kj_kgk,
        water.ice_enthalpy_kj_kg,
    ):
        with pytest.raises(PhysicsError, match="-40 to 0"):
            formula(value)


def test_mixing_refuses_negative_mass() -> None:
    """A pack of -1 kg is a mistake, not a balance."""
    with pytest.raises(PhysicsError, match="masses of 0 or more"):
        water.mixed_c(water_kg=8.0, water_c=12.0, ice_kg=-1.0, ice_c=-18.0)
