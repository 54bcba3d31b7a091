"""The records as a picture needs them: lowest, mean and highest of each column of pixels.

SQLite finds them in one pass, so that a year takes no more memory than a day; a long time is read
off the summed hours, as far as there are any.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

from controller.domain.reading_rows import PROBE_NAMES
from controller.records.reader import (
    THINNED_MS,
    Fetch,
    ahead_of_runs,
    fetch_of,
    imported_runs,
)
from controller.records.sqlite_errors import damaged_rows

HELD_MS = 300_000
"""A reading is taken to stand for this long at most [ms]."""
WIDE_MS = 2 * 3_600_000
"""From this width of a column on [ms], hours are fine enough for it."""
_HALF_MS = THINNED_MS // 2
_SUMS = 4
"""What each place has in a row: lowest, highest, sum over time, time known."""


class Extent(NamedTuple):
    """What a place had [m°C]; each reading weighs in the mean for as long as it stood."""

    low_mc: int
    mean_mc: float
    high_mc: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """What was recorded within one column of a picture."""

    number: int
    """Which column, from 0."""
    begins_s: float
    """First reading in it, seconds since 1970, UTC."""
    ends_s: float
    """Last reading in it, the same."""
    air_mc: Extent | None
    """None where the probe was lost all the time, or is not fitted."""
    reservoir_mc: Extent | None
    room_mc: Extent | None
    coil_outlet_mc: Extent | None
    known_s: float
    """How long of it is known [s]."""
    pump_share: float | None
    """Share of the recorded time with the pump on, 0 to 1; None where that was not recorded."""


def read_columns(path: Path, *, since: datetime, until: datetime, columns: int) -> list[Column]:
    """Return the columns that anything was recorded in, in the order of time.

    Args:
        path: The database.
        since: First instant, aware.
        until: Instant before which to end, aware.
        columns: Into how many the time is divided, 1 or more.

    Raises:
        OSError: The file is not there or not readable as records.
        ValueError: No columns, or no time.
    """
    since_ms, until_ms = (round(at.timestamp() * 1000) for at in (since, until))
    if columns < 1 or until_ms <= since_ms:
        raise ValueError(f"{columns} columns of {until_ms - since_ms} ms; both must be above 0")
    width_ms = -(-(until_ms - since_ms) // columns)
    with damaged_rows(path):
        runs = ahead_of_runs(path)
        fetch = fetch_of(path)
        imported = imported_runs(fetch)
        summed: dict[int, int] = dict(fetch("SELECT run, ahead_ms FROM hours_until", ()))
        by_column: dict[int, _Sums] = {}
        for run, ahead_ms in runs:
            grid = _Grid(run, since_ms - ahead_ms, until_ms - ahead_ms, width_ms)
            hours = width_ms >= WIDE_MS and summed.get(run) == ahead_ms
            for row in _rows(fetch, grid, hours=hours):
                sums = by_column.setdefault(row[0], _Sums())
                sums.take(row[1:], ahead_ms, switches_known=imported.get(run, True))
        return [sums.column(number) for number, sums in sorted(by_column.items())]


def place_sums(fetch: Fetch, run: int, first_ms: int, last_ms: int) -> list[Any]:
    """Return lowest, highest, sum over time [m°C·ms] and time known [ms] of each place in turn.

    Args:
        fetch: From where.
        run: Number of the run.
        first_ms: First instant on its clock [ms].
        last_ms: Last instant, which counts too.
    """
    end_ms = last_ms + 1
    grid = _Grid(run, first_ms, end_ms, end_ms - first_ms)
    # a row of five minutes is kept under its beginning and stands in its middle
    thinned_ms = first_ms - _HALF_MS, end_ms - _HALF_MS
    cells: list[Any] = [None] * (_SUMS * len(PROBE_NAMES))
    for row in _detail(fetch, grid, thinned_ms, (first_ms, end_ms)):
        for at in range(0, len(cells), _SUMS):
            _join_place(cells, at, row[_PLACES_AT + 1 + at : _PLACES_AT + 1 + at + _SUMS])
    return cells


@dataclass(frozen=True, slots=True)
class _Grid:
    """Part of a run, on its own clock, and how wide a column is [ms]."""

    run: int
    since_ms: int
    until_ms: int
    width_ms: int

    @property
    def origin(self) -> tuple[int, int, int]:
        """What the queries below begin with."""
        return self.since_ms, self.width_ms, self.run


@dataclass(slots=True)
class _Sums:
    """A column as it grows."""

    begins_ms: int = 2**62
    ends_ms: int = -(2**62)
    held_ms: int = 0
    switches_ms: int = 0
    switches_seen: bool = False
    pump_ms: float = 0.0
    pump_on: float = 0.0
    cells: list[Any] = field(default_factory=lambda: [None] * (_SUMS * len(PROBE_NAMES)))

    def take(self, row: Sequence[Any], ahead_ms: int, *, switches_known: bool) -> None:
        """Add what a query found."""
        self.begins_ms = min(self.begins_ms, row[0] + ahead_ms)
        self.ends_ms = max(self.ends_ms, row[1] + ahead_ms)
        self.held_ms += row[2]
        if switches_known:
            self.switches_seen = True
            self.switches_ms += row[2]
            self.pump_ms += row[3]
            self.pump_on = max(self.pump_on, row[4])
        for at in range(0, len(self.cells), _SUMS):
            _join_place(self.cells, at, row[_PLACES_AT + at : _PLACES_AT + at + _SUMS])

    def column(self, number: int) -> Column:
        air, reservoir, room, outlet = (
            _extent(self.cells[at : at + _SUMS]) for at in range(0, len(self.cells), _SUMS)
        )
        share = None
        if self.switches_seen:
            share = self.pump_ms / self.switches_ms if self.switches_ms else self.pump_on
        return Column(
            number=number,
            begins_s=self.begins_ms / 1000,
            ends_s=self.ends_ms / 1000,
            air_mc=air,
            reservoir_mc=reservoir,
            room_mc=room,
            coil_outlet_mc=outlet,
            known_s=self.held_ms / 1000,
            pump_share=share,
        )


def _rows(fetch: Fetch, grid: _Grid, *, hours: bool) -> list[tuple[Any, ...]]:
    """Return the rows of a run: number of the column, first, last, held, pump, the places' sums."""
    since_ms, until_ms = whole = grid.since_ms, grid.until_ms
    summed = fetch(_OF_HOURS, (*grid.origin, *whole)) if hours else []
    if not summed:
        return _detail(fetch, grid, whole, whole)
    first_ms, end_ms = min(row[1] for row in summed), max(row[2] for row in summed) + 1
    before = _detail(fetch, grid, (since_ms, first_ms - _HALF_MS), (since_ms, first_ms))
    after = _detail(fetch, grid, (end_ms - _HALF_MS, until_ms), (end_ms, until_ms))
    return [*summed, *before, *after]


