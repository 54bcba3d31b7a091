"""Walls and fresh air against published figures."""

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


@pytest.mark.parametrize(
    "call",
    [
        pytest.param(lambda: env.wall_u_w_m2k("cardboard"), id="unknown-wall"),
        pytest.param(lambda: env.Layer(-0.01, 0.03), id="negative-thickness"),
        pytest.param(lambda: env.Layer(0.01, 0.0), id="no-conductivity"),
        pytest.param(lambda: env.u_value_w_m2k(inside_m2k_w=0, outside_m2k_w=0), id="no-wall"),
        pytest.param(lambda: env.u_value_w_m2k(inside_m2k_w=-1.0), id="negative-film"),
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
