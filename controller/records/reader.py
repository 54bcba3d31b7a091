"""Reads the records from another process, and never writes to them."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Collection, Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from itertools import chain
from pathlib import Path
from typing import Any

from controller.domain.events import EventKind, RecordedEvent
from controller.records.connecting import connect_to_read
from controller.records.schema import AHEAD_MS
from controller.records.sqlite_errors import SQLITE_ERRORS, damaged_rows, sqlite_words

THINNED_MS = 300_000
"""Length of a row that old readings are thinned to."""
PAGE = 5000
"""Rows taken at a time: a read transaction held while they are used makes the writer's log grow."""

Fetch = Callable[[str, tuple[int | str, ...]], list[tuple[Any, ...]]]
"""Returns the rows of a query with its values; none where its table is not there."""


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
    switches_known: bool = True
    """Whether pump and fan were recorded; False: both stand as off and mean nothing."""
    air_min_mc: int | None = None
    """Of a row of five minutes, and of nothing else: coldest and warmest air, shares of the time
    with pump and fan on, starts; its own temperatures are means, its instant the middle."""
    air_max_mc: int | None = None
    pump_share: float | None = None
    fan_share: float | None = None
    starts: int | None = None


def read_readings(
    path: Path, *, since: datetime | None = None, until: datetime | None = None
) -> Iterator[RecordedReading]:
    """Return readings in the order in which they were taken.

    Args:
        path: The database.
        since: First instant, aware; None: from the beginning.
        until: Instant before which to end, aware; None: to the end.

    Raises:
        OSError: The file is not there or not readable as records.
    """
    since_ms = -(2**62) if since is None else round(since.timestamp() * 1000)
    until_ms = 2**62 if until is None else round(until.timestamp() * 1000)
    with damaged_rows(path):
        readings = _of_all_runs(path, since_ms, until_ms)
    return _checked(path, readings)


def _checked(path: Path, readings: Iterator[RecordedReading]) -> Iterator[RecordedReading]:
    with damaged_rows(path):
        yield from readings


def _of_all_runs(path: Path, since_ms: int, until_ms: int) -> Iterator[RecordedReading]:
    fetch = fetch_of(path)
    imported = imported_runs(fetch)
    own: list[Iterator[RecordedReading]] = []
    others: list[Iterator[RecordedReading]] = []
    for run, ahead_ms in ahead_of_runs(path):
        rows = read_run(fetch, run, ahead_ms, (since_ms, until_ms), known=imported.get(run, True))
        (others if run in imported else own).append(rows)
    if not others:
        return chain.from_iterable(own)
    # a history may lie in the gaps of another
    return heapq.merge(chain.from_iterable(own), *others, key=lambda row: row.at)


def read_run(
    fetch: Fetch, run: int, ahead_ms: int, span_ms: tuple[int, int], *, known: bool
) -> Iterator[RecordedReading]:
    """Yield the readings of a run in the order of time.

    Args:
        fetch: From where.
        run: Number of the run.
        ahead_ms: What leads from its clock to UTC [ms].
        span_ms: First instant, and that before which to end [ms since 1970].
        known: Whether pump and fan were recorded.
    """
    since_ms, until_ms = span_ms
    for thinned in _thinned(fetch, run, ahead_ms, since_ms, until_ms):
        yield thinned if known else replace(thinned, switches_known=False)
    after = since_ms - ahead_ms - 1, 2**62
    while True:
        rows = fetch(_READINGS, (run, *after, until_ms - ahead_ms, PAGE))
        for row in rows:
            yield RecordedReading(
                at=datetime.fromtimestamp((row[1] + ahead_ms) / 1000, UTC),
                air_mc=row[2],
                reservoir_mc=row[3],
                room_mc=row[4],
                coil_outlet_mc=row[5],
                pump=bool(row[6]),
                fan=bool(row[7]),
                switches_known=known,
            )
        if len(rows) < PAGE:
            return
        after = rows[-1][1], rows[-1][0]


def imported_runs(fetch: Fetch) -> dict[int, bool]:
    """Return the imported runs, each with whether it was recorded when pump and fan ran."""
    rows = fetch("SELECT run, switches_known FROM imports", ())
    return {run: bool(known) for run, known in rows}


