"""A conversion of the records: it delays nobody, and begins only where there is room for it."""

from __future__ import annotations

import sqlite3
import threading
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

import pytest

from controller.core.state import Decision, Event
from controller.domain.control_phase import Phase, Reason
from controller.domain.events import EventKind
from controller.records import conversion, schema, writer
from controller.records.schema import MIGRATIONS, migrate
from controller.records.writer import RecordsWriter
from tests.support.laws import make_inputs
from tests.support.waiting import until

ALARM = Decision(
    False, False, Phase.REST, Reason.NO_CALL, (Event(EventKind.RAISED, "air_high", ""),)
)


class Medium(NamedTuple):
    """What is asked of `os.statvfs`, in blocks of a byte."""

    f_bavail: int
    f_frsize: int = 1


@pytest.fixture
def first_version(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return records that have taken the first step alone."""
    path = tmp_path / "records.sqlite"
    with closing(sqlite3.connect(path, isolation_level=None)) as file, monkeypatch.context() as old:
        old.setattr("controller.records.schema.MIGRATIONS", MIGRATIONS[:1])
        migrate(file)
    return path


def version(path: Path) -> int:
    with closing(sqlite3.connect(path)) as file:
        return int(file.execute("PRAGMA user_version").fetchone()[0])


def test_a_conversion_without_room_does_not_begin_and_is_made_once_there_is(
    first_version: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is changed, the fault says what is needed; then it is done without a restart."""
    enough = threading.Event()
    needed = 2 * first_version.stat().st_size
    for name, pause_s in (("BATCH_S", 0.01), ("FIRST_PAUSE_S", 0.01), ("LONGEST_PAUSE_S", 0.05)):
        monkeypatch.setattr(writer, name, pause_s)
    monkeypatch.setattr(
        conversion.os, "statvfs",
        lambda _: Medium(needed if enough.is_set() else needed - 1),
    )  # fmt: skip
    records = RecordsWriter(first_version, chamber="c", boot_id="b", ahead_s=0.0)
    records.note(0.0, make_inputs(16.0), ALARM)
    try:
        until(lambda: records.fault is not None)
        assert "converting them needs" in str(records.fault)
        assert version(first_version) == 1
        enough.set()
        until(lambda: records.fault is None)
    finally:
        records.close()
    assert version(first_version) == len(MIGRATIONS)


def test_what_a_conversion_lacks_is_said_in_whole_mebibytes() -> None:
    """IEC 80000-13: 1 MiB is 1,048,576 bytes."""
    short = conversion.ShortOfRoom(needed=30 * 1_048_576, free=2 * 1_048_576 + 600_000)

    assert str(short) == (
        "converting them needs 30 MiB of room, found 3 MiB: make room on the card"
    )


def test_a_conversion_of_any_length_holds_nobody_up(
    first_version: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever makes the writer goes on at once: the service is ready while it still converts."""
    begun, may_go_on = threading.Event(), threading.Event()

    def slow(file: sqlite3.Connection) -> None:
        begun.set()
        may_go_on.wait()
        migrate(file)

    monkeypatch.setattr(schema, "migrate", slow)
    records = RecordsWriter(first_version, chamber="c", boot_id="b", ahead_s=0.0)
    records.note(0.0, make_inputs(16.0), ALARM)
    try:
        until(begun.is_set)
        assert version(first_version) == 1
    finally:
        may_go_on.set()
        records.close()
    assert version(first_version) == len(MIGRATIONS)
