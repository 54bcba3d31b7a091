"""Packs: heat against temperature, and a melting front against its exact solution."""

from __future__ import annotations

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


def melted_after(faces: PackFaces, *, seconds: float, water_c: float) -> float:
    """Return the melted share after a time in water of one temperature, from frozen at 0 °C."""

    def rate(_t: float, y: list[float]) -> list[float]:
        share = min(1.0, float(y[0]))
        return [water_c * faces.conductance_w_kgk(share) / (1000.0 * ICE.latent_kj_kg)]

    return float(solve_ivp(rate, (0.0, seconds), [0.0], rtol=1e-8, atol=1e-10).y[0][-1])


@pytest.mark.parametrize(
    ("thickness_mm", "film", "water_c", "hours"),
    [
        pytest.param(30.0, 200.0, 8.0, 3.194, id="thick-stirred-8"),
        pytest.param(30.0, 100.0, 5.0, 6.500, id="thick-still-5"),
        pytest.param(20.0, 200.0, 8.0, 1.613, id="thin-stirred-8"),
    ],
)
def test_melting_time_of_a_slab(
    thickness_mm: float, film: float, water_c: float, hours: float
) -> None:
    """Plank's moving front, used for thawing from both faces: ρL/ΔT·(a/2h + a²/8k)."""
    faces = PackFaces(thickness_mm=thickness_mm, film_w_m2k=film)

    assert melted_after(faces, seconds=hours * 3600.0, water_c=water_c) == pytest.approx(
        1.0, rel=0.005
    )


@pytest.mark.parametrize(
    ("diameter_mm", "hours"),
    [pytest.param(65.0, 6.40, id="half-litre"), pytest.param(108.0, 16.63, id="two-litre")],
)
def test_melting_time_of_a_bottle(diameter_mm: float, hours: float) -> None:
    """Plank's cylinder, ρL/ΔT·(D/4h + D²/16k), in 8 °C water with 200 W/(m²·K).

    The last twentieth of a thread of ice is counted as broken up, so a twentieth may be missing.
    """
    d = diameter_mm / 1000.0
    by_plank_h = 1000.0 * 333_430.0 / 8.0 * (d / 800.0 + d * d / (16.0 * 0.56)) / 3600.0
    assert by_plank_h == pytest.approx(hours, rel=0.02)
    faces = PackFaces(thickness_mm=diameter_mm, film_w_m2k=200.0, shape="bottle")
    assert melted_after(faces, seconds=by_plank_h * 3600.0, water_c=8.0) == pytest.approx(
        1.0, abs=0.06
    )
    assert melted_after(faces, seconds=0.5 * by_plank_h * 3600.0, water_c=8.0) < 0.8


def test_a_bottle_offers_the_area_of_its_side() -> None:
    """100 mm across: 4/(ρ·D) = 0.040 m²/kg, twice a slab of that thickness."""
    bottle = PackFaces(thickness_mm=100.0, film_w_m2k=100.0, shape="bottle")

    assert bottle.area_m2_kg == pytest.approx(0.040)
    assert bottle.area_m2_kg == pytest.approx(
        2 * PackFaces(thickness_mm=100.0, film_w_m2k=100.0).area_m2_kg
    )


@pytest.mark.parametrize(
    ("seconds", "melted"), [(600.0, 0.1397), (1800.0, 0.3132), (3600.0, 0.4951), (7200.0, 0.7593)]
)
def test_melted_share_over_time(seconds: float, melted: float) -> None:
    """30 mm, 200 W/(m²·K), water at 8 °C: the front's square root, own closed form."""
    faces = PackFaces(thickness_mm=30.0, film_w_m2k=200.0)

    assert melted_after(faces, seconds=seconds, water_c=8.0) == pytest.approx(melted, rel=0.005)


def test_rate_falls_as_the_ice_goes() -> None:
    """Start, middle and end of 30 mm in 8 °C water: 106.7, 29.0 in the mean, 16.8 W/kg."""
    faces = PackFaces(thickness_mm=30.0, film_w_m2k=200.0)

    assert 8.0 * faces.conductance_w_kgk(0.0) == pytest.approx(106.7, rel=0.005)
    assert 8.0 * faces.conductance_w_kgk(1.0) == pytest.approx(16.8, rel=0.005)


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
    ],
)
def test_impossible_packs_are_refused(call: object) -> None:
    """Named, never silently used."""
    assert callable(call)
    with pytest.raises(PhysicsError):
        call()
