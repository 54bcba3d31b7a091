"""Puts a history from elsewhere into the records of an instance that does not run, and back out."""

from __future__ import annotations

import bisect
import sqlite3
import time
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from controller.records.hours import forget_hours
from controller.records.reader import RecordedReading
from controller.records.schema import AHEAD_MS, one_transaction

GAP_MS = 180_000
"""Readings further apart than this leave a gap that another file may fill [ms]: a reading holds no
longer (`foresight.bins.HELD_S`)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportResult:
    """What became of a history."""

    rows: int
    """Rows that were put in."""
    covered: int
    """Rows left out because the records have readings of that time already."""
    without_switches: int = 0
    """Of the rows put in, those of which nobody recorded whether pump and fan ran."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PastImport:
    """A history that was put in."""

    name: str
    source: str
    """Name of its file."""
    imported: datetime
    rows: int


def add_history(
    path: Path,
    readings: Iterable[RecordedReading],
    *,
    name: str,
    chamber: str,
    source: str = "",
) -> ImportResult:
    """Put readings in as runs of their own; all of it or, after an error, nothing.

    Args:
        path: The database; created if need be.
        readings: In the order of time.
        name: Tells this history from every other.
        chamber: Name of the chamber.
        source: Name of the file that it comes from.

    Raises:
        OSError: The database cannot be written.
    """
    with one_transaction(path) as file:
        return _put(file, readings, name, chamber, source)


def keep_without_readings(
    path: Path, *, at: datetime, name: str, chamber: str, source: str = ""
) -> None:
    """Remember an import that brought only pack changes, so that it can be taken back.

    Args:
        path: The database; created if need be.
        at: Of its first pack change, aware.
        name: Tells this history from every other.
        chamber: Name of the chamber.
        source: Name of the file that it comes from.

    Raises:
        OSError: The database cannot be written.
    """
    with one_transaction(path) as file:
        _new_run(file, name, chamber, source, round(at.timestamp() * 1000), switches_known=False)


def past_imports(path: Path) -> list[PastImport]:
    """Return the histories that were put in, oldest first.

    Raises:
        OSError: The database cannot be read.
    """
    if not path.exists():
        return []
    with one_transaction(path) as file:
        rows = file.execute(
            """
            SELECT name, MAX(source), MAX(imported_utc_ms),
                   SUM((SELECT COUNT(*) FROM readings WHERE run = imports.run)
                     + (SELECT COUNT(*) FROM thinned WHERE run = imports.run))
            FROM imports GROUP BY name ORDER BY MAX(imported_utc_ms), MAX(run)
            """
        ).fetchall()
    return [
        PastImport(
            name=name, source=source, imported=datetime.fromtimestamp(at_ms / 1000, UTC), rows=count
        )
        for name, source, at_ms, count in rows
    ]


def take_back(path: Path, name: str) -> int:
    """Take a history out of the records again; return how many rows it had.

    Args:
        path: The database.
        name: As it was given to `add_history`.

    Raises:
        OSError: The database cannot be written.
    """
    with one_transaction(path) as file:
        runs = file.execute("SELECT run FROM imports WHERE name = ?", (name,)).fetchall()
        rows = 0
        for (run,) in runs:
            for table in ("readings", "thinned"):
                rows += file.execute(
                    f"DELETE FROM {table} WHERE run = ?",  # noqa: S608 - a name of ours
                    (run,),
                ).rowcount
            forget_hours(file, run)
            for table in ("clocks", "imports"):
                file.execute(
                    f"DELETE FROM {table} WHERE run = ?",  # noqa: S608 - a name of ours
                    (run,),
                )
            file.execute("DELETE FROM runs WHERE id = ?", (run,))
        return rows


def _put(
    file: sqlite3.Connection,
    readings: Iterable[RecordedReading],
    name: str,
    chamber: str,
    source: str,
) -> ImportResult:
    spans = _covered_spans(file)
    begins = [span[0] for span in spans]
    runs: dict[bool, int] = {}
    counts = {True: 0, False: 0}
    covered = 0
    for reading in readings:
        at_ms = round(reading.at.timestamp() * 1000)
        before = bisect.bisect_right(begins, at_ms) - 1
        if before >= 0 and at_ms <= spans[before][1]:
            covered += 1
            continue
        known = reading.switches_known
        if known not in runs:
            runs[known] = _new_run(file, name, chamber, source, at_ms, switches_known=known)
        file.execute(
            "INSERT INTO readings (run, at_ms, air_mc, reservoir_mc, room_mc, coil_outlet_mc, pump,"
            " fan) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (
                runs[known],
                at_ms,
                reading.air_mc,
                reading.reservoir_mc,
                reading.room_mc,
                reading.coil_outlet_mc,
                int(reading.pump),
                int(reading.fan),
            ),
        )
        counts[known] += 1
    return ImportResult(rows=sum(counts.values()), covered=covered, without_switches=counts[False])


def _new_run(
    file: sqlite3.Connection,
    name: str,
    chamber: str,
    source: str,
    at_ms: int,
    *,
    switches_known: bool,
) -> int:
    run = file.execute(
        "INSERT INTO runs (boot_id, chamber, started_ms) VALUES (?, ?, ?)", (name, chamber, at_ms)
    ).lastrowid
    assert run is not None
    # its instants are wall-clock already: the pair of clocks says that both are the same
    file.execute("INSERT INTO clocks (run, at_ms, utc_ms) VALUES (?, ?, ?)", (run, at_ms, at_ms))
    file.execute(
        "INSERT INTO imports (run, name, source, imported_utc_ms, switches_known)"
        " VALUES (?, ?, ?, ?, ?)",
        (run, name, source, time.time_ns() // 1_000_000, int(switches_known)),
    )
    return run


def _covered_spans(file: sqlite3.Connection) -> list[tuple[int, int]]:
    """Return the spans of UTC [ms] of which there are readings, joined, in the order of time."""
    runs: list[tuple[int, int]] = file.execute(
        f"SELECT r.id, {AHEAD_MS} AS ahead_ms FROM runs r"  # noqa: S608 - a constant of the schema
        " WHERE ahead_ms IS NOT NULL"
    ).fetchall()
    spans: list[tuple[int, int]] = []
    for run, ahead_ms in runs:
        for table, reach_ms, gap_ms in (("readings", 0, GAP_MS), ("thinned", 300_000, 2 * 300_000)):
            begins: int | None = None
            last = 0
            for (at_ms,) in file.execute(
                f"SELECT at_ms FROM {table} WHERE run = ? ORDER BY at_ms",  # noqa: S608
                (run,),
            ):
                if begins is not None and at_ms - last > gap_ms:
                    spans.append((begins + ahead_ms, last + reach_ms + ahead_ms))
                    begins = None
                begins = at_ms if begins is None else begins
                last = at_ms
            if begins is not None:
                spans.append((begins + ahead_ms, last + reach_ms + ahead_ms))
    joined: list[tuple[int, int]] = []
    for start, end in sorted(spans):
        if joined and start <= joined[-1][1]:
            joined[-1] = joined[-1][0], max(joined[-1][1], end)
        else:
            joined.append((start, end))
    return joined


def reading_at(
    at: datetime,
    celsius: Iterable[float | None],
    *,
    pump: bool | None,
    fan: bool | None,
) -> RecordedReading:
    """Return a reading from degrees.

    Args:
        at: Aware.
        celsius: Air, reservoir, room and coil outlet [°C].
        pump: Pump on; None: not recorded.
        fan: Fan on; None: not recorded.
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
        pump=bool(pump),
        fan=bool(fan),
        switches_known=pump is not None and fan is not None,
    )
