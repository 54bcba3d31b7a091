"""Old readings made short: what a five-minute row says, and that the file stops growing."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import pytest

from controller.history.importing import add_history, reading_at
from controller.records.reader import RecordedReading, read_readings
from controller.records.thinning import give_back, thin_once

BEGINS = datetime(2026, 7, 1, 12, 0, tzinfo=UTC)


def minutes(*values: tuple[float, float | None, bool]) -> list[RecordedReading]:
    return [
        reading_at(BEGINS + at * timedelta(minutes=1), (air, 4.0, None, None), pump=on, fan=on)
        for at, air, on in values
    ]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "records.sqlite"


def thin(path: Path, until: datetime, *, steps: int = 1000) -> int:
    """Thin until nothing is left to do, and return in how many steps."""
    with closing(sqlite3.connect(path, isolation_level=None)) as file:
        for step in range(steps):
            if not thin_once(file, before_utc_ms=round(until.timestamp() * 1000)):
                give_back(file)
                return step
    raise AssertionError("there is no end to it")


def test_a_row_says_lowest_mean_and_highest(path: Path) -> None:
    """Each reading weighs as long as it held; a lost probe is left out, not made up."""
    rows = minutes(
        (0, 16.0, False), (1, 18.0, True), (3, None, True), (4, 17.0, False), (5, 20.0, False)
    )
    add_history(path, rows, name="one", chamber="c")

    thin(path, BEGINS + timedelta(minutes=6))

    first, second = read_readings(path)
    assert (first.air_min_mc, first.air_mc, first.air_max_mc) == (16_000, 17_250, 18_000)
    assert first.reservoir_mc == 4000
    assert first.room_mc is None
    assert (first.pump_share, first.starts) == (0.6, 1)
    assert first.at == BEGINS + timedelta(minutes=2, seconds=30)
    assert second.air_mc == 20_000
    assert second.air_min_mc is None, "five minutes that are not over stay as they are"


def test_what_is_young_stays(path: Path) -> None:
    """Up to the instant, and not a row beyond it."""
    add_history(path, minutes(*((i, 16.0, False) for i in range(60))), name="one", chamber="c")

    thin(path, BEGINS + timedelta(minutes=30))

    rows = list(read_readings(path))
    assert sum(row.starts is not None for row in rows) == 6
    assert sum(row.starts is None for row in rows) == 30
    assert [row.at for row in rows] == sorted(row.at for row in rows)


def test_thinning_in_small_steps_is_thinning_at_once(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Wherever a step ends, no five minutes are torn and no start is counted twice."""
    other = tmp_path / "other.sqlite"
    rows = minutes(*((i / 2, 16.0 + i % 7, i % 9 < 4) for i in range(200)))
    for each in (path, other):
        add_history(each, rows, name="one", chamber="c")
    end = BEGINS + timedelta(hours=3)

    thin(other, end)
    monkeypatch.setattr("controller.records.thinning.ROWS_AT_ONCE", 23)
    steps = thin(path, end)

    assert steps > 5
    assert list(read_readings(path)) == list(read_readings(other))


def test_the_file_stops_growing(path: Path) -> None:
    """Half a year of minutes, thinned as it goes: the file is a fraction of the detail."""

    def days(count: int, first: int) -> Iterator[RecordedReading]:
        for i in range(count * 1440):
            at = BEGINS + timedelta(days=first, minutes=i)
            yield reading_at(at, (16.0 + i % 5, 4.0, 22.0, None), pump=i % 9 < 4, fan=True)

    sizes: list[int] = []
    detail = 0
    for part in range(6):
        add_history(path, days(5, 5 * part), name=f"part {part}", chamber="c")
        detail = detail or path.stat().st_size
        thin(path, BEGINS + timedelta(days=5 * part + 3))
        sizes.append(path.stat().st_size)

    assert max(b - a for a, b in pairwise(sizes[1:])) < detail / 2
    assert sizes[-1] < len(sizes) * detail / 2
    with closing(sqlite3.connect(path)) as file:
        assert file.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_a_step_that_fails_changes_nothing(path: Path) -> None:
    """A disk that is full in the middle of it: the detail is still there."""
    rows = minutes(*((i, 16.0, False) for i in range(60)))
    add_history(path, rows, name="one", chamber="c")
    before = list(read_readings(path))
    with closing(sqlite3.connect(path, isolation_level=None)) as file:
        file.execute(
            "CREATE TRIGGER full BEFORE DELETE ON readings BEGIN SELECT RAISE(ABORT, 'full'); END"
        )
        with pytest.raises(sqlite3.Error, match="full"):
            thin_once(file, before_utc_ms=2**60)

    assert list(read_readings(path)) == before


def test_freed_pages_are_given_back_by_the_hundred(path: Path) -> None:
    """One call gives back all that a small file has free, not a page."""
    rows = minutes(*((i, 16.0, False) for i in range(6000)))
    add_history(path, rows, name="one", chamber="c")

    with closing(sqlite3.connect(path, isolation_level=None)) as file:
        file.execute("DELETE FROM readings WHERE id > 10")
        (free,) = file.execute("PRAGMA freelist_count").fetchone()
        give_back(file)
        (left,) = file.execute("PRAGMA freelist_count").fetchone()

    assert free > 50
    assert left == 0


def test_a_file_that_gave_no_page_back_is_rewritten_once(path: Path) -> None:
    """One of an earlier release: it stays as long as it was, then it shrinks like any other."""
    rows = minutes(*((i, 16.0, False) for i in range(6000)))
    add_history(path, rows, name="one", chamber="c")
    with closing(sqlite3.connect(path, isolation_level=None)) as file:
        file.executescript("PRAGMA journal_mode = DELETE; PRAGMA auto_vacuum = NONE; VACUUM")
        assert file.execute("PRAGMA auto_vacuum").fetchone() == (0,)
        file.execute("DELETE FROM readings WHERE id > 10")
        (pages,) = file.execute("PRAGMA page_count").fetchone()

        give_back(file)

        assert file.execute("PRAGMA auto_vacuum").fetchone() == (2,)  # incremental
        (left,) = file.execute("PRAGMA page_count").fetchone()
        assert left < pages - 50
        assert file.execute("SELECT COUNT(*) FROM readings").fetchone() == (10,)
