"""What the computer must offer, read from a file system of the test's own."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

import pytest

from controller.commissioning.host import host_findings
from controller.errors import OutputError
from controller.records import conversion
from controller.records.schema import MIGRATIONS


def pi(root: Path, *, watchdog: str = "active", panic: str = "10") -> Path:
    """Make the files of a Pi that read here."""
    for name, text in (
        ("dev/gpiochip0", ""),
        ("sys/class/watchdog/watchdog0/state", f"{watchdog}\n"),
        ("proc/sys/kernel/panic", f"{panic}\n"),
    ):
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="ascii")
    return root


@pytest.mark.parametrize(
    ("amiss", "words"),
    [
        pytest.param({}, [], id="all-well"),
        pytest.param({"watchdog": "inactive"}, ["RuntimeWatchdogSec=14s"], id="no-watchdog"),
        pytest.param({"panic": "0"}, ["kernel.panic = 10"], id="panic-stays"),
    ],
)
def test_a_computer_that_would_hang_with_its_loads_on_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, amiss: dict[str, str], words: list[str]
) -> None:
    """With what to set; a laptop is asked for nothing."""
    monkeypatch.setattr("controller.outputs.gpio.open_chip", lambda: None)

    result = list(host_findings(tmp_path / "none", switches=True, root=pi(tmp_path, **amiss)))

    assert len(result) == len(words)
    assert all(fragment in text for fragment, text in zip(words, result, strict=True))
    assert list(host_findings(tmp_path / "none", switches=True, root=tmp_path / "laptop")) == []


def test_a_library_that_opens_no_chip_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It may import and be hollow."""

    def hollow() -> None:
        raise OutputError("no /dev/gpiochip* here")

    monkeypatch.setattr("controller.outputs.gpio.open_chip", hollow)

    (result,) = host_findings(tmp_path / "none", switches=True, root=pi(tmp_path))

    assert result == "The GPIO chip cannot be opened: no /dev/gpiochip* here"


class Medium(NamedTuple):
    """What is asked of `os.statvfs`, in blocks of a byte."""

    f_bavail: int
    f_frsize: int = 1


@pytest.mark.parametrize(("version", "warned"), [(1, True), (len(MIGRATIONS), False)])
def test_a_conversion_without_room_is_reported_before_it_begins(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, version: int, warned: bool
) -> None:
    """Twice the size of the records must be free; records of this release need no conversion."""
    records = tmp_path / "records.sqlite"
    with closing(sqlite3.connect(records)) as file:
        file.execute("CREATE TABLE runs (id)")
        file.execute(f"PRAGMA user_version = {version}")
    size = records.stat().st_size
    monkeypatch.setattr(conversion.os, "statvfs", lambda _: Medium(2 * size - 1))

    result = list(host_findings(records, switches=False, root=tmp_path))

    assert bool(result) is warned
