"""Walls, boxes, fresh air, crop and humidifier against published figures."""

from __future__ import annotations

import pytest

from controller.errors import PhysicsError
from controller.thermal import envelope as env
from controller.thermal import moist_air as ma


@pytest.mark.parametrize(
    ("wall", "u_w_m2k"),
    [
        ("fabric", 4.16),
        ("foam-board-25", 0.907),
        ("bead-board-25", 1.092),
        ("foam-board-50", 0.509),
        ("foil-bubble", 2.40),
        ("foil-bubble-bright", 1.68),
    ],
)
def test_walls_of_the_table(wall: str, u_w_m2k: float) -> None:
    """Own sums of films 0.12 + 0.12 and the layer (R-5 per inch, R-1.0 bubble)."""
    assert env.wall_u_w_m2k(wall) == pytest.approx(u_w_m2k, rel=0.005)


def test_cold_store_wall() -> None:
    """Hundy, Trott and Welch, example 23.1: U = 0.446 W/(m²·K)."""
    u_w_m2k = env.u_value_w_m2k(
        env.Layer(0.040, 0.09),
        env.Layer(0.050, 0.037),
        env.Layer(0.012, 0.16),
        inside_m2k_w=0.3,
        outside_m2k_w=0.07,
    )

    assert u_w_m2k == pytest.approx(0.446, abs=0.001)


@pytest.mark.parametrize(
    ("wall", "ua_w_k"), [("fabric", 17.0), ("foam-board-25", 3.70), ("foil-bubble-bright", 6.80)]
)
def test_a_small_tent(wall: str, ua_w_k: float) -> None:
    """0.6 x 0.6 x 1.4 m has 4.08 m² (own)."""
    area_m2 = 2 * (0.6 * 0.6 + 2 * 0.6 * 1.4)

    assert area_m2 == pytest.approx(4.08)
    assert area_m2 * env.wall_u_w_m2k(wall) == pytest.approx(ua_w_k, rel=0.01)


@pytest.mark.parametrize(
    ("ice_kg", "days", "around_c", "ua_w_k"),
    [(15.0, 5.0, 32.2, 0.360), (20.0, 7.0, 32.2, 0.342), (10.0, 3.0, 25.0, 0.515),
     (9.07, 1.0, 22.2, 1.577)],
)  # fmt: skip
def test_box_from_the_time_its_ice_lasts(
    ice_kg: float, days: float, around_c: float, ua_w_k: float
) -> None:
    """m·L/(t·difference), the method of Burgess 1999."""
    found = env.box_ua_from_ice_w_k(ice_kg=ice_kg, hours=24.0 * days, around_c=around_c)

    assert found == pytest.approx(ua_w_k, abs=0.001)


@pytest.mark.parametrize(("conductivity", "ua_w_k"), [(0.036, 0.781), (0.025, 0.574)])
def test_box_from_its_walls(conductivity: float, ua_w_k: float) -> None:
    """0.6 x 0.4 x 0.4 m outside with 40 mm of foam (own sum, mean area as a geometric mean)."""
    found = env.box_ua_w_k(
        length_m=0.6, width_m=0.4, height_m=0.4, wall_m=0.04, conductivity_w_mk=conductivity
    )

    assert found == pytest.approx(ua_w_k, rel=0.005)


def test_ice_melted_by_a_spherical_tank() -> None:
    """Çengel, example 3-7: 7 978 W melt 2 066 kg in 24 h at 333.7 kJ/kg."""
    assert 7.978 * 86_400.0 / 333.7 == pytest.approx(2066.0, abs=1.0)
    # the same tank read backwards, with our latent heat
    ua_w_k = env.box_ua_from_ice_w_k(ice_kg=2066.0, hours=24.0, around_c=22.0)
    assert ua_w_k * 22.0 == pytest.approx(7978.0, rel=0.002)


def test_fresh_air_of_a_tent() -> None:
    """4 changes an hour, 25 °C 50 % into 17 °C 90 % (psychrolib): 5.35 and -1.65 W, 2.38 g/h."""
    fresh = env.air_exchange(
        volume_m3=0.504,
        changes_per_h=4.0,
        room_c=25.0,
        room_ratio=ma.humidity_ratio(air_c=25.0, rh=0.5),
        air_c=17.0,
        air_ratio=ma.humidity_ratio(air_c=17.0, rh=0.9),
    )

    assert fresh.dry_air_kg_s == pytest.approx(0.000653, rel=0.03)
    assert fresh.sensible_w == pytest.approx(5.35, rel=0.03)
    assert fresh.latent_w == pytest.approx(-1.65, rel=0.05)
    assert fresh.total_w == pytest.approx(3.68, rel=0.04)
    assert fresh.water_kg_h == pytest.approx(-0.00238, rel=0.03)


