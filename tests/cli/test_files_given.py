"""Files that are named on the command line: a folder in its place, or a file in the folder's."""

from __future__ import annotations

import errno
from pathlib import Path

import click
import pytest

from controller.cli import people
from controller.cli.main import COMMANDS, coldpin, status_of
from controller.cli.rehearse import _scenario_path
from controller.settings.shipped import shipped_config
from tests.lookout.houses import settings_with

CONFIG = str(shipped_config("larkmoor-laptop.toml"))
REQUIRED = {
    "config": CONFIG, "configs": CONFIG, "file": "f.tar.gz", "name": "fruiting",
    "csv_file": "h.csv",
}  # fmt: skip
"""What stands for the other arguments of a command."""
SHORT = {
    "rehearse": ["--days", "0.02"], "size": [], "swap": ["--packs", "3"],
    "install": ["--dry-run"], "plan": ["--no-browser"],
}  # fmt: skip
"""Further words that make a command short, or that it cannot do without."""
STATUSES = {64, 66, 69, 75, 78}
"""No other: 0 would call the folder good, 70 is a fault of the program, 1 and 2 mean `status`."""


def file_parameters() -> list[tuple[str, str]]:
    """Return every parameter of every command that names a file: command and parameter."""
    result = []
    for name in COMMANDS:
        command = coldpin.get_command(click.Context(coldpin), name)
        assert command is not None
        result += [
            (name, str(each.name))
            for each in command.params
            if (isinstance(each.type, click.Path) and each.type.file_okay and each.name != "root")
            or each.name in {"config", "configs"}
        ]
    return result


def words_with(name: str, parameter: str, value: str) -> list[str]:
    """Return a command line in which one parameter has a value."""
    command = coldpin.get_command(click.Context(coldpin), name)
    assert command is not None
    line = [name]
    options = []
    for each in command.params:
        own = value if each.name == parameter else REQUIRED.get(str(each.name))
        if isinstance(each, click.Argument) and own is not None:
            line.append(own)
        elif each.name == parameter or (each.required and own is not None):
            assert own is not None
            options += [max(each.opts, key=len), own]
    return [*line, *options, *SHORT.get(name, [])]


@pytest.mark.parametrize(
    ("name", "parameter"), file_parameters(), ids=lambda each: each if isinstance(each, str) else ""
)
@pytest.mark.parametrize("kind", ["folder", "below-a-file"])
def test_what_is_no_file_is_words_and_a_status(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
    name: str,
    parameter: str,
    kind: str,
) -> None:
    """For each command and each file that it takes; found by asking the commands themselves."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    (tmp_path / "state").mkdir()
    (tmp_path / "h.csv").write_text("time,air_c\n2026-07-01T00:00:00Z,16\n", encoding="utf-8")
    (tmp_path / "folder").mkdir()
    bad = "folder" if kind == "folder" else "h.csv/x.toml"

    status = status_of(words_with(name, parameter, bad))

    out, err = capfd.readouterr()
    assert "Traceback" not in err
    assert status in STATUSES, err
    assert (err or out).strip()


@pytest.mark.parametrize(
    ("named", "path"),
    [
        ("of-mine.toml", "of-mine.toml"),
        ("days/of-mine", "days/of-mine"),
        ("./of-mine.toml", "of-mine.toml"),
        ("of-mine", None),
    ],
)
def test_a_scenario_is_a_name_that_ships_or_a_file(named: str, path: str | None) -> None:
    """What ends in .toml or has a folder in it is a file of one's own."""
    if path is not None:
        assert _scenario_path(named) == Path(path)
        return
    with pytest.raises(click.BadParameter, match="calm-day"):
        _scenario_path(named)


