"""What a person reads who wrote something that is not quite TOML."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.settings.load import examine_settings
from controller.settings.shipped import shipped_config

CONFIG = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")


def problems_with(old: str, new: str, folder: Path) -> list[str]:
    assert old in CONFIG
    file = folder / "c.toml"
    file.write_text(CONFIG.replace(old, new, 1), encoding="utf-8")
    return examine_settings(file)[1]


@pytest.mark.parametrize(
    ("old", "new", "advice"),
    [
        ('cut_in = "17 C"', "cut_in = “17 C”", 'straight quotation marks; write cut_in = "17 C"'),
        ('cut_in = "17 C"', "cut_in = 17 C", 'a text in quotation marks; write "17 C"'),
        ('cut_in = "17 C"', 'cut_in = "17 C', "a quotation mark at both ends"),
        ("rh = 0.88", "rh = .5", "a digit before its point; write 0.5"),
        ("rh = 0.88", "rh = 1.", "a digit after its point; write 1.0"),
        ("lights_w = 4.0", "lights_w = 05", "without a zero in front; write 5"),
        ('from = "22:30"', "from = 7:30", 'a time of day as text; write "07:30"'),
        ('name = "hall shelf"', "name = hall shelf", 'write "hall shelf"'),
        ("rh = 0.88", "rh = 0,88", "no comma; write 0.88"),
        ("rh = 0.88", "rh = True", "small letters; write true"),
        ("[timing]", "[timing", "a bracket at both ends; write [timing]"),
        ("[timing]", 'stage "x"\n[timing]', "KEY = VALUE"),
        ("rh = 0.88", "rh = 0.88\nrh = 0.9", "each key and each table once"),
    ],
)
def test_the_line_is_shown_with_what_to_write(
    tmp_path: Path, old: str, new: str, advice: str
) -> None:
    (problem,) = problems_with(old, new, tmp_path)
    number = CONFIG[: CONFIG.index(old)].count("\n") + 1

    assert problem.startswith("is not TOML at line ")
    assert abs(int(problem.split()[5].rstrip(":")) - number) <= 1
    assert new.splitlines()[-1 if "rh = 0.9" in new else 0] in problem
    assert advice in problem


@pytest.mark.parametrize(
    ("old", "new", "advice"),
    [
        ("[timing]", '[timing]\nlow_limit = "9 C"', "timing.low_limit: found an unknown key"),
        ("[timing]", '[timing]\nlow_limit = "9 C"', "known in [limits]; move it there"),
        ("[chamber]", 'unit = "F"\n[chamber]', "known in [display]; move it there"),
    ],
)
def test_a_key_in_the_wrong_table_is_sent_to_its_own(
    tmp_path: Path, old: str, new: str, advice: str
) -> None:
    assert any(advice in problem for problem in problems_with(old, new, tmp_path))


def test_a_room_in_fahrenheit_gets_the_hint_that_cut_in_gets(tmp_path: Path) -> None:
    (problem,) = problems_with("[plant.room]\nday_c = 27.0", "[plant.room]\nday_c = 79", tmp_path)

    assert 'write "79 F" if meant' in problem


@pytest.mark.parametrize(
    ("old", "new", "part", "key", "value"),
    [
        ("day_c = 27.0", 'day_c = "81 F"', "room", "day_c", 27.222),
        ("rh = 0.88", 'rh = "88 %"', "chamber", "rh", 0.88),
        ("crop_kg = 4.0", 'crop_kg = "9 lb"', "chamber", "crop_kg", 4.0823),
        ("thickness_mm = 35.0", 'thickness_mm = "1.5 in"', "packs", "thickness_mm", 38.1),
        ("litres = 24.0", 'litres = "25 qt"', "reservoir", "litres", 23.659),
        # 0.24 for the two films and 25.4 mm of 0.029 W/(m·K), worked by hand
        ("wall_u_w_m2k = 0.51", 'wall = "1 in foam"', "chamber", "wall_u_w_m2k", 0.8962),
        (
            "volume_m3 = 0.35\nwall_area_m2 = 3.0",
            'size = "2 ft x 2 ft x 4 ft"',
            "chamber",
            "wall_area_m2",
            3.7161,
        ),
    ],
)
def test_figures_of_the_equipment_take_their_unit_as_text(
    tmp_path: Path, old: str, new: str, part: str, key: str, value: float
) -> None:
    assert old in CONFIG
    file = tmp_path / "c.toml"
    file.write_text(CONFIG.replace(old, new, 1), encoding="utf-8")

    settings, problems = examine_settings(file)

    assert problems == []
    assert settings is not None
    assert getattr(getattr(settings.plant_spec(), part), key) == pytest.approx(value, rel=1e-4)


@pytest.mark.parametrize(
    ("old", "new", "advice"),
    [
        ("rh = 0.88", 'rh = "88"', "per cent"),
        ("litres = 24.0", 'litres = "25 stone"', "allowed: the units"),
        ("volume_m3 = 0.35", 'size = "2 x 2 x 4 ft"', "found it beside wall_area_m2"),
        ("wall_u_w_m2k = 0.51", 'wall = "1 in cork"', "is not known"),
    ],
)
def test_a_text_that_is_no_such_figure_is_explained(
    tmp_path: Path, old: str, new: str, advice: str
) -> None:
    assert any(advice in problem for problem in problems_with(old, new, tmp_path))
