"""Several chambers on one machine: what they must not share, and what one supply can bear."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from controller.cli.main import EX_CONFIG, EX_USAGE, coldpin, status_of
from controller.settings.shipped import shipped_config

SHED = (
    shipped_config("skerrow-pi.toml").read_text(encoding="utf-8")
    + '\n[records]\npath = "/var/lib/coldpin/shed/records.sqlite"\n'
)
OWN = (
    ('name = "shed cupboard"', 'name = "barn cupboard"'),
    ("pin = 5\n", "pin = 7\n"),
    ("pin = 6\n", "pin = 8\n"),
    ("28-0119a3c4d5e6", "28-0119a3c4d5f6"),
    ("28-0119a3c4d5e7", "28-0119a3c4d5f7"),
    ("coldpin/shed/records", "coldpin/barn/records"),
)
"""What the second chamber has of its own; the room's probe is the same."""
PORT = "[lookout]\nport = 8428\n"
SUPPLY = '\n[supplies.bench]\ncurrent = "{}"\n'
FED = ('driver = "gpio"', 'driver = "gpio"\nfed_by = "bench"')


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two chambers that go well together."""
    barn = SHED
    for old, new in OWN:
        assert old in barn
        barn = barn.replace(old, new)
    (tmp_path / "shed.toml").write_text(SHED, encoding="utf-8")
    (tmp_path / "barn.toml").write_text(f"{barn}\n{PORT}", encoding="utf-8")
    relays = shipped_config("relay-modules.toml").read_text(encoding="utf-8")
    (tmp_path / "relay-modules.toml").write_text(relays, encoding="utf-8")
    return tmp_path


def change(folder: Path, *changes: tuple[str, str], name: str = "barn.toml") -> None:
    """Change one configuration."""
    path = folder / name
    text = path.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")


def hang_on_one_supply(folder: Path, *currents: str) -> None:
    """Hang every load of both chambers on one supply: twice 0.9 and 0.3 A."""
    for name, current in zip(("shed.toml", "barn.toml"), currents, strict=True):
        change(folder, FED, name=name)
        with (folder / name).open("a", encoding="utf-8") as file:
            file.write(SUPPLY.format(current))


def test_chambers_that_share_only_the_room_are_fine(folder: Path) -> None:
    """A table for people, a document for programs."""
    ran = CliRunner().invoke(coldpin, ["check", str(folder)], catch_exceptions=False)
    assert ran.exit_code == 0
    assert "2 chambers can be used side by side" in ran.output

    ran = CliRunner().invoke(coldpin, ["check", str(folder), "--json"], catch_exceptions=False)
    assert len(json.loads(ran.stdout)["chambers"]) == 2


@pytest.mark.parametrize(
    ("shed", "barn", "line"),
    [
        pytest.param("", 5, "gpio5, which the other uses too", id="a-load-of-the-other"),
        pytest.param("[inputs.level]\npin = 23\n", 23, "gpio23, which the", id="one-switch"),
        pytest.param("", 4, "gpio4, the 1-Wire bus of the other", id="the-bus-of-the-other"),
    ],
)
def test_a_level_switch_has_a_line_of_its_own(
    folder: Path, capsys: pytest.CaptureFixture[str], shed: str, barn: int, line: str
) -> None:
    """The service that starts second would find it busy, each time."""
    change(folder, ("pin = 4 ", "pin = 24 "))
    for name, text in (("shed", shed), ("barn", f"[inputs.level]\npin = {barn}\n")):
        with (folder / f"{name}.toml").open("a", encoding="utf-8") as file:
            file.write(text)

    assert status_of(["check", str(folder)]) == EX_CONFIG
    assert f"found the line {line}" in capsys.readouterr().err

    change(folder, (f"[inputs.level]\npin = {barn}\n", "[inputs.level]\npin = 27\n"))
    assert status_of(["check", str(folder)]) == 0


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        (("pin = 7", "pin = 5"), "barn and shed: loads: found the line gpio5 in both"),
        (("pin = 4 ", "pin = 6 "), "the line gpio6, the 1-Wire bus of the other"),
        (("28-0119a3c4d5f6", "28-0119a3c4d5e7"), "which is probes.reservoir of the other"),
        (("port = 8428", "port = 8427"), "lookout.port: found 8427 in both"),
        (("coldpin/barn/records", "coldpin/shed/records"), "records.path"),
        (('"barn cupboard"', '"shed cupboard"'), "chamber.name"),
    ],
)
def test_what_two_chambers_must_not_share_is_named(
    folder: Path, capsys: pytest.CaptureFixture[str], changed: tuple[str, str], says: str
) -> None:
    """With both names and with what is allowed."""
    change(folder, changed)

    assert status_of(["check", str(folder)]) == EX_CONFIG

    message = capsys.readouterr().err
    assert says in message
    assert "allowed" in message


def test_a_supply_for_both_must_bear_both(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """2.4 A need 3 A of nameplate; 2 A are enough for either alone, and not for both."""
    hang_on_one_supply(folder, "2 A", "2 A")
    assert status_of(["check", str(folder / "shed.toml")]) == 0
    capsys.readouterr()

    assert status_of(["check", str(folder)]) == EX_CONFIG
    assert "supplies.bench: found loads of 2.4 A together, allowed: 1.6 A" in (
        capsys.readouterr().err
    )


def test_a_supply_that_bears_both_is_fine(folder: Path) -> None:
    """Exactly the margin is allowed."""
    hang_on_one_supply(folder, "3 A", "3 A")
    assert status_of(["check", str(folder)]) == 0


def test_one_supply_has_one_nameplate(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Stated differently in two files, one of them is wrong."""
    hang_on_one_supply(folder, "3 A", "4 A")
    assert status_of(["check", str(folder)]) == EX_CONFIG
    assert "one nameplate for one supply" in capsys.readouterr().err


def test_a_load_on_a_supply_that_is_not_stated_is_named(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """In a single configuration too; and one that asks too much of its own supply."""
    change(folder, FED, name="shed.toml")
    assert status_of(["check", str(folder / "shed.toml")]) == EX_CONFIG
    assert 'loads.pump.fed_by: found "bench"' in capsys.readouterr().err

    with (folder / "shed.toml").open("a", encoding="utf-8") as file:
        file.write(SUPPLY.format("1 A"))
    assert status_of(["check", str(folder / "shed.toml")]) == EX_CONFIG
    assert "loads of 1.2 A together, allowed: 0.8 A" in capsys.readouterr().err


def test_every_file_of_a_folder_is_judged(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What is wrong in one is said beside what is wrong between the others."""
    change(folder, ("pin = 7", "pin = 5"))
    (folder / "attic.toml").write_text("[chamber]\nname = 3\n", encoding="utf-8")

    assert status_of(["check", str(folder)]) == EX_CONFIG

    message = capsys.readouterr().err
    assert "attic.toml: chamber.name" in message
    assert "gpio5 in both" in message


def test_a_drawing_is_of_one_configuration(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Usage, not configuration."""
    assert status_of(["check", str(folder), "--wiring", str(folder / "w.svg")]) == EX_USAGE
    assert "name one" in capsys.readouterr().err
