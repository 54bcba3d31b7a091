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


@pytest.mark.parametrize("water_c", LIQUID_C)
def test_liquid_properties_agree_with_iapws_95(water_c: float) -> None:
    """Density, heat and conductivity are those of IAPWS-95 at 1 atm."""
    reference = IAPWS95(T=water_c + 273.15, P=0.101325)

    assert water.density_kg_m3(water_c) == pytest.approx(reference.rho, abs=0.001)
    assert water.specific_heat_kj_kgk(water_c) == pytest.approx(reference.cp, abs=3e-5)
    assert water.conductivity_w_mk(water_c) == pytest.approx(reference.k, abs=2e-4)
    at_zero = 0.0612  # IAPWS-95 at 0 °C and 1 atm: its zero is liquid at the triple point
    assert water.enthalpy_kj_kg(water_c) == pytest.approx(reference.h - at_zero, abs=0.005)


def test_latent_heat_is_the_step_between_ice_and_water() -> None:
    """IAPWS-95 less IAPWS-06 at the melting point; textbooks print 333.6 and 334 kJ/kg."""
    melting_k = 273.1525
    step = IAPWS95(T=melting_k, P=0.101325).h - _Ice(melting_k, 0.101325)["h"]

    assert pytest.approx(step, abs=0.05) == water.LATENT_HEAT_KJ_KG
    assert pytest.approx(333.7, abs=0.4) == water.LATENT_HEAT_KJ_KG


@pytest.mark.parametrize(
    ("water_c", "kj_kg"), [(10.0, 42.06), (15.0, 63.02), (20.0, 83.95), (25.0, 104.87)]
)
def test_heat_of_water_from_zero(water_c: float, kj_kg: float) -> None:
    """IAPWS-IF97 gives these steps from 0 °C."""
    assert water.enthalpy_kj_kg(water_c) == pytest.approx(kj_kg, abs=0.2)


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
    ):
        with pytest.raises(PhysicsError, match="0 to 40"):
            formula(value)
