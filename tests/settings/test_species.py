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
    [
        pytest.param("nameko", 12_778, 18_333, id="55-to-65-F"),
        pytest.param("golden-oyster", 21_111, 29_444, id="70-to-85-F"),
        pytest.param("phoenix-oyster", 15_556, 26_667, id="60-to-80-F"),
    ],
)
def test_cropping_bands_are_converted_from_the_sources_own_unit(
    name: str, low_mc: int, high_mc: int
) -> None:
    """Source: Stamets, Growing Gourmet and Medicinal Mushrooms, pages in the table."""
    band = read_species()[name].cropping

    assert (band.low, band.high) == (low_mc, high_mc)


@pytest.mark.parametrize(
    ("name", "middle_c"),
    [("lions-mane", 17.5), ("king-oyster", 15.0), ("enoki", 10.5), ("shiitake", 16.0)],
)
def test_where_sources_differ_the_band_lies_inside_most_of_them(name: str, middle_c: float) -> None:
    """The band to go by is one that more than half of its other sources share at its middle."""
    species = read_species()[name]
    middle_mc = round(middle_c * 1000)
    others = [row.cropping for row in species.other if row.cropping is not None]

    assert species.cropping.low < middle_mc < species.cropping.high
    assert len(others) >= 2
    agreeing = sum(band.low <= middle_mc <= band.high for band in others)
    assert agreeing * 2 >= len(others)


def test_no_gap_between_pinning_and_fruiting_that_a_cooler_cannot_cross() -> None:
    """A stage at the warm end of pinning lies in the fruiting band, or above it."""
    for species in read_species().values():
        assert species.pinning.high >= species.cropping.low


@pytest.mark.parametrize(
    ("species", "warned"),
    [("king-oyster", []), ("enoki", ["fruiting.cut_in"]), ("golden-oyster",
     ["fruiting.cut_out", "pinning.cut_out", "plant.chamber.rh: 88 % is drier"])],
    ids=["agrees", "too-warm", "too-cold-and-dry"],
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


def test_cropping_is_the_same_as_fruiting(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The books' word for the stage does not switch the check off."""
    text = CONFIG.replace('"king-oyster"', '"enoki"').replace("stages.fruiting", "stages.cropping")
    config = tmp_path / "chamber.toml"
    config.write_text(text.replace('stage = "fruiting"', 'stage = "cropping"'), encoding="utf-8")

    assert status_of(["check", str(config), "--json"]) == 0

    warnings = json.loads(capsys.readouterr().out)["warnings"]
    assert any("stages.cropping.cut_in" in warning for warning in warnings)


def test_a_band_that_another_source_gives_is_reported_with_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Enoki at 17 °C: too warm for the cautious band, not for every source."""
    config = tmp_path / "chamber.toml"
    config.write_text(CONFIG.replace('"king-oyster"', '"enoki"'), encoding="utf-8")

    assert status_of(["check", str(config), "--json"]) == 0

    (warning,) = [
        each
        for each in json.loads(capsys.readouterr().out)["warnings"]
        if "stages.fruiting.cut_in" in each
    ]
    assert "but within that of topicfoods.com" in warning
