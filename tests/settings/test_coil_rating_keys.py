"""[plant.coil] by a label or a bench test: read in people's units, and refused with a way out."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.errors import SettingsError
from controller.settings.load import read_settings
from controller.settings.plant_sources import assumed_figures
from controller.settings.shipped import shipped_config
from controller.thermal.coil import Coil
from controller.thermal.specs import CoilSpec

LAPTOP = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")
OWN = "ua_air_w_k = 6.0\nair_kg_s = 0.010\nwater_kg_s = 0.010\n"
RATED = 'rated_w_per_k = "120 W at 10 K"\nrated_air_m3_h = "30 cfm"\nrated_l_min = "1 gpm"\n'


def coil_of(folder: Path, text: str) -> CoilSpec:
    """Return the coil of the example with these lines for its own."""
    assert OWN in LAPTOP
    path = folder / "shelf.toml"
    path.write_text(LAPTOP.replace(OWN, text), encoding="utf-8")
    return read_settings(path).plant_spec().coil


def dry_w_per_k(coil: CoilSpec) -> float:
    """Return what a core takes from dry air, per kelvin."""
    core = Coil(
        ua_air_w_k=coil.ua_air_w_k,
        ua_water_w_k=coil.ua_water_w_k,
        air_kg_s=coil.air_kg_s,
        water_kg_s=coil.water_kg_s,
    )
    return 100.0 * core.take(air_c=30.0, ratio=0.01, water_c=20.0).total_kw


def test_a_rating_in_watts_at_a_difference(tmp_path: Path) -> None:
    """Flows that are left out are those of the test; the core then takes what was rated."""
    coil = coil_of(tmp_path, RATED)

    assert dry_w_per_k(coil) == pytest.approx(12.0, rel=1e-6)
    assert coil.air_kg_s == pytest.approx(30 * 1.699011 * 1.2 / 3600)
    assert coil.water_kg_s == pytest.approx(3.785412 / 60)


def test_a_rating_as_plain_numbers(tmp_path: Path) -> None:
    """In the units that the keys name."""
    plain = "rated_w_per_k = 12\nrated_air_m3_h = 50.97\nrated_l_min = 3.785\n"

    assert coil_of(tmp_path, plain).ua_air_w_k == pytest.approx(
        coil_of(tmp_path, RATED).ua_air_w_k, rel=1e-3
    )


def test_own_flows_differ_from_those_of_the_test(tmp_path: Path) -> None:
    """A quieter fan and a smaller pump take less than the label says."""
    coil = coil_of(tmp_path, RATED + "air_kg_s = 0.0085\nwater_kg_s = 0.01\n")

    assert (coil.air_kg_s, coil.water_kg_s) == (0.0085, 0.01)
    assert 6.0 < dry_w_per_k(coil) < 9.0


def test_nothing_of_a_rated_coil_counts_as_assumed(tmp_path: Path) -> None:
    """All four figures follow from what was given."""
    coil_of(tmp_path, RATED)
    settings = read_settings(tmp_path / "shelf.toml")

    assert not [each.key for each in assumed_figures(settings) if "coil" in each.key]


def test_a_fit_takes_the_place_of_a_rating(tmp_path: Path) -> None:
    """What was measured holds; the flows of the rating stay."""
    (tmp_path / "fit.toml").write_text("[plant.coil]\nua_air_w_k = 9.0\n", encoding="utf-8")
    path = tmp_path / "shelf.toml"
    text = LAPTOP.replace(OWN, RATED) + '\n[plant]\nfitted = "fit.toml"\n'
    path.write_text(text, encoding="utf-8")

    coil = read_settings(path).plant_spec().coil

    assert coil.ua_air_w_k == 9.0
    assert coil.water_kg_s == pytest.approx(3.785412 / 60)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        pytest.param("rated_w_per_k = 12\n", "without rated_air_m3_h and rated_l_min", id="half"),
        pytest.param(RATED + "ua_air_w_k = 6.0\n", "beside ua_air_w_k", id="twice"),
        pytest.param(RATED.replace("120 W at 10 K", "120 W"), "120 W at 10 K", id="no-difference"),
        pytest.param(RATED.replace("10 K", "0 K"), "a difference above 0", id="no-kelvin"),
        pytest.param(RATED.replace("120 W", "1200 W"), "most that so little air", id="too-much"),
        pytest.param(RATED.replace('"30 cfm"', '"30 knots"'), "the units m3/h", id="unit"),
        pytest.param(RATED.replace('"30 cfm"', "-4"), "a number above 0", id="negative"),
    ],
)
def test_what_cannot_be_used_is_refused_with_a_way_out(
    tmp_path: Path, text: str, message: str
) -> None:
    """Every message names the key, what was found and what is allowed."""
    with pytest.raises(SettingsError) as refused:
        coil_of(tmp_path, text)

    (problem,) = refused.value.problems
    assert message in problem
    assert problem.startswith("plant.coil")
    assert "allowed" in problem


def test_an_area_is_read_in_square_feet(tmp_path: Path) -> None:
    """As the key reference shows it: the unit itself has a digit in it."""
    path = tmp_path / "shelf.toml"
    text = LAPTOP.replace("wall_area_m2 = 3.0", 'wall_area_m2 = "40 ft2"')
    path.write_text(text, encoding="utf-8")

    assert read_settings(path).plant_spec().chamber.wall_area_m2 == pytest.approx(3.716, abs=1e-3)
