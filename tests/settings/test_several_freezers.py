"""[plant.more_freezers.NAME]: further freezers are counted, and refused by their own place."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.settings.foresight_of import freezer_packs_per_day
from controller.settings.load import examine_settings, read_settings
from controller.settings.plant_sources import assumed_figures
from controller.settings.shipped import shipped_config

CONFIG = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")
KITCHEN = '[plant.freezer]\nlitres = 90.0\nstars = 4\nfood = "full"\n'


def written(folder: Path, freezers: str) -> Path:
    file = folder / "c.toml"
    assert "[plant.freezer]\nlitres = 300.0\n" in CONFIG
    text = CONFIG.replace("[plant.freezer]\nlitres = 300.0\n", freezers)
    file.write_text(text, encoding="utf-8")
    return file


def test_what_each_freezes_is_added(tmp_path: Path) -> None:
    """4.05 kg of food by its 90 L, half of it for packs, and 12 kg: packs of 1 kg at 0.777."""
    kitchen = read_settings(written(tmp_path, KITCHEN))
    both = read_settings(
        written(tmp_path, f"{KITCHEN}[plant.more_freezers.garage]\nkg_per_day = 12.0\n")
    )

    alone, together = freezer_packs_per_day(kitchen), freezer_packs_per_day(both)

    assert alone is not None
    assert together is not None
    assert alone == pytest.approx(0.5 * 4.05 * 0.777, rel=0.001)
    assert together - alone == pytest.approx(12.0 * 0.777, rel=0.001)


@pytest.mark.parametrize(
    ("freezers", "problem"),
    [
        (
            f"{KITCHEN}[plant.more_freezers.garage]\nkg_per_day = 12000\n",
            "plant.more_freezers.garage: kg_per_day is 12000.0 kg/day; it must lie between",
        ),
        (
            f'{KITCHEN}[plant.more_freezers.garage]\nfood = "lots"\n',
            'plant.more_freezers.garage.food: found "lots", allowed: "none", "half" or "full"',
        ),
        (
            f"{KITCHEN}[plant.more_freezers.garage]\nliters = 90\n",
            "plant.more_freezers.garage.liters: found an unknown key, allowed: kg_per_day, litres",
        ),
        (
            "[plant.more_freezers.garage]\nkg_per_day = 12\n",
            "plant.more_freezers: found garage and no [plant.freezer], allowed: the first freezer",
        ),
    ],
)
def test_what_is_wrong_is_said_where_it_stands(tmp_path: Path, freezers: str, problem: str) -> None:
    (problem_line,) = examine_settings(written(tmp_path, freezers))[1]

    assert problem_line.startswith(problem)


def test_what_a_second_freezer_leaves_out_is_said_to_be_assumed(tmp_path: Path) -> None:
    file = written(tmp_path, f'{KITCHEN}[plant.more_freezers.garage]\nfood = "half"\n')

    assumed = {each.key: each.value for each in assumed_figures(read_settings(file))}

    assert assumed["plant.more_freezers.garage.litres"] == 300.0
    assert "plant.more_freezers.garage.food" not in assumed
    assert "plant.freezer.litres" not in assumed
