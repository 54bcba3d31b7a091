"""Reads the records from another process, and never writes to them."""

from __future__ import annotations

import heapq
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import chain
from pathlib import Path
from typing import Any

from controller.domain.events import EventKind, RecordedEvent
from controller.records.fetching import Fetch, fetch_of
from controller.records.runs import FOREVER_MS, RecordedRun, recorded_runs, within_each_other
from controller.records.sqlite_errors import damaged_rows

THINNED_MS = 300_000
"""Length of a row that old readings are thinned to."""
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
    since_ms = -FOREVER_MS if since is None else round(since.timestamp() * 1000)
    until_ms = FOREVER_MS if until is None else round(until.timestamp() * 1000)
    with damaged_rows(path):
        readings = _of_all_runs(path, since_ms, until_ms)
    return _checked(path, readings)


def _checked(path: Path, readings: Iterator[RecordedReading]) -> Iterator[RecordedReading]:
    with damaged_rows(path):
        yield from readings


@dataclass(frozen=True, slots=True)
class RunSpan:
    """All that a run has between two instants [ms since 1970]."""

    first_ms: int
    last_ms: int
    run: RecordedRun


def _of_all_runs(path: Path, since_ms: int, until_ms: int) -> Iterator[RecordedReading]:
    fetch, span_ms = fetch_of(path), (since_ms, until_ms)
    return chain.from_iterable(
        in_order([read_run(fetch, span.run, span_ms) for span in group])
        for group in within_each_other(run_spans(fetch, since_ms, until_ms))
    )


def run_spans(fetch: Fetch, since_ms: int, until_ms: int) -> list[RunSpan]:
    """Return what each run has from one instant to before another [ms since 1970]."""
    spans = []
    for run in recorded_runs(fetch):
        part_ms = since_ms - run.ahead_ms, until_ms - run.ahead_ms
        ends = recorded_ends(fetch, run, part_ms, part_ms)
        if ends is not None:
            spans.append(RunSpan(*ends, run))
    return spans


def in_order(parts: Sequence[Iterator[RecordedReading]]) -> Iterator[RecordedReading]:
    """Return the readings of several runs in the order of time.

    Args:
        parts: Each in the order of time; of one instant, those of the first come first.
    """
    return parts[0] if len(parts) == 1 else heapq.merge(*parts, key=lambda row: row.at)


def recorded_ends(
    fetch: Fetch, run: RecordedRun, thinned_ms: tuple[int, int], readings_ms: tuple[int, int]
) -> tuple[int, int] | None:
    """Return the first and the last instant of what a run has [ms since 1970]; None: nothing.

    Args:
        fetch: From where.
        run: The run.
        thinned_ms: Rows of five minutes that begin from one instant on its clock to before another.
        readings_ms: Readings likewise.
    """
    ends = [
        (low + shift_ms + run.ahead_ms, high + shift_ms + run.ahead_ms)
        for query, part_ms, shift_ms in (
            (_THINNED_ENDS, thinned_ms, THINNED_MS // 2),
            (_READING_ENDS, readings_ms, 0),
        )
        for low, high in fetch(query, (run.number, *part_ms))
        if low is not None
    ]
    return (min(low for low, _ in ends), max(high for _, high in ends)) if ends else None


def read_run(fetch: Fetch, run: RecordedRun, span_ms: tuple[int, int]) -> Iterator[RecordedReading]:
    """Yield the readings of a run in the order of time.

    Args:
        fetch: From where.
        run: The run.
        span_ms: First instant, and that before which to end [ms since 1970].
    """
    ahead_ms, known = run.ahead_ms, run.switches_known
    since_ms, until_ms = span_ms
    for thinned in _thinned(fetch, run, since_ms, until_ms):
        yield thinned if known else replace(thinned, switches_known=False)
    after = since_ms - ahead_ms - 1, 2**62
    while True:
        rows = fetch(_READINGS, (run.number, *after, until_ms - ahead_ms, PAGE))
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


def _thinned(
    fetch: Fetch, run: RecordedRun, since_ms: int, until_ms: int
) -> Iterator[RecordedReading]:
    """Yield the rows of five minutes of a run; they are older than its detail."""
    ahead_ms = run.ahead_ms
    after = since_ms - ahead_ms - 1
    while True:
        rows = fetch(_THINNED, (run.number, after, until_ms - ahead_ms, PAGE))
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
        fetch, since_ms = fetch_of(path), round(since.timestamp() * 1000)
        firsts_ms = [
            at_ms + run.ahead_ms
            for run in recorded_runs(fetch)
            for query in (_FIRST_THINNED, _FIRST_READING)
            for (at_ms,) in fetch(query, (run.number, since_ms - run.ahead_ms))
            if at_ms is not None
        ]
        return datetime.fromtimestamp(min(firsts_ms) / 1000, UTC) if firsts_ms else None


def last_reading_at(path: Path) -> datetime | None:
    """Return when the last reading was taken, None where there is none.

    Raises:
        OSError: The file is not there or not readable as records.
    """
    with damaged_rows(path):
        fetch = fetch_of(path)
        lasts_ms = [
            at_ms + run.ahead_ms
            for run in recorded_runs(fetch)
            for (at_ms,) in fetch(_LAST_READING, (run.number,))
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
        fetch, since_ms = fetch_of(path), round(since.timestamp() * 1000)
        query, wanted = _of_kinds(_EVENTS, kinds)
        events = [
            _event(row, run.ahead_ms)
            for run in recorded_runs(fetch)
            for row in fetch(query, (run.number, since_ms - run.ahead_ms, *wanted))
        ]
        return sorted(events, key=lambda event: event.at)


def last_event(path: Path, *, before: datetime, kind: str) -> RecordedEvent | None:
    """Return the last event of a kind before an instant, None where there is none.

    Raises:
        OSError: The file is not there or not readable as records.
    """
    with damaged_rows(path):
        fetch, before_ms = fetch_of(path), round(before.timestamp() * 1000)
        query, _ = _of_kinds(_LAST_EVENT, {kind})
        events = [
            _event(row, run.ahead_ms)
            for run in reversed(recorded_runs(fetch))
            for row in fetch(query, (run.number, before_ms - run.ahead_ms, kind))
        ]
        return max(events, key=lambda event: event.at, default=None)


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
_THINNED_ENDS = (
    "SELECT MIN(at_ms), MAX(at_ms) FROM thinned WHERE run = ? AND at_ms >= ? AND at_ms < ?"
)
_READING_ENDS = (
    "SELECT MIN(at_ms), MAX(at_ms) FROM readings WHERE run = ? AND at_ms >= ? AND at_ms < ?"
)
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
_READINGS = """
    SELECT id, at_ms, air_mc, reservoir_mc, room_mc, coil_outlet_mc, pump, fan
    FROM readings WHERE run = ? AND (at_ms, id) > (?, ?) AND at_ms < ?
    ORDER BY at_ms, id LIMIT ?
"""
