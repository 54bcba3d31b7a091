"""Packs: heat against temperature, and a melting front against its exact solution."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from controller.errors import PhysicsError
from controller.thermal.packs import (
    FILLS,
    Fill,
    PackFaces,
    melted_share,
    pack_c,
    pack_kj_kg,
)

ICE = FILLS["ice"]


@pytest.mark.parametrize(
    ("thickness_mm", "film", "water_c", "hours", "mean_w_kg"),
    [
        pytest.param(30.0, 200.0, 8.0, 3.194, 29.0, id="thick-stirred-8"),
        pytest.param(30.0, 100.0, 5.0, 6.500, 14.2, id="thick-still-5"),
        pytest.param(20.0, 200.0, 8.0, 1.613, 57.4, id="thin-stirred-8"),
    ],
)
def test_melting_time_of_a_slab(
    thickness_mm: float, film: float, water_c: float, hours: float, mean_w_kg: float
) -> None:
    """Plank's moving front, used for thawing from both faces (own closed form)."""
    faces = PackFaces(thickness_mm=thickness_mm, film_w_m2k=film)
    seconds = faces.melt_s(water_c=water_c, fill=ICE)

    assert seconds / 3600.0 == pytest.approx(hours, rel=0.005)
    assert 1000.0 * ICE.latent_kj_kg / seconds == pytest.approx(mean_w_kg, rel=0.005)


@pytest.mark.parametrize(
    ("seconds", "melted"), [(600.0, 0.1397), (1800.0, 0.3132), (3600.0, 0.4951), (7200.0, 0.7593)]
)
def test_melted_share_over_time(seconds: float, melted: float) -> None:
    """30 mm, 200 W/(m²·K), water at 8 °C; and the rate integrated by scipy agrees."""
    faces = PackFaces(thickness_mm=30.0, film_w_m2k=200.0)
    solved = solve_ivp(
        lambda _t, y: [8.0 * faces.conductance_w_kgk(y[0]) / (1000.0 * ICE.latent_kj_kg)],
        (0.0, seconds),
        [0.0],
        rtol=1e-9,
        atol=1e-12,
    )

    found = faces.melted_after(seconds=seconds, water_c=8.0, fill=ICE)
    assert found == pytest.approx(melted, rel=0.005)
    assert solved.y[0][-1] == pytest.approx(found, rel=1e-5)


def test_rate_falls_as_the_ice_goes() -> None:
    """Start, middle and end of 30 mm in 8 °C water: 106.7, 29.0 in the mean, 16.8 W/kg."""
    faces = PackFaces(thickness_mm=30.0, film_w_m2k=200.0)

    assert 8.0 * faces.conductance_w_kgk(0.0) == pytest.approx(106.7, rel=0.005)
    assert 8.0 * faces.conductance_w_kgk(1.0) == pytest.approx(16.8, rel=0.005)


@pytest.mark.parametrize("water_c", [0.0, -1.0])
def test_a_pack_never_melts_at_its_plateau(water_c: float) -> None:
    """No difference, no melting."""
    faces = PackFaces(thickness_mm=30.0, film_w_m2k=200.0)

    assert faces.melt_s(water_c=water_c, fill=ICE) == math.inf
    assert faces.melted_after(seconds=1e6, water_c=water_c, fill=ICE) == 0.0


def test_gel_holds_a_little_less_than_ice() -> None:
    """Thickener carries no latent heat: the trade's budget is 300 to 334 kJ/kg."""
    assert 300.0 <= FILLS["gel"].latent_kj_kg < ICE.latent_kj_kg
    assert FILLS["gel"].plateau_c == 0.0


def test_salt_eutectics() -> None:
    """KCl 19.5 %: -10.7 °C, 283 kJ/kg; NaCl 23.3 %: -21.1 °C, 222 to 236 kJ/kg (Zalba 2003)."""
    assert (FILLS["salt-11"].plateau_c, FILLS["salt-11"].latent_kj_kg) == (-10.7, 283.0)
    assert FILLS["salt-21"].plateau_c == -21.1
    assert 222.0 <= FILLS["salt-21"].latent_kj_kg <= 236.0


@pytest.mark.parametrize("name", sorted(FILLS))
@given(above_kj_kg=st.floats(-50.0, 400.0))
def test_heat_and_temperature_agree(name: str, above_kj_kg: float) -> None:
    """Heat content gives temperature and melted share, and they give the heat content back."""
    fill = FILLS[name]
    kj_kg = above_kj_kg - fill.latent_kj_kg
    share = melted_share(fill, kj_kg)

    back = pack_kj_kg(fill, frozen_share=1.0 - share, pack_c=pack_c(fill, kj_kg))
    assert back == pytest.approx(kj_kg, abs=1e-6)


@given(low=st.floats(-450.0, 120.0), more=st.floats(0.0, 200.0))
def test_more_heat_never_cools(low: float, more: float) -> None:
    """Temperature and melted share rise with heat content."""
    assert pack_c(ICE, low + more) >= pack_c(ICE, low)
    assert melted_share(ICE, low + more) >= melted_share(ICE, low)


@pytest.mark.parametrize(
    ("frozen_share", "given_c", "kj_kg"),
    [
        pytest.param(1.0, -18.0, -18.0 * 2.03 - 333.43, id="cold"),
        pytest.param(1.0, 0.0, -333.43, id="at-plateau"),
        pytest.param(1.0, 5.0, -333.43, id="frozen-is-never-warm"),
        pytest.param(0.5, -18.0, -166.715, id="half"),
        pytest.param(0.0, 10.0, 41.9, id="melted"),
        pytest.param(0.0, -5.0, 0.0, id="melted-is-never-cold"),
    ],
)
def test_heat_content_from_what_people_see(
    frozen_share: float, given_c: float, kj_kg: float
) -> None:
    """A frozen share and a temperature that contradict each other: the share wins."""
    assert pack_kj_kg(ICE, frozen_share=frozen_share, pack_c=given_c) == pytest.approx(kj_kg)


@pytest.mark.parametrize(
    "call",
    [
        pytest.param(lambda: pack_kj_kg(ICE, frozen_share=1.1, pack_c=0.0), id="share"),
        pytest.param(lambda: pack_kj_kg(ICE, frozen_share=1.0, pack_c=-300.0), id="cold"),
        pytest.param(lambda: PackFaces(thickness_mm=-1.0, film_w_m2k=100.0), id="thickness"),
        pytest.param(lambda: PackFaces(thickness_mm=30.0, film_w_m2k=0.0), id="film"),
        pytest.param(
            lambda: Fill(plateau_c=0, latent_kj_kg=-1, solid_kj_kgk=2, liquid_kj_kgk=4),
            id="latent",
        ),
        pytest.param(
            lambda: PackFaces(thickness_mm=30, film_w_m2k=100).melted_after(
                seconds=-1, water_c=8, fill=ICE
            ),
            id="time",
        ),
    ],
)
def test_impossible_packs_are_refused(call: object) -> None:
    """Named, never silently used."""
    assert callable(call)
    with pytest.raises(PhysicsError):
        call()
