"""Keeps the hours that are over as sums, and reads the past as pieces: a year in a moment.

The records thread sums in small steps, a file of an earlier release over its first hours. Readings
are thinned only after they were summed, so a report says the same of a day ever after. Whoever
reads goes through the readings themselves wherever there is no sum that fits: at both ends, where
the clock of a run was put right since, where stage or band read differently, or where two runs lie
within each other.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from itertools import pairwise
from pathlib import Path
from typing import Any

from controller.domain.events import BAND, STAGE, EventKind, InForce, RecordedEvent
from controller.records.columns import place_sums
from controller.records.fetching import Fetch, fetch_of
from controller.records.pieces import (
    ForceOverTime,
    Piece,
    PumpLengths,
    Sums,
    hour_end,
    ms_of,
    pieces_of,
    utc_of,
)
from controller.records.reader import (
    THINNED_MS,
    RecordedReading,
    in_order,
    read_run,
    recorded_ends,
)
from controller.records.runs import FOREVER_MS, RecordedRun, recorded_runs, within_each_other
from controller.records.schema import transaction
from controller.records.sqlite_errors import damaged_rows

READINGS_AT_ONCE = 3000
SETTLED_MS = 600_000
"""An hour of the run that goes on is summed when it has been over for this long [ms]."""
_HALF_MS = THINNED_MS // 2


@dataclass(frozen=True, slots=True, kw_only=True)
class HourBasis:
    """What sums depend on beside the records."""

    zone: tzinfo | None
    """Whose hours are summed."""
    first: InForce
    """In force before the first that is recorded."""


def read_pieces(
    path: Path, basis: HourBasis, *, since: datetime, until: datetime
) -> Iterator[Piece]:
    """Yield the past in the order of time, in pieces.

    Args:
        path: The database.
        basis: Zone, and what was in force before the first that is recorded.
        since: First instant, aware.
        until: Instant before which to end, aware.

    Raises:
        OSError: The file is not there or not readable as records.
    """
    with damaged_rows(path):
        yield from _all_pieces(path, basis, since, until)


def _all_pieces(path: Path, basis: HourBasis, since: datetime, until: datetime) -> Iterator[Piece]:
    fetch = fetch_of(path)
    since_ms, until_ms = ms_of(since), ms_of(until)
    runs = recorded_runs(fetch)
    force = _force(fetch, runs, since_ms, until_ms, basis)
    summed: dict[int, int] = dict(fetch("SELECT run, ahead_ms FROM hours_until", ()))
    spans: list[_Span] = []
    for run in runs:
        fits = summed.get(run.number) == run.ahead_ms
        spans += _spans(fetch, run, since_ms, until_ms, summed=fits)
    for group in within_each_other(spans):
        piece = group[0].piece
        if len(group) == 1 and piece is not None and _fits(piece, force, basis.zone):
            yield piece
        else:
            readings = in_order([span.readings(fetch) for span in group])
            yield from pieces_of(readings, force, basis.zone)


def sum_once(file: sqlite3.Connection, basis: HourBasis, *, running: int, boot_ms: int) -> bool:
    """Sum the oldest hours that are not summed yet, a few days at most; return whether any were.

    Args:
        file: The writing connection, in autocommit mode.
        basis: Zone, and what was in force before the first that is recorded.
        running: Number of the run that goes on; all others are over.
        boot_ms: Now on its clock [ms].

    Raises:
        sqlite3.Error: Whatever SQLite says; nothing was changed then.
    """

    def fetch(query: str, values: tuple[int | str, ...]) -> list[tuple[Any, ...]]:
        return file.execute(query, values).fetchall()

    runs = recorded_runs(fetch)
    for run in sorted(runs, key=lambda run: run.number):
        done = fetch("SELECT ahead_ms, until_ms FROM hours_until WHERE run = ?", (run.number,))
        if done and done[0][0] != run.ahead_ms:
            with transaction(file):
                forget_hours(file, run.number)  # its clock was put right: other hours
            return True
        after_ms = done[0][1] if done else -FOREVER_MS
        if after_ms == FOREVER_MS:
            continue
        over_ms = FOREVER_MS if run.number != running else boot_ms - SETTLED_MS
        pieces, until_ms = _summed(fetch, run, runs, (after_ms, over_ms), basis)
        if pieces or until_ms == FOREVER_MS:
            _keep(file, fetch, run, pieces, until_ms)
            return True
    return False


def forget_hours(file: sqlite3.Connection, run: int) -> None:
    """Take out all sums of a run, in the transaction that is open."""
    file.execute("DELETE FROM hours_until WHERE run = ?", (run,))
    file.execute("DELETE FROM hours WHERE run = ?", (run,))


@dataclass(frozen=True, slots=True)
class _Span:
    """Readings of a run that follow each other, summed or not; instants [ms since 1970]."""

    first_ms: int
    last_ms: int
    run: RecordedRun
    piece: Piece | None = None
    before_ms: int = 0
    """For how long before and after a row of five minutes may stand that is of this span."""
    after_ms: int = 0

    def readings(self, fetch: Fetch) -> Iterator[RecordedReading]:
        """Yield the readings themselves."""
        begins_ms, ends_ms = self.first_ms - self.before_ms, self.last_ms + self.after_ms
        # a row of five minutes is kept under its beginning and stands in its middle
        span_ms = begins_ms - _HALF_MS, ends_ms + 1
        for reading in read_run(fetch, self.run, span_ms):
            if begins_ms <= ms_of(reading.at) <= ends_ms:
                yield reading


def _spans(
    fetch: Fetch, run: RecordedRun, since_ms: int, until_ms: int, *, summed: bool
) -> list[_Span]:
    """Return what a run has between two instants [ms since 1970]."""
    begins_ms, ends_ms = since_ms - run.ahead_ms, until_ms - run.ahead_ms
    rows = fetch(_HOURS, (run.number, begins_ms, ends_ms)) if summed else []
    before_ms, after_ms, after_is_sum = _neighbours(fetch, run.number, rows)
    reach = [
        min(_HALF_MS, (after[0] - before[1]) // 2)
        for before, after in pairwise([(0, before_ms), *rows, (after_ms, 0)])
    ]
    spans = [
        _Span(
            row[0] + run.ahead_ms,
            row[1] + run.ahead_ms,
            run,
            _piece(row, run),
            before_ms=reach_before_ms - 1,
            after_ms=reach_after_ms,
        )
        for row, (reach_before_ms, reach_after_ms) in zip(rows, pairwise(reach), strict=True)
    ]
    parts = [((begins_ms, ends_ms), (begins_ms, ends_ms))]
    if rows:
        # a row of five minutes is kept under its beginning
        thinned_ms = after_ms
        if after_is_sum:
            thinned_ms = max(after_ms - THINNED_MS, rows[-1][1] - _HALF_MS) + 1
        parts = [((thinned_ms, ends_ms), (after_ms, ends_ms))]
        if before_ms > -FOREVER_MS:
            thinned_ms = min(before_ms + 1, rows[0][0] - _HALF_MS)
            parts.insert(0, ((begins_ms, thinned_ms), (begins_ms, rows[0][0])))
    for thinned, detail in parts:
        ends = recorded_ends(fetch, run, thinned, detail)
        if ends is not None:
            spans.append(_Span(*ends, run))
    return spans


def _neighbours(fetch: Fetch, run: int, rows: Sequence[tuple[Any, ...]]) -> tuple[int, int, bool]:
    """Return where the sum before some sums ends, and what is after them begins, on the clock [ms].

    A sum that only reaches into a span is not used for it, and its readings are read; they belong
    to none of the sums beside it. The last value says whether what is after them is such a sum, not
    readings that are not summed yet.
    """
    if not rows:
        return -FOREVER_MS, FOREVER_MS, False
    ((before_ms,),) = fetch(_LAST_BEFORE, (run, rows[0][0]))
    ((after_ms,),) = fetch(_FIRST_AFTER, (run, rows[-1][1]))
    after_is_sum = after_ms is not None
    if not after_is_sum:
        ((after_ms,),) = fetch("SELECT until_ms FROM hours_until WHERE run = ?", (run,))
    return -FOREVER_MS if before_ms is None else before_ms, after_ms, after_is_sum


def _fits(piece: Piece, force: ForceOverTime, zone: tzinfo | None) -> bool:
    """Return whether a sum says what its readings would say here and now."""
    same = force.at(piece.first_ms) == piece.force and piece.last_ms < force.until_ms
    return same and piece.last_ms < hour_end(piece.first_ms, zone)


def _summed(
    fetch: Fetch,
    run: RecordedRun,
    runs: Sequence[RecordedRun],
    part_ms: tuple[int, int],
    basis: HourBasis,
) -> tuple[list[Piece], int]:
    """Return the next pieces of whole hours of a run, and before what on its clock all is summed.

    Args:
        fetch: From where.
        run: The run.
        runs: All of the file.
        part_ms: Before the first instant on its clock it is summed already; what is later than the
            second may be added to.
        basis: Zone and what was in force first.
    """
    after_ms, over_ms = part_ms
    most = READINGS_AT_ONCE
    while True:
        end_ms = _nth_reading(fetch, run.number, after_ms, most)
        end_utc_ms = (FOREVER_MS if end_ms is None else end_ms) + run.ahead_ms
        readings = list(read_run(fetch, run, (after_ms + run.ahead_ms, end_utc_ms)))
        if not readings:
            return [], FOREVER_MS if over_ms == FOREVER_MS else after_ms
        whole_ms = over_ms if end_ms is None else min(over_ms, end_ms)
        force = _force(fetch, runs, ms_of(readings[0].at), ms_of(readings[-1].at), basis)
        pieces = [
            piece
            for piece in pieces_of(readings, force, basis.zone)
            if hour_end(piece.first_ms, basis.zone) - run.ahead_ms <= whole_ms
        ]
        if pieces or end_ms is None:
            break
        most *= 2  # an hour of very many readings
    last_ms = pieces[-1].last_ms if pieces else -FOREVER_MS
    rest = next((reading for reading in readings if ms_of(reading.at) > last_ms), None)
    if rest is not None:
        shift_ms = 0 if rest.starts is None else _HALF_MS
        return pieces, ms_of(rest.at) - shift_ms - run.ahead_ms
    return (
        pieces,
        FOREVER_MS if over_ms == FOREVER_MS and end_ms is None else last_ms - run.ahead_ms + 1,
    )


def _nth_reading(fetch: Fetch, run: int, after_ms: int, number: int) -> int | None:
    """Return when on its clock a run has had so many rows more; None: it has not."""
    for query in (_NTH_THINNED, _NTH_READING):
        rows = fetch(query, (run, after_ms, number))
        if rows:
            return int(rows[0][0])
    return None


def _force(
    fetch: Fetch, runs: Sequence[RecordedRun], first_ms: int, last_ms: int, basis: HourBasis
) -> ForceOverTime:
    """Return what was in force from one instant to another [ms since 1970].

    Args:
        fetch: From where.
        runs: All of the file.
        first_ms: What was put in force last before it counts too.
        last_ms: A change at it counts still.
        basis: What was in force before the first that is recorded.
    """
    events = []
    for run in sorted(runs, key=lambda run: run.order):
        number, ahead_ms = run.number, run.ahead_ms
        rows = fetch(_CHANGES, (number, first_ms - ahead_ms, last_ms - ahead_ms))
        for kind in (STAGE, BAND):
            rows += fetch(_CHANGE_BEFORE, (number, kind, first_ms - ahead_ms))
        events += [
            RecordedEvent(at=utc_of(at_ms + ahead_ms), kind=kind, name=name, detail="")
            for at_ms, kind, name in rows
        ]
    return ForceOverTime(events, basis.first)


def _keep(
    file: sqlite3.Connection,
    fetch: Fetch,
    run: RecordedRun,
    pieces: Sequence[Piece],
    until_ms: int,
) -> None:
    with transaction(file):
        file.executemany(_PUT, [_row(fetch, run, piece) for piece in pieces])
        file.execute(
            "INSERT OR REPLACE INTO hours_until (run, ahead_ms, until_ms) VALUES (?, ?, ?)",
            (run.number, run.ahead_ms, until_ms),
        )


def _row(fetch: Fetch, run: RecordedRun, piece: Piece) -> tuple[Any, ...]:
    ahead_ms = run.ahead_ms

    def own(at_ms: int | None) -> int | None:
        return None if at_ms is None else at_ms - ahead_ms

    sums, lengths, force = piece.sums, piece.lengths, piece.force
    first_ms, last_ms = piece.first_ms - ahead_ms, piece.last_ms - ahead_ms
    return (
        run.number, first_ms, last_ms,
        force.stage, force.cut_out_mc, force.cut_in_mc, piece.last_air_mc, piece.last_pump,
        piece.starts, piece.first_on, own(piece.first_change_ms), piece.broken, piece.last_on,
        own(piece.since_ms),
        lengths.shortest_run_ms, lengths.longest_run_ms, lengths.shortest_rest_ms,
        sums.recorded_ms, sums.air_lost_ms, sums.in_band_ms, sums.above_mk_ms, sums.below_mk_ms,
        sums.air_mc_ms, sums.pump_ms,
        " ".join(f"{begin - ahead_ms} {end - ahead_ms}" for begin, end in piece.gaps),
        *place_sums(fetch, run.number, first_ms, last_ms),
    )  # fmt: skip


def _piece(row: tuple[Any, ...], run: RecordedRun) -> Piece:
    ahead_ms = run.ahead_ms
    return Piece(
        first_ms=row[0] + ahead_ms,
        last_ms=row[1] + ahead_ms,
        force=InForce(stage=row[2], cut_out_mc=row[3], cut_in_mc=row[4]),
        switches_known=run.switches_known,
        last_air_mc=row[5],
        last_pump=row[6],
        starts=row[7],
        first_on=None if row[8] is None else bool(row[8]),
        first_change_ms=None if row[9] is None else row[9] + ahead_ms,
        broken=bool(row[10]),
        last_on=None if row[11] is None else bool(row[11]),
        since_ms=None if row[12] is None else row[12] + ahead_ms,
        lengths=PumpLengths(*row[13:16]),
        sums=Sums(*row[16:23]),
        gaps=_gaps(row[23], ahead_ms) if row[23] else [],
    )


def _gaps(text: str, ahead_ms: int) -> list[tuple[int, int]]:
    instants = [int(each) + ahead_ms for each in text.split()]
    return list(zip(instants[::2], instants[1::2], strict=True))


_HOURS = """
    SELECT first_ms, last_ms, stage, cut_out_mc, cut_in_mc, last_air_mc, last_pump, starts,
           first_on, first_change_ms, broken, last_on, since_ms,
           shortest_run_ms, longest_run_ms, shortest_rest_ms,
           recorded_ms, air_lost_ms, in_band_ms, above_mk_ms, below_mk_ms, air_mc_ms, pump_ms, gaps
    FROM hours WHERE run = ? AND first_ms >= ? AND last_ms < ? ORDER BY first_ms
