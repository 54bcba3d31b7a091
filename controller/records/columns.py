"""The records as a picture of a long time needs them: lowest and highest of each column of pixels.

SQLite finds them in one pass, so that a year takes no more memory than a day.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from controller.records.reader import THINNED_MS, ahead_of_runs, fetched_if_kept, imported_runs

Extent = tuple[int, int] | None
"""Lowest and highest [m°C]; None where the probe was lost all the time or is not fitted."""
HELD_MS = 300_000
"""A switch is taken to stay as it was recorded for this long at most [ms]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """What was recorded within one column of a picture, of one run of the service."""

    begins_s: float
    """First reading in it, seconds since 1970, UTC."""
    ends_s: float
    """Last reading in it, the same."""
    air_mc: Extent
    reservoir_mc: Extent
    room_mc: Extent
    coil_outlet_mc: Extent
    known_s: float
    """How long of it is known [s]."""
    pump_share: float | None
    """Share of the recorded time with the pump on, 0 to 1; None where that was not recorded."""
    fan_share: float | None


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
    problems = []
    imported = imported_runs(path)
    for run, ahead_ms in ahead_of_runs(path):
        known = imported.get(run, True)
        from_ms, to_ms = since_ms - ahead_ms, until_ms - ahead_ms
        for query in (_OF_THINNED, _OF_READINGS):
            for row in fetched_if_kept(path, query, (from_ms, width_ms, run, from_ms, to_ms)):
                extents = zip(row[2:10:2], row[3:10:2], strict=True)
                air, reservoir, room, outlet = (
                    None if low is None or high is None else (low, high) for low, high in extents
                )
                problems.append(
                    Column(
                        begins_s=(row[0] + ahead_ms) / 1000,
                        ends_s=(row[1] + ahead_ms) / 1000,
                        air_mc=air,
                        reservoir_mc=reservoir,
                        room_mc=room,
                        coil_outlet_mc=outlet,
                        known_s=row[10] / 1000,
                        pump_share=row[11] if known else None,
                        fan_share=row[12] if known else None,
                    )
                )
    return problems


_OF_READINGS = f"""
    SELECT MIN(at_ms), MAX(at_ms), MIN(air_mc), MAX(air_mc), MIN(reservoir_mc), MAX(reservoir_mc),
           MIN(room_mc), MAX(room_mc), MIN(coil_outlet_mc), MAX(coil_outlet_mc),
           SUM(held_ms),
           COALESCE(SUM(pump * held_ms) * 1.0 / NULLIF(SUM(held_ms), 0), MAX(pump)),
           COALESCE(SUM(fan * held_ms) * 1.0 / NULLIF(SUM(held_ms), 0), MAX(fan)),
           (at_ms - ?) / ? AS in_column
    FROM (SELECT *, MIN({HELD_MS}, LEAD(at_ms, 1, at_ms) OVER (ORDER BY at_ms, id) - at_ms)
                    AS held_ms
          FROM readings WHERE run = ? AND at_ms >= ? AND at_ms < ?)
    GROUP BY in_column ORDER BY in_column
"""  # noqa: S608 - a constant of this file
_OF_THINNED = f"""
    SELECT MIN(at_ms), MAX(at_ms) + {THINNED_MS}, MIN(air_min_mc), MAX(air_max_mc),
           MIN(reservoir_min_mc), MAX(reservoir_max_mc), MIN(room_min_mc), MAX(room_max_mc),
           MIN(coil_outlet_min_mc), MAX(coil_outlet_max_mc),
           COUNT(*) * {THINNED_MS}, AVG(pump_share), AVG(fan_share),
           (at_ms - ?) / ? AS in_column
    FROM thinned WHERE run = ? AND at_ms >= ? AND at_ms < ?
    GROUP BY in_column ORDER BY in_column
"""  # noqa: S608 - a constant of this file