def test_fresh_air_rule_of_thumb() -> None:
    """0.335 W per m³/h and kelvin, the trade's factor for air of 1.2 kg/m³."""
    fresh = env.air_exchange(
        volume_m3=1.0, changes_per_h=1.0, room_c=21.0, room_ratio=0.0, air_c=20.0, air_ratio=0.0
    )

    assert fresh.total_w == pytest.approx(0.3353, rel=0.01)


@pytest.mark.parametrize(("water_kg_h", "watts"), [(0.05, -34.2), (0.10, -68.4), (0.20, -136.7)])
def test_humidifier_cools_the_air(water_kg_h: float, watts: float) -> None:
    """Evaporation at 17 °C, 2460.6 kJ/kg (IAPWS-IF97)."""
    found = env.humidifier_sensible_w(water_kg_h=water_kg_h, air_c=17.0)

    assert found == pytest.approx(watts, rel=0.01)


@pytest.mark.parametrize(
    ("crop", "crop_c", "w_kg", "tolerance"),
    [
        pytest.param("oyster-fruit", 15.0, 0.694, 0.001, id="oyster-15"),
        pytest.param("oyster-fruit", 3.5, 0.208, 0.004, id="oyster-3.5"),
        pytest.param("button-fruit", 10.0, 0.296, 0.002, id="button-10"),
        pytest.param("button-fruit", 20.0, 0.857, 0.08, id="button-20"),
        pytest.param("button-fruit", 0.0, 0.1065, 0.024, id="button-0"),
        pytest.param("compost", 16.0, 0.135, 0.046, id="compost-16"),
    ],
)
def test_respiration(crop: str, crop_c: float, w_kg: float, tolerance: float) -> None:
    """Bohling and Hansen 1989; UC Davis ranges (83 to 130, 780 to 934 mW/kg); growers' compost."""
    assert env.respiration_w(crop=crop, crop_kg=2.0, crop_c=crop_c) == pytest.approx(
        2.0 * w_kg, abs=2.0 * tolerance
    )


def test_heat_per_carbon_dioxide() -> None:
    """61 kcal per tonne and day for each mg/(kg·h) (UC Davis) is 10.68 J/mg, 2.956 mW/kg."""
    per_mg = 61.0 * 4184.0 / 1000.0 / 24.0  # J per kg and hour for each mg per kg and hour

    assert per_mg == pytest.approx(env.CO2_HEAT_J_MG, rel=0.005)
    assert per_mg / 3.6 == pytest.approx(2.956, rel=0.005)


@pytest.mark.parametrize(("rise_ppm", "m3_h"), [(400.0, 0.316), (600.0, 0.211)])
def test_fresh_air_for_a_kilogram_of_oysters(rise_ppm: float, m3_h: float) -> None:
    """234 mg/h of carbon dioxide (own, 0.0238 m³/mol)."""
    assert env.fresh_air_m3_h(co2_mg_h=234.0, allowed_rise_ppm=rise_ppm) == pytest.approx(
        m3_h, rel=0.02
    )


@pytest.mark.parametrize(
    "call",
    [
        pytest.param(lambda: env.wall_u_w_m2k("cardboard"), id="unknown-wall"),
        pytest.param(lambda: env.Layer(-0.01, 0.03), id="negative-thickness"),
        pytest.param(lambda: env.Layer(0.01, 0.0), id="no-conductivity"),
        pytest.param(lambda: env.u_value_w_m2k(inside_m2k_w=0, outside_m2k_w=0), id="no-wall"),
        pytest.param(lambda: env.u_value_w_m2k(inside_m2k_w=-1.0), id="negative-film"),
        pytest.param(
            lambda: env.box_ua_w_k(
                length_m=0.1, width_m=0.1, height_m=0.1, wall_m=0.05, conductivity_w_mk=0.03
            ),
            id="all-wall",
        ),
        pytest.param(
            lambda: env.box_ua_from_ice_w_k(ice_kg=-1.0, hours=24.0, around_c=20.0), id="ice"
        ),
        pytest.param(
            lambda: env.respiration_w(crop="fern", crop_kg=1.0, crop_c=15.0), id="crop-name"
        ),
        pytest.param(
            lambda: env.respiration_w(crop="compost", crop_kg=-1.0, crop_c=15.0), id="crop-kg"
        ),
        pytest.param(
            lambda: env.fresh_air_m3_h(co2_mg_h=100.0, allowed_rise_ppm=0.0), id="no-rise"
        ),
        pytest.param(
            lambda: env.air_exchange(
                volume_m3=1.0, changes_per_h=float("nan"), room_c=20.0, room_ratio=0.01,
                air_c=17.0, air_ratio=0.01,
            ),
            id="nan-exchange",
        ),
    ],
)  # fmt: skip
def test_impossible_figures_are_refused(call: object) -> None:
    """Named, never silently used."""
    assert callable(call)
    with pytest.raises(PhysicsError):
        call()