def _thinned(
    fetch: Fetch, run: int, ahead_ms: int, since_ms: int, until_ms: int
) -> Iterator[RecordedReading]:
    """Yield the rows of five minutes of a run; they are older than its detail."""
    after = since_ms - ahead_ms - 1
    while True:
        rows = fetch(_THINNED, (run, after, until_ms - ahead_ms, PAGE))
        for row in rows:
            yield RecordedReading(
                at=datetime.fromtimestamp((row[0] + ahead_ms + THINNED_MS // 2) / 1000, UTC),
                air_min_mc=row[1],
                air_mc=row[2],
                air_max_mc=row[3],
                reservoir_mc=row[4],
                room_mc=row[5],
                coil_outlet_mc=row[6],
                pump=row[7] >= 0.5,
                fan=row[8] >= 0.5,
                pump_share=row[7],
                fan_share=row[8],
                starts=row[9],
            )
        if len(rows) < PAGE:
            return
        after = rows[-1][0]


def first_reading_at(path: Path, *, since: datetime) -> datetime | None:
    """Return when the first reading since an instant was taken, None where there is none.

    Raises:
        OSError: The file is not there or not readable as records.
    """
    with damaged_rows(path):
        since_ms = round(since.timestamp() * 1000)
        firsts_ms = [
            at_ms + ahead_ms
            for run, ahead_ms in ahead_of_runs(path)
            for query in (_FIRST_THINNED, _FIRST_READING)
            for (at_ms,) in fetched_if_kept(path, query, (run, since_ms - ahead_ms))
            if at_ms is not None
        ]
        return datetime.fromtimestamp(min(firsts_ms) / 1000, UTC) if firsts_ms else None


def last_reading_at(path: Path) -> datetime | None:
    """Return when the last reading was taken, None where there is none.

    Raises:
        OSError: The file is not there or not readable as records.
    """
    with damaged_rows(path):
        lasts_ms = [
            at_ms + ahead_ms
            for run, ahead_ms in ahead_of_runs(path)
            for (at_ms,) in fetched(path, _LAST_READING, (run,))
            if at_ms is not None
        ]
        return datetime.fromtimestamp(max(lasts_ms) / 1000, UTC) if lasts_ms else None


def read_events(
    path: Path, *, since: datetime, kinds: Collection[str] | None = None
) -> list[RecordedEvent]:
    """Return what happened since an instant, in the order in which it did.

    Args:
        path: The database.
        since: Aware.
        kinds: What kinds of event; None: all, and phases come by the thousand.

    Raises:
        OSError: The file is not there or not readable as records.
    """
    with damaged_rows(path):
        since_ms = round(since.timestamp() * 1000)
        query, wanted = _of_kinds(_EVENTS, kinds)
        return [
            _event(row, ahead_ms)
            for run, ahead_ms in ahead_of_runs(path)
            for row in fetched(path, query, (run, since_ms - ahead_ms, *wanted))
        ]


def last_event(path: Path, *, before: datetime, kind: str) -> RecordedEvent | None:
    """Return the last event of a kind before an instant, None where there is none.

    Raises:
        OSError: The file is not there or not readable as records.
    """
    with damaged_rows(path):
        before_ms = round(before.timestamp() * 1000)
        query, _ = _of_kinds(_LAST_EVENT, {kind})
        for run, ahead_ms in reversed(ahead_of_runs(path)):
            rows = fetched(path, query, (run, before_ms - ahead_ms, kind))
            if rows:
                return _event(rows[0], ahead_ms)
        return None


def _event(row: tuple[Any, ...], ahead_ms: int) -> RecordedEvent:
    at_ms, kind, name, detail = row
    at = datetime.fromtimestamp((at_ms + ahead_ms) / 1000, UTC)
    return RecordedEvent(at=at, kind=kind, name=name, detail=detail)


def _of_kinds(query: str, kinds: Collection[str] | None) -> tuple[str, tuple[str, ...]]:
    if kinds is None:
        return query.format(kinds=""), ()
    places = ", ".join("?" for _ in kinds)
    # in the words of the index, so that SQLite may use it
    but_phases = "" if PHASE in kinds else f"AND kind <> '{PHASE}'"
    return query.format(kinds=f"AND kind IN ({places}) {but_phases}"), tuple(kinds)


PHASE = EventKind.PHASE.value
_THINNED = """
    SELECT at_ms, air_min_mc, air_mc, air_max_mc, reservoir_mc, room_mc, coil_outlet_mc,
           pump_share, fan_share, starts
    FROM thinned WHERE run = ? AND at_ms > ? AND at_ms < ? ORDER BY at_ms LIMIT ?
"""
_LAST_READING = "SELECT MAX(at_ms) FROM readings WHERE run = ?"
_FIRST_READING = "SELECT MIN(at_ms) FROM readings WHERE run = ? AND at_ms >= ?"
_FIRST_THINNED = "SELECT MIN(at_ms) FROM thinned WHERE run = ? AND at_ms >= ?"
_EVENTS = """
    SELECT at_ms, kind, name, detail FROM events WHERE run = ? AND at_ms >= ? {kinds}
    ORDER BY at_ms, id
"""
_LAST_EVENT = """
    SELECT at_ms, kind, name, detail FROM events WHERE run = ? AND at_ms < ? {kinds}
    ORDER BY at_ms DESC, id DESC LIMIT 1
"""
_RUNS = f"""
    SELECT r.id, {AHEAD_MS} AS ahead_ms
    FROM runs r WHERE ahead_ms IS NOT NULL ORDER BY r.started_ms + ahead_ms, r.id
"""  # noqa: S608 - a constant of the schema
_READINGS = """
    SELECT id, at_ms, air_mc, reservoir_mc, room_mc, coil_outlet_mc, pump, fan
    FROM readings WHERE run = ? AND (at_ms, id) > (?, ?) AND at_ms < ?
    ORDER BY at_ms, id LIMIT ?
"""


def ahead_of_runs(path: Path) -> list[tuple[Any, ...]]:
    """Return each run's number, in the order of time, with what leads from its clock to UTC [ms].

    Raises:
        OSError: The file is not there or not readable as records.
    """
    return fetched(path, _RUNS, ())


def fetch_of(path: Path) -> Fetch:
    """Return what fetches rows of a database; each call raises what `fetched` does."""
    return partial(fetched_if_kept, path)


def fetched(path: Path, query: str, values: tuple[int | str, ...]) -> list[tuple[Any, ...]]:
    """Return the rows of a query, for the modules of this folder.

    Raises:
        OSError: The file is not there or not readable as records.
    """
    if not path.is_file():
        raise OSError(f"there are no records yet at {path}; coldpin keeps them while it runs")
    try:
        with closing(connect_to_read(path)) as file:
            return file.execute(query, values).fetchall()
    except SQLITE_ERRORS as error:
        raise OSError(f"{path}: {sqlite_words(error)}") from error


def fetched_if_kept(path: Path, query: str, values: tuple[int | str, ...]) -> list[tuple[Any, ...]]:
    """Return the rows of a query; none where an earlier release made the file without its table.

    Raises:
        OSError: The file is not there or not readable as records.
    """
    try:
        return fetched(path, query, values)
    except OSError as error:
        if "no such table" in str(error):
            return []
        raise
