"""Reads the records from another process, and never writes to them."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

PAGE = 5000
"""Rows taken at a time: a read transaction held while they are used makes the writer's log grow."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedReading:
    """One row of readings [m°C], None where a probe was lost or not fitted."""

    at: datetime
    """Aware, UTC, by the newest pair of clocks of its run."""
    air_mc: int | None
    reservoir_mc: int | None
    room_mc: int | None
    coil_outlet_mc: int | None
    pump: bool
    fan: bool


def read_readings(path: Path) -> Iterator[RecordedReading]:
    """Yield every reading in the order in which it was taken.

    Raises:
        OSError: The file is not there or not readable as records.
    """
    after = 0
    while True:
        rows = _page(path, after)
        for row in rows:
            after = row[0]
            yield RecordedReading(
                at=datetime.fromtimestamp(row[1] / 1000, UTC),
                air_mc=row[2],
                reservoir_mc=row[3],
                room_mc=row[4],
                coil_outlet_mc=row[5],
                pump=bool(row[6]),
                fan=bool(row[7]),
            )
        if len(rows) < PAGE:
            return


def _page(path: Path, after: int) -> list[tuple[int, ...]]:
    if not path.is_file():
        raise OSError(f"{path}: no records are kept here yet")
    try:
        with closing(_connected(path)) as file:
            return file.execute(
                "SELECT r.id, r.at_ms + (SELECT c.utc_ms - c.at_ms FROM clocks c"
                " WHERE c.run = r.run ORDER BY c.at_ms DESC LIMIT 1),"
                " r.air_mc, r.reservoir_mc, r.room_mc, r.coil_outlet_mc, r.pump, r.fan"
                " FROM readings r WHERE r.id > ? ORDER BY r.id LIMIT ?",
                (after, PAGE),
            ).fetchall()
    except sqlite3.Error as error:
        raise OSError(f"{path}: {error}") from error


def _connected(path: Path) -> sqlite3.Connection:
    """Open for reading, also where the writer has gone and its side files cannot be made anew."""
    address = path.resolve().as_uri()
    file = sqlite3.connect(f"{address}?mode=ro", uri=True)
    try:
        file.execute("PRAGMA query_only = ON")
        file.execute("SELECT 1 FROM readings LIMIT 1").fetchone()
    except sqlite3.OperationalError:
        file.close()
        if path.with_name(f"{path.name}-wal").exists():
            raise
        # nobody writes: nothing can change while it is read
        return sqlite3.connect(f"{address}?immutable=1", uri=True)
    return file
