"""What `coldpin check` shows of a sound configuration, and of several side by side."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from controller.cli.check import CAUTIONS, missing_probes
from controller.cli.main import status_of
from controller.settings.load import read_settings
from controller.settings.shipped import shipped_config

LAPTOP = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")
UNKNOWN_PLANT = LAPTOP[: LAPTOP.index("[plant.chamber]")]
"""The example without its plant: nothing to rehearse, so it is shown at once."""


@pytest.fixture(autouse=True)
def _columns(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "150")


def written(folder: Path, text: str = UNKNOWN_PLANT, name: str = "c.toml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def offset_air(offset: str) -> str:
    """Return the example with an offset of its first probe."""
    kind = 'kind = "simulated"'
    return UNKNOWN_PLANT.replace(kind, f'{kind}\noffset = "{offset}"', 1)


def shown(capsys: pytest.CaptureFixture[str]) -> str:
    return " ".join(capsys.readouterr().out.split())


def test_a_sound_file_is_shown_with_its_bands_probes_and_wiring(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The stage in force is marked; a night has hours of its own; every caution is there."""
    config = written(
        tmp_path,
        UNKNOWN_PLANT.replace('kind = "simulated"', 'kind = "simulated"\noffset = "-0.25 K"', 1),
    )

    assert status_of(["check", str(config)]) == 0

    text = shown(capsys)
    assert f"{config} can be used: chamber hall shelf" in text
    assert "pinning 14.5 °C 13.5 °C all day" in text
    assert "fruiting (now) 17.0 °C 15.5 °C otherwise" in text
    assert "16.5 °C 15.0 °C 22:30 to 06:30" in text
    assert "air simulated – -0.25 °C" in text
    assert "reservoir simulated – +0.00 °C" in text
    assert "pump " in text
    assert "0.6 A motor none named" in text
    assert "Nothing real is switched: every driver is dry." in text
    assert all(f"- {caution}" in text for caution in CAUTIONS)
    assert "No room probe" not in text
    assert "1-Wire bus" not in text


def test_a_narrow_terminal_gets_the_wiring_as_a_list(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Six columns cannot be read in 77 characters; they can in 78."""
    config = written(tmp_path)
    monkeypatch.setenv("COLUMNS", "77")
    status_of(["check", str(config)])
    assert "supply: 12 V DC" in shown(capsys)

    monkeypatch.setenv("COLUMNS", "78")
    status_of(["check", str(config)])
    assert "supply: 12 V DC" not in shown(capsys)


def test_what_is_not_there_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No room probe; no bus on this machine to look for ids on."""
    root = tmp_path / "no-bus"
    text = UNKNOWN_PLANT.replace('[probes.room]\nkind = "simulated"\n', "")
    for number, place in enumerate(("air", "reservoir"), 1):
        table = f'[probes.{place}]\nkind = "simulated"'
        assert table in text
        text = text.replace(
            table, f'[probes.{place}]\nkind = "one-wire"\nid = "28-0a1b2c3d4e0{number}"'
        )
    config = written(tmp_path, f'{text}\n[one_wire]\nroot = "{root}"\n')

    assert status_of(["check", str(config)]) == 0
    seen = shown(capsys)
    assert "No room probe: without one, a heat wave is seen late" in seen
    assert f"No 1-Wire bus on this machine ({root})" in seen

    # once there is a bus, every id must be on it, whatever the case of its letters
    settings = read_settings(config)
    both = ("28-0a1b2c3d4e01", "28-0a1b2c3d4e02")
    assert missing_probes(settings, both) == []
    (problem,) = missing_probes(settings, both[:1])
    assert problem.startswith('probes.reservoir.id: found "28-0a1b2c3d4e02", which is not on')
    assert "allowed: 28-0a1b2c3d4e01; " in problem
    assert all("allowed: none at all; " in each for each in missing_probes(settings, ()))
    assert missing_probes(settings, None) == []
    root.mkdir()
    assert status_of(["check", str(config)]) == 78
    assert "allowed: none at all" in capsys.readouterr().err


def test_the_document_has_what_is_shown(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """In degrees and kelvin, and words for what a load is."""
    config = written(
        tmp_path,
        UNKNOWN_PLANT.replace('kind = "simulated"', 'kind = "simulated"\noffset = "0.5 K"', 1),
    )

    assert status_of(["check", str(config), "--json"]) == 0

    document: dict[str, Any] = json.loads(capsys.readouterr().out)
    assert (document["chamber"], document["stage"], document["dry"]) == (
        "hall shelf", "fruiting", True,
    )  # fmt: skip
    assert document["stages"] == {
        "pinning": {"cut_in_c": 14.5, "cut_out_c": 13.5},
        "fruiting": {
            "cut_in_c": 17.0, "cut_out_c": 15.5,
            "night": {"cut_in_c": 16.5, "cut_out_c": 15.0, "from": "22:30", "to": "06:30"},
        },
    }  # fmt: skip
    assert document["probes"]["air"] == {"kind": "simulated", "id": None, "offset_k": 0.5}
    pump = document["loads"]["pump"]
    assert (pump["driver"], pump["mains"], pump["current_a"]) == ("dry", False, 0.6)
    assert (pump["supply"], pump["load_kind"], pump["relay_module"]) == ("12 V DC", "motor", None)
    assert document["cautions"] == list(CAUTIONS)


def test_several_are_one_table_and_may_share_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A folder stands for every configuration in it; ports must differ."""
    other = UNKNOWN_PLANT.replace('"hall shelf"', '"cellar"')
    folder = tmp_path / "chambers"
    folder.mkdir()
    written(folder, name="shelf.toml")
    written(folder, f"{other}\n[lookout]\nport = 8765\n", name="cellar.toml")

    assert status_of(["check", str(folder)]) == 0
    text = shown(capsys)
    assert "cellar.toml cellar fruiting none 8765" in text
    assert "2 chambers can be used side by side on one machine." in text

    assert status_of(["check", str(folder), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert [each["chamber"] for each in document["chambers"]] == ["cellar", "hall shelf"]

    written(folder, f"{other}\n[zigzag]\n", name="cellar.toml")
    assert status_of(["check", str(folder)]) == 78
    assert "cellar.toml: zigzag" in capsys.readouterr().err
    wiring = ["--wiring", str(tmp_path / "w.svg")]
    assert status_of(["check", str(folder), *wiring]) == 64


def test_a_warning_of_one_of_several_names_its_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Among many, nobody could tell whose it is."""
    wet = UNKNOWN_PLANT.replace('"12 V DC"', '"48 V DC"')
    folder = tmp_path / "chambers"
    folder.mkdir()
    written(folder, wet, name="shelf.toml")

    assert status_of(["check", str(folder), "--json"]) == 0

    warnings = json.loads(capsys.readouterr().out)["warnings"]
    assert [each for each in warnings if each.startswith("shelf.toml: loads.pump.supply: 48 V DC")]


def test_a_room_file_that_is_not_there_is_found_before_anything_is_said_to_be_good(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """In words, by document and by screen alike, and with several configurations."""
    config = written(tmp_path, LAPTOP.replace("[plant.room]", '[plant.room]\ncsv = "r.csv"'))

    for options in ([], ["--json"], [str(written(tmp_path, name="d.toml"))]):
        assert status_of(["check", str(config), *options]) == 78
        streams = capsys.readouterr()
        assert streams.out == ""
        assert f"{tmp_path / 'r.csv'}: cannot be read: No such file or directory" in streams.err
