"""What `coldpin check` warns of: supplies that may hurt wet hands."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from controller.cli.main import status_of
from controller.settings.shipped import shipped_config

CONFIG = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("supply", "warns"),
    [
        pytest.param("24 V DC", False, id="24-dc"),
        pytest.param("30 V DC", False, id="30-dc"),
        pytest.param("30.1 V DC", True, id="30.1-dc"),
        pytest.param("48 V DC", True, id="48-dc"),
        pytest.param("12 V AC", False, id="12-ac"),
        pytest.param("12.1 V AC", True, id="12.1-ac"),
    ],
)
def test_a_supply_above_the_wet_limit_is_warned_of(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], supply: str, warns: bool
) -> None:
    """12 V AC and 30 V DC where parts are wet (IEC 60364-7-701 zone 0, read at second hand)."""
    config = tmp_path / "chamber.toml"
    config.write_text(CONFIG.replace('"12 V DC"', f'"{supply}"'), encoding="utf-8")

    assert status_of(["check", str(config), "--json"]) == 0

    warnings = json.loads(capsys.readouterr().out)["warnings"]
    about = [each for each in warnings if each.startswith("loads.")]
    assert len(about) == (2 if warns else 0)
    assert all(supply in each for each in about)


@pytest.mark.parametrize(
    ("pin", "low", "why"),
    [
        pytest.param("5", "true", None, id="pull-up-and-active-low"),
        pytest.param('"BOARD29"', "false", "GPIO5 is pulled up from", id="pull-up-and-high"),
        pytest.param("14", "true", "GPIO14 is driven by the serial", id="console"),
    ],
)
def test_a_pin_that_may_switch_a_load_on_at_boot_is_warned_of(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], pin: str, low: str, why: str | None
) -> None:
    """As the relay page's table has it, where a grower asks what is wrong with the file."""
    config = tmp_path / "chamber.toml"
    text = shipped_config("skerrow-pi.toml").read_text(encoding="utf-8")
    wired = f"pin = {pin}\nactive_low = {low}"
    config.write_text(text.replace("pin = 5\nactive_low = true", wired), encoding="utf-8")

    assert status_of(["check", str(config), "--json"]) == 0

    warnings = json.loads(capsys.readouterr().out)["warnings"]
    about = [each for each in warnings if each.startswith("loads.")]
    assert [each.startswith(f"loads.pump.pin: {why}") for each in about] == [True] * bool(why)


def warnings_with(old: str, new: str, file: Path, capsys: pytest.CaptureFixture[str]) -> list[str]:
    assert old in CONFIG
    file.write_text(CONFIG.replace(old, new), encoding="utf-8")
    assert status_of(["check", str(file), "--json"]) == 0
    result: list[str] = json.loads(capsys.readouterr().out)["warnings"]
    return result


def test_a_stage_that_the_species_does_not_know_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A band that nothing was compared with must not look as if it had been found good."""
    file = tmp_path / "chamber.toml"

    result = warnings_with("[stages.pinning]", "[stages.primordia]", file, capsys)

    assert [each for each in result if each.startswith("stages.primordia: species.toml knows no")]
    assert not any("knows no stage" in each for each in warnings_with("1", "1", file, capsys))


def test_records_in_the_folder_of_another_chamber_are_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An example that was copied keeps the folder of the chamber it came from."""
    path = '[records]\npath = "/var/lib/coldpin/shed/records.sqlite"\n\n[site]'
    other, own = tmp_path / "loft.toml", tmp_path / "shed.toml"
    for file in (other, own):
        file.write_text(CONFIG.replace("[site]", path), encoding="utf-8")

    assert status_of(["check", str(other)]) == 78
    assert "the folder of the chamber shed" in capsys.readouterr().err
    assert status_of(["check", str(own)]) == 0
