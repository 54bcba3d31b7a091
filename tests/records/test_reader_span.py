"""Which readings a span has: from its first instant, up to but not at its last."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from controller.records.reader import first_reading_at, read_readings
from controller.records.schema import migrate

BEGINS = datetime(2026, 7, 14, 4, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Ten readings, a minute apart, of a run whose clock began at `BEGINS`."""
    made = tmp_path / "records.sqlite"
    with closing(sqlite3.connect(made, isolation_level=None)) as file:
        migrate(file)
        file.execute("INSERT INTO runs (boot_id, chamber, started_ms) VALUES ('b', 'c', 0)")
        file.execute("INSERT INTO clocks VALUES (1, 0, ?)", (round(BEGINS.timestamp() * 1000),))
        file.executemany(
            "INSERT INTO readings VALUES (?, 1, ?, 16000, 4000, NULL, NULL, 0, 0)",
            [(number + 1, number * 60_000) for number in range(10)],
        )
    return made


def minutes(path: Path, since: float | None, until: float | None) -> list[int]:
    """Return the minutes after the beginning of what is read."""
    span = [None if at is None else BEGINS + at * MINUTE for at in (since, until)]
    return [
        round((row.at - BEGINS) / MINUTE)
        for row in read_readings(path, since=span[0], until=span[1])
    ]


def test_a_span_has_its_first_instant_and_not_its_last(path: Path) -> None:
    """So that two spans side by side have every reading once."""
    assert minutes(path, None, None) == list(range(10))
    assert minutes(path, 3, None) == [3, 4, 5, 6, 7, 8, 9]
    assert minutes(path, None, 3) == [0, 1, 2]
    assert minutes(path, 2, 5) == [2, 3, 4]
    assert minutes(path, 2.5, 2.6) == []


@pytest.mark.parametrize(("since", "first"), [(-1, 0), (0, 0), (4, 4), (4.1, 5), (9, 9)])
def test_the_first_reading_since_an_instant(path: Path, since: float, first: int) -> None:
    """The instant itself counts."""
    assert first_reading_at(path, since=BEGINS + since * MINUTE) == BEGINS + first * MINUTE


def test_no_reading_comes_after_the_last(path: Path) -> None:
    """None, not the last one again."""
    assert first_reading_at(path, since=BEGINS + 9.1 * MINUTE) is None
