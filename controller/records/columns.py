"""The records as a picture needs them: lowest, mean and highest of each column of pixels.

SQLite finds them in one pass, so that a year takes no more memory than a day; a long time is read
off the summed hours, as far as there are any.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

from controller.domain.reading_rows import PROBE_NAMES
from controller.records.fetching import Fetch, fetch_of
from controller.records.reader import THINNED_MS, run_spans
from controller.records.runs import FOREVER_MS, RecordedRun, within_each_other
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
        fetch = fetch_of(path)
        summed: dict[int, int] = dict(fetch("SELECT run, ahead_ms FROM hours_until", ()))
        by_column: dict[int, _Sums] = {}
        wide = width_ms >= WIDE_MS
        for runs, next_ms in _groups(fetch, since_ms, until_ms, joined=not wide):
            grid = _Grid(runs, since_ms, until_ms, width_ms, next_ms)
            hours = wide and summed.get(runs[0].number) == runs[0].ahead_ms
            for row in _rows(fetch, grid, hours=hours):
                by_column.setdefault(row[0], _Sums()).take(row[1:])
        return [sums.column(number) for number, sums in sorted(by_column.items())]


def _groups(
    fetch: Fetch, since_ms: int, until_ms: int, *, joined: bool
) -> Iterator[tuple[list[RecordedRun], int]]:
    """Yield the runs of a time [ms since 1970], and when what is after them begins.

    If asked, those within each other come together; else each by itself, and its last reading, or
    the last before another run's, may stand some minutes too short or too long.
    """
    groups = list(within_each_other(run_spans(fetch, since_ms, until_ms)))
    begins_ms = [min(span.first_ms for span in group) for group in groups]
    for place, group in enumerate(groups, start=1):
        runs = [span.run for span in group]
        if joined:
            yield runs, begins_ms[place] if place < len(groups) else -FOREVER_MS
        else:
            yield from (([run], -FOREVER_MS) for run in runs)


def place_sums(fetch: Fetch, run: int, first_ms: int, last_ms: int) -> list[Any]:
    """Return lowest, highest, sum over time [m°C·ms] and time known [ms] of each place in turn.

    Args:
        fetch: From where.
        run: Number of the run.
        first_ms: First instant on its clock [ms].
        last_ms: Last instant, which counts too.
    """
    end_ms = last_ms + 1
    grid = _Grid([RecordedRun(run, 0)], first_ms, end_ms, end_ms - first_ms)
    # a row of five minutes is kept under its beginning and stands in its middle
    thinned_ms = first_ms - _HALF_MS, end_ms - _HALF_MS
    cells: list[Any] = [None] * (_SUMS * len(PROBE_NAMES))
    for row in _detail(fetch, grid, thinned_ms, (first_ms, end_ms)):
        for at in range(0, len(cells), _SUMS):
            _join_place(cells, at, row[_PLACES_AT + 1 + at : _PLACES_AT + 1 + at + _SUMS])
    return cells


@dataclass(frozen=True, slots=True)
class _Grid:
    """A time [ms since 1970] of runs that lie within each other, and how wide a column is [ms]."""

    runs: Sequence[RecordedRun]
    """In the order in which their readings of one instant go."""
    since_ms: int
    until_ms: int
    width_ms: int
    next_ms: int = -FOREVER_MS
    """When the first reading after these runs was taken; in the past where there is none."""

    def rows(
        self, fetch: Fetch, query: str, begins_ms: int, ends_ms: int, *more: int
    ) -> list[tuple[Any, ...]]:
        """Return a query's rows of the time from one instant to before another."""
        runs = [
            each
            for place, run in enumerate(self.runs)
            for each in (run.number, run.ahead_ms, place, run.switches_known)
        ]
        values = ", ".join("(?, ?, ?, ?)" for _ in self.runs)
        # one run's readings come sorted out of their index
        join, order = _ONE_RUN if len(self.runs) == 1 else _SEVERAL_RUNS
        query = query.format(runs=values, join=join, order=order)
        return fetch(query, (*runs, self.since_ms, self.width_ms, *more, begins_ms, ends_ms))


