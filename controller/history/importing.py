"""Puts a history from elsewhere into the records of an instance that does not run."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from controller.records.reader import RecordedReading
from controller.records.schema import AHEAD_MS, migrate


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What became of a history."""

    rows: int
    """Rows that were put in."""
    covered: int
    """Rows left out because the records tell of that time already."""


def add_history(
    path: Path, readings: Iterable[RecordedReading], *, name: str, chamber: str
) -> Taken:
    """Put readings in as a run of their own; all of it or, after an error, nothing.

    Args:
        path: The database; created if need be.
        readings: In the order of time.
        name: Tells this history from every other.
        chamber: Name of the chamber.

    Raises:
        OSError: The database cannot be written.
    """
    try:
        with closing(sqlite3.connect(path, isolation_level=None, timeout=5.0)) as file:
            file.execute("PRAGMA auto_vacuum = INCREMENTAL")  # takes hold in a new file only
            file.execute("PRAGMA journal_mode = WAL")
            migrate(file)
            file.execute("BEGIN IMMEDIATE")
            try:
                taken = _put(file, readings, name, chamber)
            except BaseException:
                file.execute("ROLLBACK")
                raise
            file.execute("COMMIT")
            return taken
    except (sqlite3.Error, ValueError) as error:
        raise OSError(f"{path}: {error}") from error


def _put(
    file: sqlite3.Connection, readings: Iterable[RecordedReading], name: str, chamber: str
) -> Taken:
    spans: list[tuple[int, int]] = file.execute(
        f"""
        SELECT (SELECT at_ms FROM readings WHERE run = spans.id ORDER BY at_ms LIMIT 1) + ahead_ms,
               (SELECT at_ms FROM readings WHERE run = spans.id ORDER BY at_ms DESC LIMIT 1)
                   + ahead_ms
        FROM (SELECT r.id AS id, {AHEAD_MS} AS ahead_ms FROM runs r) spans
        """  # noqa: S608 - a constant of the schema
    ).fetchall()
    spans = [span for span in spans if None not in span]
    run = file.execute(
        "INSERT INTO runs (boot_id, chamber, started_ms) VALUES (?, ?, 0)", (name, chamber)
    ).lastrowid
    rows = covered = 0
    first_ms: int | None = None
    for reading in readings:
        at_ms = round(reading.at.timestamp() * 1000)
        if any(begins <= at_ms <= ends for begins, ends in spans):
            covered += 1
            continue
        if first_ms is None:
            first_ms = at_ms
        file.execute(
            "INSERT INTO readings (run, at_ms, air_mc, reservoir_mc, room_mc, coil_outlet_mc, pump,"
            " fan) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (
                run,
                at_ms,
                reading.air_mc,
                reading.reservoir_mc,
                reading.room_mc,
                reading.coil_outlet_mc,
                int(reading.pump),
                int(reading.fan),
            ),
        )
        rows += 1
    if first_ms is None:
        file.execute("DELETE FROM runs WHERE id = ?", (run,))
    else:
        # its instants are wall-clock already: the pair of clocks says that both are the same
        file.execute("INSERT INTO clocks (run, at_ms, utc_ms) VALUES (?, ?, ?)",
                     (run, first_ms, first_ms))  # fmt: skip
        file.execute("UPDATE runs SET started_ms = ? WHERE id = ?", (first_ms, run))
    return Taken(rows=rows, covered=covered)


def reading_at(
    at: datetime, celsius: Iterable[float | None], *, pump: bool, fan: bool
) -> RecordedReading:
    """Return a reading from degrees.

    Args:
        at: Aware.
        celsius: Air, reservoir, room and coil outlet [°C].
        pump: Pump on.
        fan: Fan on.
    """
    air, reservoir, room, outlet = (
        None if value is None else round(value * 1000) for value in celsius
    )
    return RecordedReading(
        at=at.astimezone(UTC),
        air_mc=air,
        reservoir_mc=reservoir,
        room_mc=room,
        coil_outlet_mc=outlet,
        pump=pump,
        fan=fan,
    )
