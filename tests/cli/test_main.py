"""The program itself: its help, its exit statuses, and output that loses its reader."""

from __future__ import annotations

import errno
import gc
import os
import re
import subprocess
import sys
from pathlib import Path

import click
import pytest

from controller.cli import main as main_module
from controller.cli.main import (
    EX_NOINPUT,
    EX_USAGE,
    HELP,
    PIPE_CLOSED,
    status_of,
)
from controller.errors import (
    BusyError,
    InputFileError,
    NoAnswerError,
    NotDoneError,
    ProbeError,
    ScenarioError,
    SettingsError,
)

ROOT = Path(__file__).parents[2]
LAPTOP = str(ROOT / "config" / "larkmoor-laptop.toml")


@pytest.mark.parametrize(
    "arguments", [["check", LAPTOP], ["check", LAPTOP, "--json"], ["--help"]], ids=" ".join
)
def test_output_without_a_reader_is_no_alarm(arguments: list[str]) -> None:
    """As in `coldpin status | head -1`: click and rich would both end with 1."""
    reads, writes = os.pipe()
    os.close(reads)
    with os.fdopen(writes, "wb") as closed:
        ran = subprocess.run(
            [sys.executable, "-m", "controller", *arguments],
            stdout=closed, stderr=subprocess.PIPE, cwd=ROOT, check=False,
        )  # fmt: skip

    assert ran.returncode == PIPE_CLOSED == 141
    assert ran.stderr == b""


def test_help_is_printed_whole_and_loads_no_command() -> None:
    """Every line as it is, and neither rich nor pydantic nor a room of the package but cli."""
    script = (
        "import sys; from controller.cli.main import status_of; status_of(['--help']);"
        "print(*sorted(n for n in sys.modules if n.startswith('controller.')), file=sys.stderr);"
        "print(*{'rich', 'pydantic', 'sqlite3'} & set(sys.modules), file=sys.stderr)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", script], env={"COLUMNS": "80"}, capture_output=True, text=True,
        cwd=ROOT, check=True,
    )  # fmt: skip

    loaded, heavy = ran.stderr.split("\n")[:2]
    assert loaded.split() == [
        "controller.cli",
        "controller.cli.main",
        "controller.errors",
        "controller.system_zone",
    ]
    assert heavy == ""
    for lines in HELP.values():
        for name, line in lines.items():
            assert re.search(rf"^  {name} +{re.escape(line)}$", ran.stdout, re.MULTILINE)