@dataclass(slots=True)
class _Sums:
    """A column as it grows."""

    begins_ms: int = FOREVER_MS
    ends_ms: int = -FOREVER_MS
    held_ms: int = 0
    switches_ms: int = 0
    pump_ms: float = 0.0
    pump_on: float | None = None
    """Highest share of the time on; None where that was not recorded."""
    cells: list[Any] = field(default_factory=lambda: [None] * (_SUMS * len(PROBE_NAMES)))

    def take(self, row: Sequence[Any]) -> None:
        """Add a row of a query."""
        begins_ms, ends_ms, held_ms, switches_ms, pump_ms, pump_on = row[:_PLACES_AT]
        self.begins_ms = min(self.begins_ms, begins_ms)
        self.ends_ms = max(self.ends_ms, ends_ms)
        self.held_ms += held_ms
        if pump_on is not None:
            self.switches_ms += switches_ms
            self.pump_ms += pump_ms
            self.pump_on = max(self.pump_on or 0.0, pump_on)
        for at in range(0, len(self.cells), _SUMS):
            _join_place(self.cells, at, row[_PLACES_AT + at : _PLACES_AT + at + _SUMS])

    def column(self, number: int) -> Column:
        air, reservoir, room, outlet = (
            _extent(self.cells[at : at + _SUMS]) for at in range(0, len(self.cells), _SUMS)
        )
        share = None
        if self.pump_on is not None:
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
    """Return rows of number of the column, first, last, held, pump, and the places' sums."""
    since_ms, until_ms = whole = grid.since_ms, grid.until_ms
    summed = grid.rows(fetch, _OF_HOURS, *whole) if hours else []
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
    thinned = grid.rows(fetch, _OF_THINNED, *thinned_ms)
    return thinned + grid.rows(fetch, _OF_READINGS, *readings_ms, grid.next_ms)


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


_PLACES_AT = 6
"""Where the places' sums begin: behind first, last, held, and held, pump and the pump's highest
share where it was recorded."""
_ONE_RUN = "(SELECT run FROM part)", "at_ms, id"
_SEVERAL_RUNS = "part.run", "utc_ms, place, id"
_PART = "WITH part(run, ahead_ms, place, known) AS (VALUES {runs})"
_OF_READINGS = f"""
    {_PART}
    SELECT (utc_ms - ?) / ? AS number, MIN(utc_ms), MAX(utc_ms), SUM(held_ms),
           SUM(CASE WHEN known THEN held_ms END), SUM(CASE WHEN known THEN pump * held_ms END),
           MAX(CASE WHEN known THEN pump END),
           {
    ", ".join(
        f"MIN({place}_mc), MAX({place}_mc), SUM({place}_mc * weight_ms), "
        f"SUM(CASE WHEN {place}_mc IS NULL THEN 0 ELSE weight_ms END)"
        for place in PROBE_NAMES
    )
}
    FROM (SELECT *, MAX(held_ms, 1) AS weight_ms
          FROM (SELECT *, MIN({HELD_MS}, LEAD(utc_ms, 1, MAX(?, utc_ms))
                                         OVER (ORDER BY {{order}}) - utc_ms) AS held_ms
                FROM (SELECT r.*, r.at_ms + ahead_ms AS utc_ms, place, known
                      FROM part CROSS JOIN readings r ON r.run = {{join}}
                      WHERE r.at_ms >= ? - ahead_ms AND r.at_ms < ? - ahead_ms)))
    GROUP BY number
"""  # noqa: S608 - constants of this file
_OF_THINNED = f"""
    {_PART}
    SELECT (t.at_ms + ahead_ms - ?) / ? AS number,
           MIN(t.at_ms + ahead_ms), MAX(t.at_ms + ahead_ms) + {THINNED_MS},
           COUNT(*) * {THINNED_MS}, SUM(known) * {THINNED_MS},
           SUM(CASE WHEN known THEN pump_share END) * {THINNED_MS},
           MAX(CASE WHEN known THEN pump_share END),
           {
    ", ".join(
        f"MIN({place}_min_mc), MAX({place}_max_mc), SUM({place}_mc) * {THINNED_MS}, "
        f"COUNT({place}_mc) * {THINNED_MS}"
        for place in PROBE_NAMES
    )
}
    FROM part CROSS JOIN thinned t ON t.run = part.run
    WHERE t.at_ms >= ? - ahead_ms AND t.at_ms < ? - ahead_ms
    GROUP BY number
"""  # noqa: S608 - constants of this file
_OF_HOURS = f"""
    {_PART}
    SELECT (first_ms + ahead_ms - ?) / ? AS number,
           MIN(first_ms + ahead_ms), MAX(last_ms + ahead_ms), SUM(recorded_ms),
           SUM(CASE WHEN known THEN recorded_ms END), SUM(CASE WHEN known THEN pump_ms END),
           MAX(CASE WHEN known THEN last_pump END),
           {
    ", ".join(
        f"MIN({place}_low_mc), MAX({place}_high_mc), SUM({place}_sum), SUM({place}_known_ms)"
        for place in PROBE_NAMES
    )
}
    FROM part CROSS JOIN hours h ON h.run = part.run
    WHERE first_ms >= ? - ahead_ms AND last_ms < ? - ahead_ms
    GROUP BY number
"""  # noqa: S608 - constants of this file
