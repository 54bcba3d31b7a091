"""The table of species, and warnings where a stage and a species do not agree."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from controller.cli.main import status_of
from controller.settings.shipped import shipped_config
from controller.settings.species import read_species

CONFIG = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")


def test_every_species_has_a_source_and_bands_the_right_way_round() -> None:
    """No row without its source; from below to, in air and in humidity."""
    table = read_species()

    assert len(table) >= 10
    for species in table.values():
        assert len(species.source) > 15
        for band in (species.pinning, species.cropping):
            assert band.low < band.high
            assert band.rh[0] < band.rh[1]


@pytest.mark.parametrize(
    ("name", "low_mc", "high_mc"),
    [("enoki", 10_000, 15_556), ("nameko", 12_778, 18_333), ("button", 13_889, 16_667)],
)
def test_cropping_bands_are_converted_from_the_sources_own_unit(
    name: str, low_mc: int, high_mc: int
) -> None:
    """50 to 60 °F, 55 to 65 °F and 57 to 62 °F.

    Source: Stamets, Growing Gourmet and Medicinal Mushrooms, p. 231 and its nameko page; Penn
    State, Basic procedures for Agaricus mushroom growing; conversion exact by definition.
    """
    band = read_species()[name].cropping

    assert (band.low, band.high) == (low_mc, high_mc)


@pytest.mark.parametrize(
    ("species", "warned"),
    [("king-oyster", []), ("enoki", ["cropping.cut_in", "pinning.cut_in"]), ("golden-oyster",
     ["cropping.cut_out", "pinning.cut_out"])],
    ids=["agrees", "too-warm", "too-cold"],
)  # fmt: skip
def test_check_warns_where_stage_and_species_do_not_agree(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], species: str, warned: list[str]
) -> None:
    """A warning and not an error: strains differ, and the grower's own stages win."""
    config = tmp_path / "chamber.toml"
    config.write_text(CONFIG.replace('"king-oyster"', f'"{species}"'), encoding="utf-8")

    assert status_of(["check", str(config), "--json"]) == 0
    warnings = json.loads(capsys.readouterr().out)["warnings"]

    for path in warned:
        assert any(path in warning for warning in warnings)
    assert bool(warnings) is bool(warned)


def test_unknown_species_is_refused_with_the_nearest(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A typo must not silently switch the warnings off."""
    config = tmp_path / "chamber.toml"
    config.write_text(CONFIG.replace('"king-oyster"', '"king-oister"'), encoding="utf-8")

    assert status_of(["check", str(config)]) == 78
    assert 'did you mean "king-oyster"' in capsys.readouterr().err