"""
_PUT = f"INSERT OR REPLACE INTO hours VALUES ({', '.join('?' * 41)})"  # noqa: S608 - a number
_NTH_THINNED = (
    "SELECT at_ms FROM thinned WHERE run = ? AND at_ms >= ? ORDER BY at_ms LIMIT 1 OFFSET ?"
)
_NTH_READING = (
    "SELECT at_ms FROM readings WHERE run = ? AND at_ms >= ? ORDER BY at_ms LIMIT 1 OFFSET ?"
)
_LAST_BEFORE = "SELECT MAX(last_ms) FROM hours WHERE run = ? AND first_ms < ?"
_FIRST_AFTER = "SELECT MIN(first_ms) FROM hours WHERE run = ? AND first_ms > ?"
_KINDS = f"kind IN ('{STAGE}', '{BAND}') AND kind <> '{EventKind.PHASE.value}'"
_CHANGES = f"""
    SELECT at_ms, kind, name FROM events WHERE run = ? AND at_ms >= ? AND at_ms <= ? AND {_KINDS}
    ORDER BY at_ms, id
"""  # noqa: S608 - constants of this file
_CHANGE_BEFORE = f"""
    SELECT at_ms, kind, name FROM events
    WHERE run = ? AND kind = ? AND kind <> '{EventKind.PHASE.value}' AND at_ms < ?
    ORDER BY at_ms DESC, id DESC LIMIT 1
"""  # noqa: S608 - constants of this file