def test_no_garbage_is_looked_for_while_a_command_is_imported(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """But again after it, also where the import fails."""
    (tmp_path / "made_up_command.py").write_text(
        "import click, gc\nlooks = gc.isenabled()\nmade_up = click.Command('made-up')\n"
    )
    monkeypatch.syspath_prepend(tmp_path)
    for name in ("made_up_command", "made_up_and_not_there"):
        monkeypatch.setitem(main_module.COMMANDS, name, name)
    monkeypatch.setitem(main_module._NAMES, "made_up_command", "made_up")
    context = click.Context(main_module.coldpin)

    assert main_module.coldpin.get_command(context, "made_up_command") is not None
    assert not sys.modules.pop("made_up_command").looks
    assert gc.isenabled()
    with pytest.raises(ModuleNotFoundError):
        main_module.coldpin.get_command(context, "made_up_and_not_there")
    assert gc.isenabled()


@pytest.mark.parametrize(
    ("typed", "meant"), [("chek", "check"), ("rehearsal", "rehearse"), ("first_run", "first-run")]
)
def test_misspelt_command_is_answered_with_the_nearest(
    typed: str, meant: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """As options and keys are."""
    assert status_of([typed]) == EX_USAGE

    shown = capsys.readouterr().err
    assert f"found no command `{typed}`. Did you mean `coldpin {meant}`?" in shown


def test_a_command_like_no_other_is_answered_with_the_list(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """No guess where there is nothing near."""
    assert status_of(["xyzzy"]) == EX_USAGE

    shown = capsys.readouterr().err
    assert "found no command `xyzzy`. `coldpin --help` lists them all." in shown
    assert "Did you mean" not in shown


WRONG_NAMES = [
    ["rehearse", LAPTOP, "--scenario", "hot-week"],
    ["rehearse", LAPTOP, "--days", "0"],
    ["rehearse", LAPTOP, "--days", "401"],
    ["rehearse", LAPTOP, "--csv", "/nowhere/at/all.csv"],
    ["stage", LAPTOP, "flowering"],
    ["check", LAPTOP, "--wiring", "/nowhere/at/all.svg"],
    ["check"],
]


@pytest.mark.parametrize("arguments", WRONG_NAMES, ids=lambda given: " ".join(given[::2]))
def test_a_wrong_name_on_the_command_line_is_wrong_usage(
    arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """64, and neither a configuration's 78 nor a missing device's 69."""
    assert status_of(arguments) == EX_USAGE

    shown = capsys.readouterr()
    assert shown.out == ""
    assert "Error: " in shown.err


OUTPUT_FILES = [
    ["check", "none.toml", "--wiring"],
    ["size", "none.toml", "--html"],
    ["report", "none.toml", "--html"],
    ["rehearse", "none.toml", "--csv"],
    ["rehearse", "none.toml", "--html"],
    ["export", "none.toml", "--csv"],
    ["fit", "none.toml", "--out"],
    ["fit", "none.toml", "--html"],
    ["backup", "none.toml"],
]


@pytest.mark.parametrize("arguments", OUTPUT_FILES, ids=lambda given: " ".join(given[::2]))
def test_a_file_that_could_not_be_written_is_refused_before_the_work(
    arguments: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """A rehearsal of minutes must not end in "no such folder"; the configuration is not read."""
    missing = tmp_path / "missing" / "out"

    assert status_of([*arguments, str(missing)]) == EX_USAGE
    assert f"found no folder {missing.parent}; make it first" in capsys.readouterr().err
    assert status_of([*arguments, str(tmp_path)]) == EX_USAGE
    assert "is a directory" in capsys.readouterr().err
    monkeypatch.setattr("os.access", lambda path, mode: (Path(path), mode) != (tmp_path, os.W_OK))
    assert status_of([*arguments, str(tmp_path / "out")]) == EX_USAGE
    assert f"you are not allowed to use {tmp_path}" in capsys.readouterr().err


@pytest.mark.parametrize("content", ["", "about = 3", "no TOML"], ids=["empty", "type", "syntax"])
def test_a_scenario_file_that_cannot_be_used_is_an_input(
    tmp_path: Path, content: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """66, with its path; the configuration is not to blame."""
    scenario = tmp_path / "own.toml"
    scenario.write_text(content, encoding="utf-8")

    assert status_of(["rehearse", LAPTOP, "--scenario", str(scenario)]) == EX_NOINPUT
    assert capsys.readouterr().err.startswith(f"{scenario} cannot be used:\n")


def test_a_history_that_cannot_be_used_is_an_input(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A CSV file without the column of times: 66, and nothing was written."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    (tmp_path / "state").mkdir()
    history = tmp_path / "history.csv"
    history.write_text("when,air_c\n1,2\n", encoding="utf-8")

    assert status_of(["import", LAPTOP, "--csv", str(history)]) == EX_NOINPUT
    assert str(history) in capsys.readouterr().err


def test_completion_of_the_shell_ends_well(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The installer keeps the script only where the command that prints it ended with 0."""
    monkeypatch.setenv("_COLDPIN_COMPLETE", "zsh_source")

    assert status_of([]) == 0

    assert "compdef" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("error", "status", "words"),
    [
        (click.UsageError("no such option"), 64, "no such option"),
        (click.Abort(), 130, "stopped"),
        (SettingsError("c.toml", ("a: found 1", "b: found 2")), 78, "c.toml cannot be used:\n  a"),
        (InputFileError("day.csv", ("no header",)), 66, "day.csv cannot be used:\n  no header"),
        (ScenarioError("no such scenario"), 78, "no such scenario"),
        (BusyError("it runs already"), 75, "it runs already"),
        (NoAnswerError("no answer"), 75, "no answer"),
        (NotDoneError("not done"), 75, "not done"),
        (ProbeError("no bus"), 69, "no bus"),
        (PermissionError(errno.EACCES, "denied", "/var/lib/x"), 78, "/var/lib/x"),
        (OSError(errno.ENOSPC, "No space left on device"), 75, "No space left on device"),
        (OSError(errno.EDQUOT, "Quota exceeded"), 75, "Quota exceeded"),
        (FileNotFoundError(errno.ENOENT, "none", "/x/y"), 69, "found /x/y, which cannot be used"),
        (FileNotFoundError(errno.ENOENT, "none"), 70, "a fault of coldpin"),
        (OSError(errno.EIO, "input/output", "/x"), 70, "a fault of coldpin"),
        (ZeroDivisionError("somewhere"), 70, "ZeroDivisionError: somewhere"),
    ],
    ids=lambda value: type(value).__name__ if isinstance(value, BaseException) else None,
)
def test_every_error_has_its_exit_status_and_words(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    error: BaseException,
    status: int,
    words: str,
) -> None:
    """The statuses of BSD's sysexits.h; 1 and 2 are answers of `coldpin status` alone."""

    def fails(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr(main_module.coldpin, "main", fails)

    assert status_of(["check"]) == status
    printed = capsys.readouterr()
    assert words in printed.err
    assert printed.out == ""
    assert ("Traceback" in printed.err) is (status == 70)


@pytest.mark.parametrize(
    ("outcome", "status"), [(0, 0), (1, 1), (2, 2), (None, 0), ("text", 0), (75, 75)]
)
def test_a_command_that_ends_well_has_its_own_exit_status(
    monkeypatch: pytest.MonkeyPatch, outcome: object, status: int
) -> None:
    """A number that it returns; 0 for everything else."""
    monkeypatch.setattr(main_module.coldpin, "main", lambda *_, **__: outcome)

    assert status_of(["status"]) == status


@pytest.mark.parametrize(
    ("command", "mask"),
    [("run", 0o027), ("lookout", 0o027), ("off", 0o027), ("swap", 0o022), ("check", 0o022)],
)
@pytest.mark.parametrize("shell_s", [0o000, 0o077])
def test_others_write_no_file_whatever_the_shell_allows(
    monkeypatch: pytest.MonkeyPatch, command: str, mask: int, shell_s: int
) -> None:
    """What services keep is not read by others either; a narrower mask of a person's own stays."""
    before = os.umask(shell_s)
    monkeypatch.setattr(sys, "argv", ["coldpin", command])
    try:
        main_module._narrow_umask()
        assert os.umask(0) == (mask if mask == 0o027 else mask | shell_s)
    finally:
        os.umask(before)
