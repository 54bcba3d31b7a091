"""Rows that no release writes and SQLite finds nothing wrong with: a bit of the card fell over."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from controller.cli.main import status_of
from controller.domain.codec import UnreadableError
from controller.records.columns import read_columns
from controller.records.event_feed import EventFeed
from controller.records.first_runs import last_first_run
from controller.records.hours import HourBasis, read_pieces
from controller.records.pieces import InForce
from controller.records.reader import (
    first_reading_at,
    last_event,
    last_reading_at,
    read_events,
    read_readings,
)
from controller.records.schema import MIGRATIONS
from controller.settings.shipped import shipped_config

AT = datetime(2026, 7, 14, tzinfo=UTC)
AT_MS = round(AT.timestamp() * 1000)
ROWS: dict[str, tuple[object, ...]] = {
    "runs": (1, "b", "c", 0),
    "clocks": (1, 0, AT_MS),
    "readings": (1, 1, 5, 16000, 4000, None, None, 0, 0),
    "events": (1, 1, 5, "alarm_raised", "air_high", ""),
    "thinned": (1, 300_000, 1, 2, 3, 1, 2, 3, 1, 2, 3, 1, 2, 3, 0.5, 0.5, 1, 1),
    "first_runs": (1, AT_MS, "T", 1, "{}"),
    "imports": (1, "n", "s", AT_MS, 1),
}
ODD = (None, "text", b"\xff", 1.5, 2**62, -(2**62), float("inf"))
READERS: dict[str, Callable[[Path], object]] = {
    "readings": lambda path: list(read_readings(path)),
    "first": lambda path: first_reading_at(path, since=AT - timedelta(days=1)),
    "last": last_reading_at,
    "events": lambda path: read_events(path, since=AT - timedelta(days=1)),
    "last event": lambda path: last_event(path, before=AT + timedelta(days=1), kind="alarm_raised"),
    "pieces": lambda path: list(
        read_pieces(
            path,
            HourBasis(zone=UTC, first=InForce(stage="s", cut_out_mc=15_000, cut_in_mc=17_000)),
            since=AT - timedelta(days=1),
            until=AT + timedelta(days=1),
        )
    ),
    "columns": lambda path: read_columns(
        path, since=AT - timedelta(days=1), until=AT + timedelta(days=1), columns=50
    ),
    "feed": lambda path: EventFeed(path, path.with_name("kept")).next(after=0),
    "first run": last_first_run,
}


def database(path: Path, table: str, column: int, odd: object) -> bool:
    """Make records that hold such a row; return whether SQLite takes it."""
    path.unlink(missing_ok=True)
    steps = ";".join(statements for _, statements in MIGRATIONS)
    # the tables as they are, but for what would refuse the row
    lax = re.sub(r"STRICT, WITHOUT ROWID|STRICT|NOT NULL", "", steps)
    with closing(sqlite3.connect(path)) as file, suppress(sqlite3.IntegrityError):
        file.execute("PRAGMA synchronous = OFF")
        file.executescript(lax)
        file.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
        for name, row in ROWS.items():
            cells = list(row)
            if name == table:
                cells[column] = odd
            file.execute(f"INSERT INTO {name} VALUES ({', '.join('?' for _ in cells)})", cells)
        file.commit()
        return True
    return False


@pytest.mark.parametrize("table", ROWS)
def test_an_odd_row_is_read_or_refused_in_words(tmp_path: Path, table: str) -> None:
    """Whatever stands in one of its columns: values, or an OSError that a command shows."""
    path = tmp_path / "records.sqlite"
    for column in range(len(ROWS[table])):
        for odd in ODD:
            if not database(path, table, column, odd):
                continue
            for name, read in READERS.items():
                with suppress(OSError, *((UnreadableError,) if name == "first run" else ())):
                    read(path)


def test_a_number_of_millions_of_years_is_called_damage(tmp_path: Path) -> None:
    """So that a person knows what to do about it."""
    path = tmp_path / "records.sqlite"
    assert database(path, "readings", 2, -(2**62))

    with pytest.raises(OSError, match=f"{path}: a row in it .*: it is damaged"):
        list(read_readings(path))


def test_a_damaged_first_run_costs_no_report(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """It is left out, and the command says so."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    assert database(tmp_path / "records.sqlite", "first_runs", 4, None)
    config = str(shipped_config("larkmoor-laptop.toml"))

    assert status_of(["report", config, "--from", "2026-07-14", "--to", "2026-07-15"]) == 0

    assert "The first run is left out" in capsys.readouterr().err
