"""Every connection to a database is closed again, also where the file is damaged."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

import pytest

from controller.domain.requests import RequestKind
from controller.records.copying import copy_database, sound
from controller.records.first_runs import last_first_run
from controller.records.reader import read_events, read_readings
from controller.records.requests_file import newest, swaps, unanswered
from controller.records.writer import RecordsWriter
from tests.fuzz.seeds import seeds

OPEN: set[int] = set()


class Counted(sqlite3.Connection):
    """A connection that says whether it is open."""

    def __init__(self, *arguments: object, **more: object) -> None:
        super().__init__(*arguments, **more)  # type: ignore[arg-type]
        OPEN.add(id(self))

    def close(self) -> None:
        super().close()
        OPEN.discard(id(self))


@pytest.fixture(autouse=True)
def counted(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have every connection counted."""
    OPEN.clear()
    real = sqlite3.connect
    monkeypatch.setattr(
        sqlite3, "connect", lambda *given, **more: real(*given, factory=Counted, **more)
    )


GOOD = seeds("database")[0]
CONTENTS = {
    "sound": GOOD,
    "empty": b"",
    "noise": b"garbage" * 2000,
    "header-alone": b"SQLite format 3\x00" + bytes(8176),
    "cut-off": GOOD[: len(GOOD) // 2],
    "schema-damaged": GOOD[:100] + b"\xff" * 200 + GOOD[300:],
    "page-damaged": GOOD[:4096] + b"\xff" * 4096 + GOOD[8192:],
}
"""What may lie where the records should be."""
READS: dict[str, Callable[[Path], object]] = {
    "readings": lambda path: list(read_readings(path)),
    "events": lambda path: read_events(path, since=datetime(1971, 1, 1, tzinfo=UTC)),
    "first-run": last_first_run,
    "unanswered": lambda path: unanswered(path, most=100),
    "swaps": swaps,
    "newest": lambda path: newest(path, RequestKind.SWAP),
    "copy": lambda path: copy_database(path, path.with_name("copy.sqlite")),
    "sound": sound,
}


@pytest.mark.parametrize("content", CONTENTS.values(), ids=CONTENTS)
@pytest.mark.parametrize("read", READS.values(), ids=READS)
def test_reading_closes_what_it_opened(
    tmp_path: Path, read: Callable[[Path], object], content: bytes
) -> None:
    """Served or refused, nothing stays open."""
    path = tmp_path / "records.sqlite"
    path.write_bytes(content)

    with suppress(OSError):
        read(path)

    assert OPEN == set()


@pytest.mark.parametrize("content", CONTENTS.values(), ids=CONTENTS)
def test_the_writer_closes_what_it_opened(tmp_path: Path, content: bytes) -> None:
    """A damaged file is set aside, and its connection with it."""
    path = tmp_path / "records.sqlite"
    path.write_bytes(content)

    records = RecordsWriter(path, chamber="bench", boot_id="boot-a", ahead_s=0.0)
    records.close(60.0)

    assert OPEN == set()