def _detail(
    fetch: Fetch, grid: _Grid, thinned_ms: tuple[int, int], readings_ms: tuple[int, int]
) -> list[tuple[Any, ...]]:
    """Return such rows of what is not summed: five minutes that begin, and readings, between."""
    thinned = fetch(_OF_THINNED, (*grid.origin, *thinned_ms))
    return thinned + fetch(_OF_READINGS, (*grid.origin, *readings_ms))


def _join_place(cells: list[Any], at: int, more: Sequence[Any]) -> None:
    """Join four sums of one place into a row of them."""
    low, high, mc_ms, known_ms = more
    if low is None:
        return
    if cells[at] is None:
        cells[at : at + _SUMS] = low, high, mc_ms, known_ms
    else:
        cells[at : at + _SUMS] = (
            min(cells[at], low), max(cells[at + 1], high),
            cells[at + 2] + mc_ms, cells[at + 3] + known_ms,
        )  # fmt: skip


def _extent(cells: Sequence[Any]) -> Extent | None:
    low, high, mc_ms, known_ms = cells
    return None if low is None else Extent(low, mc_ms / known_ms, high)


_PLACES_AT = 5
"""Where the places' sums begin, behind first, last, held, pump and whether it was ever on."""
_OF_READINGS = f"""
    SELECT (at_ms - ?) / ? AS number, MIN(at_ms), MAX(at_ms),
           SUM(held_ms), SUM(pump * held_ms), MAX(pump),
           {
    ", ".join(
        f"MIN({place}_mc), MAX({place}_mc), SUM({place}_mc * weight_ms), "
        f"SUM(CASE WHEN {place}_mc IS NULL THEN 0 ELSE weight_ms END)"
        for place in PROBE_NAMES
    )
}
    FROM (SELECT *, MAX(held_ms, 1) AS weight_ms
          FROM (SELECT *, MIN({HELD_MS}, LEAD(at_ms, 1, at_ms) OVER (ORDER BY at_ms, id) - at_ms)
                          AS held_ms
                FROM readings WHERE run = ? AND at_ms >= ? AND at_ms < ?))
    GROUP BY number
"""  # noqa: S608 - constants of this file
_OF_THINNED = f"""
    SELECT (at_ms - ?) / ? AS number, MIN(at_ms), MAX(at_ms) + {THINNED_MS},
           COUNT(*) * {THINNED_MS}, SUM(pump_share) * {THINNED_MS}, MAX(pump_share),
           {
    ", ".join(
        f"MIN({place}_min_mc), MAX({place}_max_mc), SUM({place}_mc) * {THINNED_MS}, "
        f"COUNT({place}_mc) * {THINNED_MS}"
        for place in PROBE_NAMES
    )
}
    FROM thinned WHERE run = ? AND at_ms >= ? AND at_ms < ?
    GROUP BY number
"""  # noqa: S608 - constants of this file
_OF_HOURS = f"""
    SELECT (first_ms - ?) / ? AS number, MIN(first_ms), MAX(last_ms),
           SUM(recorded_ms), SUM(pump_ms), MAX(last_pump),
           {
    ", ".join(
        f"MIN({place}_low_mc), MAX({place}_high_mc), SUM({place}_sum), SUM({place}_known_ms)"
        for place in PROBE_NAMES
    )
}
    FROM hours WHERE run = ? AND first_ms >= ? AND last_ms < ?
    GROUP BY number
"""  # noqa: S608 - constants of this file
