"""Conductances worked back from what a coil took, against published worked examples."""

from __future__ import annotations

import math

import pytest

from controller.errors import PhysicsError
from controller.thermal import moist_air
from controller.thermal.coil import Coil
from controller.thermal.coil_rating import air_side_at, conductances_of_rating
from controller.thermal.water import MEAN_CP_KJ_KGK

NO_RESISTANCE_W_K = 1e12


def whole_w_k(*, heat_w: float, difference_k: float, air_w_k: float, water_w_k: float) -> float:
    """Return the conductance from stream to stream for streams of these capacities [W/K]."""
    sides = conductances_of_rating(
        w_per_k=heat_w / difference_k,
        air_kg_s=air_w_k / 1000.0 / moist_air.specific_heat_kj_kgk(0.01),
        water_kg_s=water_w_k / 1000.0 / MEAN_CP_KJ_KGK,
        water_w_k=NO_RESISTANCE_W_K,
    )
    return sides.air_w_k


def test_a_finned_gas_to_water_exchanger() -> None:
    """Incropera, 7th ed., example 11.3: 1 kg/s of water 35 to 125 °C, gas 300 to 100 °C.

    Effectiveness 0.75 and 39.7 m² at 100 W/(m²·K), read off a chart; solved exactly, 39.30 m².
    """
    heat_w = 4197.0 * 90.0

    result = whole_w_k(heat_w=heat_w, difference_k=265.0, air_w_k=heat_w / 200.0, water_w_k=4197.0)

    assert result == pytest.approx(3970.0, rel=0.02)
    assert result == pytest.approx(3930.0, rel=1e-3)


def test_a_car_radiator() -> None:
    """Çengel, *Heat Transfer*, example 11-6: 62.9 kW from water 90 to 65 °C into air 20 to 40 °C.

    3347 W/(m²·K) on the inner area of 40 tubes of 5 mm by 0.65 m.
    """
    heat_w = 0.6 * 4195.0 * 25.0

    result = whole_w_k(
        heat_w=heat_w, difference_k=70.0, air_w_k=heat_w / 20.0, water_w_k=0.6 * 4195.0
    )

    assert result == pytest.approx(3347.0 * math.pi * 0.005 * 0.65 * 40, rel=3e-3)


@pytest.mark.parametrize("w_per_k", [2.0, 8.0, 12.0, 16.0])
@pytest.mark.parametrize("water_w_k", [None, 5000.0])
def test_the_coil_takes_what_its_rating_says(w_per_k: float, water_w_k: float | None) -> None:
    """There and back: dry, at the flows of the test."""
    air_kg_s, water_kg_s = 0.017, 0.0633
    sides = conductances_of_rating(
        w_per_k=w_per_k, air_kg_s=air_kg_s, water_kg_s=water_kg_s, water_w_k=water_w_k
    )
    coil = Coil(
        ua_air_w_k=sides.air_w_k,
        ua_water_w_k=sides.water_w_k,
        air_kg_s=air_kg_s,
        water_kg_s=water_kg_s,
    )

    duty = coil.take(air_c=30.0, ratio=0.01, water_c=20.0)

    assert duty.wet_share == 0.0
    assert 1000.0 * duty.total_kw / 10.0 == pytest.approx(w_per_k, rel=1e-6)
    if water_w_k is not None:
        assert sides.water_w_k == water_w_k


def test_more_than_the_air_can_carry_is_refused() -> None:
    """25 W/K with 51 m³/h: the air carries no more than 17.4 W/K, whatever the core."""
    with pytest.raises(PhysicsError, match=r"25 W/K, allowed: above 0 and below 17\.4 W/K.*air"):
        conductances_of_rating(w_per_k=25.0, air_kg_s=0.017, water_kg_s=0.063)
    with pytest.raises(PhysicsError, match="little water"):
        conductances_of_rating(w_per_k=25.0, air_kg_s=0.1, water_kg_s=0.005)
    with pytest.raises(PhysicsError, match="allowed: above 0"):
        conductances_of_rating(w_per_k=0.0, air_kg_s=0.017, water_kg_s=0.063)


def test_a_water_side_that_cannot_pass_it_is_refused() -> None:
    """The two sides lie one after the other."""
    with pytest.raises(PhysicsError, match="leave ua_water_w_k out"):
        conductances_of_rating(w_per_k=12.0, air_kg_s=0.017, water_kg_s=0.063, water_w_k=15.0)


def test_less_air_than_in_the_test_takes_less() -> None:
    """With the square root of the flow; own fit to bench reports, no source to check against."""
    assert air_side_at(24.0, rated_kg_s=0.02, air_kg_s=0.005) == pytest.approx(12.0)
    with pytest.raises(PhysicsError, match="must be above 0"):
        air_side_at(24.0, rated_kg_s=0.02, air_kg_s=0.0)
