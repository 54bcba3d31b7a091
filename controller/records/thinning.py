"""Old detail made short: five-minute rows in its place, and the space given back.

In small transactions, one at a time, so that samples that wait meanwhile wait for moments only.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from itertools import groupby, pairwise

from controller.records.reader import THINNED_MS
from controller.records.runs import FOREVER_MS
from controller.records.schema import AHEAD_MS, transaction

ROWS_AT_ONCE = 3000
PAGES_AT_ONCE = 500
_PLACES = 4

Row = tuple[int, int, int | None, int | None, int | None, int | None, int, int]
"""Number, instant [ms], four temperatures [m°C], pump and fan."""


def thin_once(file: sqlite3.Connection, *, before_utc_ms: int, summed_only: bool = False) -> bool:
    """Thin the oldest detail by one step; return whether there is more to do.

    Args:
        file: The writing connection, in autocommit mode.
        before_utc_ms: Readings before this are old.
        summed_only: Leave readings alone that are in no sum of an hour yet (`records.hours`).

    Raises:
        sqlite3.Error: Whatever SQLite says; nothing was changed then.
    """
    for run, ahead_ms, summed_ms in file.execute(_RUNS).fetchall():
        old_ms = before_utc_ms - ahead_ms
        limit_ms = (min(old_ms, summed_ms) if summed_only else old_ms) // THINNED_MS * THINNED_MS
        rows: list[Row] = file.execute(_OLDEST, (run, limit_ms, ROWS_AT_ONCE)).fetchall()
        if not rows:
            continue
        if len(rows) == ROWS_AT_ONCE:
            # the last five minutes may go on in rows that were not fetched
            cut_ms = rows[-1][1] // THINNED_MS * THINNED_MS
            rows = [row for row in rows if row[1] < cut_ms] or rows
        _replace(file, run, rows)
        return True
    return False


def give_back(file: sqlite3.Connection) -> None:
    """Give free pages of the file back to the disk, some at a time.

    A file from before this was kept is rewritten once.

    Raises:
        sqlite3.Error: Whatever SQLite says.
    """
    (mode,) = file.execute("PRAGMA auto_vacuum").fetchone()
    if mode != INCREMENTAL:
        file.execute("PRAGMA auto_vacuum = INCREMENTAL")
        file.execute("VACUUM")
    # as a script, because it frees a page with every step and execute() takes only one
    file.executescript(f"PRAGMA incremental_vacuum({PAGES_AT_ONCE})")


INCREMENTAL = 2
_RUNS = f"""
    SELECT r.id, {AHEAD_MS} AS ahead_ms,
           COALESCE((SELECT until_ms FROM hours_until h WHERE h.run = r.id), -{FOREVER_MS})
    FROM runs r WHERE ahead_ms IS NOT NULL ORDER BY r.id
"""  # noqa: S608 - a constant of the schema
_PUMP_BEFORE = """
    SELECT pump_at_end FROM thinned WHERE run = ? AND at_ms < ? ORDER BY at_ms DESC LIMIT 1
"""
_PUT = """
    INSERT OR REPLACE INTO thinned VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
"""
_OLDEST = """
    SELECT id, at_ms, air_mc, reservoir_mc, room_mc, coil_outlet_mc, pump, fan
    FROM readings WHERE run = ? AND at_ms < ? ORDER BY at_ms, id LIMIT ?
"""


def _replace(file: sqlite3.Connection, run: int, rows: Sequence[Row]) -> None:
    before = file.execute(_PUMP_BEFORE, (run, rows[0][1])).fetchone()
    on = bool(rows[0][6] if before is None else before[0])
    with transaction(file):
        for at_ms, part in groupby(rows, key=lambda row: row[1] // THINNED_MS * THINNED_MS):
            own = list(part)
            file.execute(_PUT, (run, at_ms, *_summed(own, at_ms, pump_on=on)))
            on = bool(own[-1][6])
        file.executemany("DELETE FROM readings WHERE id = ?", [(row[0],) for row in rows])


def _summed(part: Sequence[Row], at_ms: int, *, pump_on: bool) -> tuple[float | int | None, ...]:
    """Return the cells of a row: each place's three, both shares, starts, the pump at the end.

    Each reading counts for as long as it held within the five minutes.
    """
    ends = [row[1] for row in part[1:]] + [at_ms + THINNED_MS]
    held = [end - row[1] for row, end in zip(part, ends, strict=True)]
    cells: list[float | int | None] = []
    for place in range(2, 2 + _PLACES):
        known = [
            (row[place], weight) for row, weight in zip(part, held, strict=True)
            if row[place] is not None
        ]  # fmt: skip
        values = [value for value, _ in known if value is not None]
        if not values:
            cells += [None, None, None]
            continue
        weights = sum(weight for _, weight in known)
        mean = (
            sum(value * weight for value, weight in known if value is not None) / weights
            if weights
            else sum(values) / len(values)
        )
        cells += [min(values), round(mean), max(values)]
    total = sum(held) or 1
    shares = [
        sum(weight for row, weight in zip(part, held, strict=True) if row[output]) / total
        for output in (6, 7)
    ]
    pump = [pump_on, *(bool(row[6]) for row in part)]
    starts = sum(now and not before for before, now in pairwise(pump))
    return (*cells, *shares, starts, part[-1][6])