@pytest.mark.parametrize(
    ("words", "writes", "says"),
    [
        (["pause", "{config}"], "controller.cli.requests.ask", "Not done, because it cannot be"),
        (
            ["import", "{config}", "--csv", "{csv}"],
            "controller.cli.import_.add_history",
            "Nothing was changed",
        ),
        (
            ["lookout", "{config}", "--new-password"],
            "controller.lookout.page.access.new_secret",
            "No password was made",
        ),
    ],
    ids=["pause", "import", "password"],
)
def test_a_full_card_is_no_fault_of_the_configuration(
    words: list[str],
    writes: str,
    says: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """69: the place of the records cannot be used; the configuration is named in no message."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    settings_with(tmp_path)
    (tmp_path / "state" / "requests").mkdir(parents=True)
    csv = tmp_path / "past.csv"
    csv.write_text("time,air_c\n2026-07-01T10:00:00+00:00,16.0\n", encoding="utf-8")

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device", "/var/lib/coldpin/loft/x")

    monkeypatch.setattr(writes, full)
    given = {"config": tmp_path / "c.toml", "csv": csv}

    assert status_of([word.format(**given) for word in words]) == 69

    errors = capsys.readouterr().err
    assert errors.startswith(says)
    assert "/var/lib/coldpin/loft/x: No space left on device" in errors
    assert "c.toml" not in errors


def test_what_a_file_says_is_shown_as_it_stands_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Brackets and colons in a text of a person's file are no style, nor in the file's name."""
    monkeypatch.setenv("COLUMNS", "300")
    about = "A [/b] day in [plant.room] :snake: of ours"
    scenario = tmp_path / "my [old].toml"
    scenario.write_text(
        f'about = "{about}"\ndays = 0.02\nstarts = "06:00"\n'
        '[grower]\nwakes = "06:00"\nsleeps = "22:00"\n',
        encoding="utf-8",
    )

    assert status_of(["rehearse", CONFIG, "--scenario", str(scenario)]) == 0
    shown = capsys.readouterr().out.splitlines()

    assert shown[0].endswith(f"scenario {scenario}")
    assert shown[1] == about


def test_tables_show_brackets_too(capsys: pytest.CaptureFixture[str]) -> None:
    """A cell of a table is read as the text that it is."""
    table = people.table("what")
    table.add_row("[bold]a[/red] :snake:")

    people.console().print(table)

    assert "[bold]a[/red] :snake:" in capsys.readouterr().out


def test_a_scenario_that_cannot_be_used_says_so_without_words_of_a_parser(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A number in quotation marks that is none, and a key that is written wrong."""
    scenario = tmp_path / "mine.toml"
    scenario.write_text(
        'about = "x"\ndays = "two"\nstarts = "06:00"\n'
        '[grower]\nwakes = "06:00"\nsleeps = "22:00"\nswap_at = ["08:00"]\n',
        encoding="utf-8",
    )

    assert status_of(["rehearse", CONFIG, "--scenario", str(scenario)]) == 66

    errors = capsys.readouterr().err
    assert 'days: found "two", allowed: a finite number without quotation marks\n' in errors
    assert "did you mean swaps_at?" in errors
    assert "parse" not in errors


def test_a_fault_of_a_probe_that_the_chamber_lacks_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing would go wrong, and the rehearsal would look as if that did no harm."""
    scenario = tmp_path / "dead.toml"
    scenario.write_text(
        'about = "x"\ndays = 0.02\nstarts = "06:00"\n'
        '[grower]\nwakes = "06:00"\nsleeps = "22:00"\n'
        '[[faults]]\nkind = "dead_probe"\nat = "1 min"\nlasts = "1 h"\nprobe = "coil_outlet"\n',
        encoding="utf-8",
    )

    assert status_of(["rehearse", CONFIG, "--scenario", str(scenario)]) == 66
    assert (
        'faults.entry 1.probe: found "coil_outlet", which this chamber does not have, '
        "allowed: air, reservoir, room" in capsys.readouterr().err
    )
    scenario.write_text(scenario.read_text(encoding="utf-8").replace("coil_outlet", "room"))
    assert status_of(["rehearse", CONFIG, "--scenario", str(scenario)]) == 0
