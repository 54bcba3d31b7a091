"""Starts in odd surroundings: closed streams, time zones, folders in the place of files, umasks."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from controller.records.requests_file import REQUESTS
from controller.settings.shipped import shipped_config

CONFIG = str(shipped_config("larkmoor-laptop.toml"))
BRIEF = "{brief}"
"""A configuration without a plant, which has nothing to be rehearsed and is soon checked."""
FILES = (
    "status.json", "requests.sqlite", "records.sqlite", "kept-timers.json", "forecast.json",
    "lookout-secret.json", "mqtt-asked.json", "mqtt-events.json", "page.json",
)  # fmt: skip


@pytest.fixture(scope="module", name="brief")
def _brief(tmp_path_factory: pytest.TempPathFactory) -> Path:
    tables = re.split(r"(?m)^(?=\[)", Path(CONFIG).read_text(encoding="utf-8"))
    path = tmp_path_factory.mktemp("brief") / "brief.toml"
    path.write_text("".join(each for each in tables if not each.startswith("[plant")))
    return path


def coldpin(
    place: Path, command: str, *, redirect: str = "", umask: int = 0o022, **environment: str
) -> subprocess.CompletedProcess[str]:
    """Run a command of coldpin by the shell, as a person or a script does."""
    return subprocess.run(
        ["/bin/sh", "-c", f'exec "$0" -m controller {command} {redirect}', sys.executable],
        env={**os.environ, "STATE_DIRECTORY": str(place), **environment},
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
        umask=umask,
    )


@pytest.mark.parametrize("redirect", [">&-", "2>&-", ">&- 2>&-", "<&-", "<&- >&- 2>&-"])
@pytest.mark.parametrize(
    ("command", "status"),
    [
        (f"check {BRIEF}", 0),
        ("check nowhere.toml", 78),
        (f"status {CONFIG}", 2),
        (f"status {CONFIG} --json", 2),
        ("chekc", 64),
    ],
)
def test_closed_streams_change_no_exit_status(
    tmp_path: Path, brief: Path, command: str, status: int, redirect: str
) -> None:
    """The status is the command's own, and what can be written has no traceback in it."""
    ran = coldpin(tmp_path, command.format(brief=brief), redirect=redirect)

    assert ran.returncode == status
    assert "Traceback" not in ran.stdout + ran.stderr


@pytest.mark.parametrize(
    ("command", "redirect", "status"), [("keys", "1</dev/null", 0), ("chekc", "2</dev/null", 64)]
)
def test_a_stream_that_is_open_the_wrong_way_is_as_good_as_none(
    tmp_path: Path, command: str, redirect: str, status: int
) -> None:
    """Nothing was lost that anybody could have read."""
    ran = coldpin(tmp_path, command, redirect=redirect)

    assert ran.returncode == status
    assert ran.stdout + ran.stderr == ""


@pytest.mark.parametrize("command", [f"check {BRIEF}", "keys", "--help", f"size {CONFIG} --json"])
def test_output_for_which_there_is_no_room_is_said(
    tmp_path: Path, brief: Path, command: str
) -> None:
    """A script that keeps it must not take half of it for the whole."""
    ran = coldpin(tmp_path, command.format(brief=brief), redirect=">/dev/full")

    assert ran.returncode == 75
    assert "Not all could be written: No space left on device" in ran.stderr
    assert "Traceback" not in ran.stderr


def test_no_log_line_goes_into_a_database(tmp_path: Path) -> None:
    """With streams closed the next file opened would get their numbers."""
    ran = coldpin(tmp_path, f"swap {CONFIG} --packs 4", redirect="<&- >&- 2>&-")
    again = coldpin(tmp_path, f"swap {CONFIG} --packs 4")

    assert (tmp_path / REQUESTS).read_bytes().startswith(b"SQLite format 3")
    assert ran.returncode == again.returncode


@pytest.mark.parametrize("zone", ["<+99>-99", "nonsense/zone", ":", "/etc/passwd", "A" * 5000])
@pytest.mark.parametrize(
    "command",
    [f"check {BRIEF}", f"status {CONFIG}", "chambers {place}", f"forecast {CONFIG}",
     f"swap {CONFIG} --packs 2"],
)  # fmt: skip
def test_an_odd_time_zone_is_no_traceback(
    tmp_path: Path, brief: Path, command: str, zone: str
) -> None:
    """Whatever stands in TZ."""
    ran = coldpin(tmp_path, command.format(place=tmp_path, brief=brief), TZ=zone)

    assert "Traceback" not in ran.stderr
    assert ran.returncode in {0, 2, 66, 69, 75, 78}


@pytest.mark.parametrize(
    "command",
    [
        f"status {CONFIG}", f"swap {CONFIG} --packs 4", f"report {CONFIG}", f"forecast {CONFIG}",
        f"lookout {CONFIG} --new-secret", f"export {CONFIG} --csv out.csv", f"off {CONFIG}",
        f"backup {CONFIG} b.tar.gz", f"fit {CONFIG}", f"pause {CONFIG}", "check .", "run .",
        f"restore {CONFIG} .",
    ],
)  # fmt: skip
def test_a_folder_where_a_file_should_be_is_named(tmp_path: Path, command: str) -> None:
    """Every file of the state directory is a folder: words and an exit status."""
    for name in FILES:
        (tmp_path / name).mkdir()

    ran = coldpin(tmp_path, f"{command}")

    assert "Traceback" not in ran.stderr
    assert ran.returncode in {0, 2, 64, 66, 69, 75, 78}
    for name in ("b.tar.gz", "out.csv"):
        Path(name).unlink(missing_ok=True)


@pytest.mark.parametrize("umask", [0o000, 0o022, 0o077])
def test_others_write_no_file_of_ours(tmp_path: Path, umask: int) -> None:
    """Whatever the shell allows; and the state directory is closed to others."""
    place = tmp_path / "state"
    ran = subprocess.run(
        [sys.executable, "-m", "controller", "swap", CONFIG, "--packs", "4"],
        env={
            **{k: v for k, v in os.environ.items() if k != "STATE_DIRECTORY"},
            "XDG_STATE_HOME": str(place),
        },
        capture_output=True, text=True, check=False, timeout=120, umask=umask,
    )  # fmt: skip

    files = [path for path in place.rglob("*") if path.is_file()]
    assert files, ran.stderr
    requests = place / "coldpin" / Path(CONFIG).stem / REQUESTS  # the group may ask
    assert all(path.stat().st_mode & 0o022 == 0 for path in files if path != requests)
    assert requests.stat().st_mode & 0o007 == 0
    folder = place / "coldpin" / Path(CONFIG).stem
    assert folder.stat().st_mode & 0o027 == 0
