"""Freezing times by Plank and freezer capacity, against worked examples."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.errors import PhysicsError
from controller.thermal import freezing as fz
from controller.thermal.packs import FILLS
from controller.thermal.specs import PackSpec


def test_slab_of_meat() -> None:
    """Geankoplis, example 5.5-2: 63.5 mm of beef at -28.9 °C freezes in 2.394e4 s = 6.65 h."""
    seconds = fz.plank_s(
        thickness_m=0.0635, film_w_m2k=17.0, around_c=244.3 - 273.15, freezing_c=270.4 - 273.15,
        kj_kg=0.75 * 335.0, density_kg_m3=1057.0, frozen_w_mk=1.038,
    )  # fmt: skip

    assert seconds == pytest.approx(2.394e4, rel=0.002)
    assert seconds / 3600.0 == pytest.approx(6.65, rel=0.002)


@pytest.mark.parametrize(
    ("thickness_mm", "film", "hours"),
    [(20, 5, 10.41), (20, 10, 5.26), (20, 20, 2.69), (30, 5, 15.70), (30, 10, 7.98),
     (30, 20, 4.12), (40, 5, 21.05), (40, 10, 10.76), (40, 20, 5.61)],
)  # fmt: skip
def test_water_packs_from_their_freezing_point(
    thickness_mm: float, film: float, hours: float
) -> None:
    """Both faces in -18 °C air, latent heat alone (own evaluation of Plank's equation)."""
    seconds = fz.plank_s(thickness_m=thickness_mm / 1000.0, film_w_m2k=film, around_c=-18.0)

    assert seconds / 3600.0 == pytest.approx(hours, rel=0.003)


def test_a_pack_on_a_shelf_takes_twice_as_long() -> None:
    """One face: twice the film term, four times the depth term: 16.49 h for 30 mm."""
    seconds = fz.plank_s(thickness_m=0.030, film_w_m2k=10.0, around_c=-18.0, one_face=True)

    assert seconds / 3600.0 == pytest.approx(16.49, rel=0.003)


def test_salt_pack_takes_longer_than_water() -> None:
    """KCl eutectic, -10.7 °C, 283 kJ/kg, 1126 kg/m³: 18.81 h in a -18 °C freezer."""
    seconds = fz.plank_s(
        thickness_m=0.030, film_w_m2k=10.0, around_c=-18.0, freezing_c=-10.7, kj_kg=283.0,
        density_kg_m3=1126.0,
    )  # fmt: skip

    assert seconds / 3600.0 == pytest.approx(18.81, rel=0.003)


def test_salt_pack_below_the_freezer_never_freezes() -> None:
    """A -21.1 °C plateau in -18 °C air."""
    assert fz.plank_s(thickness_m=0.03, film_w_m2k=10.0, around_c=-18.0, freezing_c=-21.1) == (
        math.inf
    )
    assert fz.refreeze_h(PackSpec(fill="salt-21")) == math.inf


def test_shapes_freeze_in_the_order_of_their_surface() -> None:
    """Plank's factors: a sphere before a cylinder before a slab of the same thickness."""
    times = [
        fz.plank_s(thickness_m=0.03, film_w_m2k=10.0, around_c=-18.0, shape=shape)
        for shape in ("sphere", "cylinder", "slab")
    ]

    assert times[0] * 3 == pytest.approx(times[2])
    assert times[1] * 2 == pytest.approx(times[2])


def test_refreezing_takes_the_sensible_heat_along() -> None:
    """412 kJ/kg instead of 333: 30 mm from 10 °C takes 9.86 h."""
    assert fz.refreeze_h(PackSpec(thickness_mm=30.0)) == pytest.approx(9.86, rel=0.005)


def test_the_growers_own_hours_win() -> None:
    """A measured figure beats any equation."""
    assert fz.refreeze_h(PackSpec(refreeze_h=14.0)) == 14.0


@pytest.mark.parametrize(
    ("litres", "kg_day", "watts", "from_ten_kg"),
    [(100.0, 4.5, 24.7, 5.19), (200.0, 9.0, 49.5, 10.37), (300.0, 13.5, 74.2, 15.56)],
)
def test_least_that_a_four_star_freezer_does(
    litres: float, kg_day: float, watts: float, from_ten_kg: float
) -> None:
    """4.5 kg per 100 L and day from 25 °C by the EU definition; as watts on water, from 10 °C."""
    assert fz.freezer_kg_per_day(litres=litres) == pytest.approx(kg_day)
    assert fz.freezer_load_w(kg_per_day=kg_day, from_c=25.0) == pytest.approx(watts, rel=0.003)
    assert fz.freezer_kg_per_day(litres=litres, from_c=10.0) == pytest.approx(
        from_ten_kg, rel=0.003
    )


def test_a_tiny_freezer_does_two_kilograms() -> None:
    """The definition never asks for less."""
    assert fz.freezer_kg_per_day(litres=10.0) == 2.0


def test_a_small_freezer_cannot_carry_30_watts() -> None:
    """6.42 kg a day from 8 °C: too much for 100 L, not for 200 L."""
    needed_kg = 6.42

    assert fz.freezer_kg_per_day(litres=100.0, from_c=10.0) < needed_kg
    assert fz.freezer_kg_per_day(litres=200.0, from_c=10.0) > needed_kg


def test_sets_in_rotation() -> None:
    """9.9 h to refreeze, 12.7 h in use: two sets."""
    sets = fz.sets_in_rotation(refreeze_h=9.9, hours_per_set=12.7)

    assert sets == pytest.approx(1.78, abs=0.01)
    assert math.ceil(sets) == 2
    assert fz.sets_in_rotation(refreeze_h=math.inf, hours_per_set=5.0) == math.inf


@given(thickness_mm=st.floats(5, 100), film=st.floats(3, 40), freezer_c=st.floats(-35, -5))
def test_thicker_packs_and_warmer_freezers_take_longer(
    thickness_mm: float, film: float, freezer_c: float
) -> None:
    """Monotonic in everything a grower can change."""
    base = fz.plank_s(thickness_m=thickness_mm / 1e3, film_w_m2k=film, around_c=freezer_c)

    assert fz.plank_s(thickness_m=thickness_mm / 900, film_w_m2k=film, around_c=freezer_c) > base
    assert fz.plank_s(thickness_m=thickness_mm / 1e3, film_w_m2k=film, around_c=freezer_c + 1) > (
        base
    )
    assert fz.plank_s(thickness_m=thickness_mm / 1e3, film_w_m2k=film * 1.1, around_c=freezer_c) < (
        base
    )


@pytest.mark.parametrize(
    "call",
    [
        pytest.param(
            lambda: fz.plank_s(thickness_m=-0.03, film_w_m2k=10, around_c=-18), id="thickness"
        ),
        pytest.param(
            lambda: fz.plank_s(thickness_m=0.03, film_w_m2k=10, around_c=float("nan")), id="nan"
        ),
        pytest.param(
            lambda: fz.plank_s(
                thickness_m=0.03, film_w_m2k=10, around_c=-18, shape="sphere", one_face=True
            ),
            id="face-of-a-sphere",
        ),
        pytest.param(lambda: fz.freezer_kg_per_day(litres=0.0), id="no-freezer"),
        pytest.param(lambda: fz.sets_in_rotation(refreeze_h=5.0, hours_per_set=0.0), id="no-time"),
        pytest.param(
            lambda: fz.freezing_heat_kj_kg(FILLS["salt-11"], from_c=5.0, to_c=-5.0),
            id="not-cold-enough",
        ),
    ],
)
def test_impossible_figures_are_refused(call: object) -> None:
    """Named, never silently used."""
    assert callable(call)
    with pytest.raises(PhysicsError):
        call()
