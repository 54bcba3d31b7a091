"""The room of a rehearsal from a file: a recording of the room, or weather through a simple house.

The house is a first-order lag: its air follows the outdoor air plus a constant gain with one time
constant. Source: the simplest model that hourly data identify (Bacher and Madsen 2011, Energy and
Buildings 43:1511); exact between two rows for outdoor air that goes straight from one to the next.
"""

from __future__ import annotations

import bisect
import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

from controller.errors import SettingsError
from controller.settings.load import Settings
from controller.thermal.probe import lagged_c

LONGEST_GAP_S = 2 * 3600.0
LOWEST_C, HIGHEST_C = -40.0, 55.0
PROBLEMS_TOLD = 20


@dataclass(frozen=True, slots=True)
class RoomSeries:
    """Room temperature over whole days, played again from the start when it ends."""

    seconds: tuple[float, ...]
    """Seconds from the first local midnight."""
    room_c: tuple[float, ...]

    def at(self, since_midnight_s: float) -> float:
        """Return the room [°C], straight between two rows.

        Args:
            since_midnight_s: Seconds from the midnight before the rehearsal [s].
        """
        whole_days_s = max(86_400.0, self.seconds[-1] // 86_400.0 * 86_400.0)
        at = since_midnight_s % whole_days_s
        right = bisect.bisect_right(self.seconds, at)
        if right == 0:
            return self.room_c[0]
        if right == len(self.seconds):
            return self.room_c[-1]
        before, after = self.seconds[right - 1], self.seconds[right]
        share = (at - before) / (after - before)
        return self.room_c[right - 1] + share * (self.room_c[right] - self.room_c[right - 1])


def room_series(settings: Settings, folder: Path) -> RoomSeries | None:
    """Return the room that the settings name a file for, None where they name none.

    Args:
        settings: ``[plant.room] csv`` or ``[simulation] weather``.
        folder: Folder that the file is named relative to.

    Raises:
        SettingsError: Both are named, or the file cannot be used; says every line that is wrong.
    """
    recorded, weather = settings.plant.room.csv, settings.simulation.weather
    if recorded and weather:
        problem = "plant.room.csv: found a file beside simulation.weather, allowed: one of the two"
        raise SettingsError("room", (problem,))
    if recorded:
        return _series(_read(folder / recorded, "room_c"))
    if weather:
        simulation = settings.simulation
        return _series(
            _through_house(
                _read(folder / weather, "outdoor_c"),
                tau_s=simulation.house_time_constant,
                gain_k=simulation.house_gain / 1000,
            )
        )
    return None


Row = tuple[datetime, float]


def _series(rows: list[Row]) -> RoomSeries:
    first = rows[0][0]
    midnight = first.replace(hour=0, minute=0, second=0, microsecond=0)
    next_midnight = midnight + timedelta(days=1)
    if first > midnight and rows[-1][0] - next_midnight >= timedelta(days=1):
        midnight = next_midnight  # begin with the first whole day
        rows = [row for row in rows if row[0] >= midnight]
    return RoomSeries(
        tuple((at - midnight).total_seconds() for at, _ in rows), tuple(c for _, c in rows)
    )


def _through_house(rows: list[Row], *, tau_s: float, gain_k: float) -> list[Row]:
    outdoors = [outdoor_c for _, outdoor_c in rows]
    inside_c = math.fsum(outdoors) / len(outdoors)
    found = [(rows[0][0], inside_c + gain_k)]
    for (before, before_c), (after, after_c) in pairwise(rows):
        inside_c = lagged_c(
            inside_c,
            before_c=before_c,
            after_c=after_c,
            dt_s=(after - before).total_seconds(),
            tau_s=tau_s,
        )
        found.append((after, inside_c + gain_k))
    return found


def _read(path: Path, column: str) -> list[Row]:
    """Return the rows, or say every line that is wrong: such a file is never half used."""
    problems: list[str] = []
    rows: list[Row] = []
    try:
        with path.open(encoding="utf-8", newline="") as file:
            reader = csv.DictReader(file)
            problems += _header_problems(reader.fieldnames or [], column)
            for row in reader if not problems else ():
                try:
                    rows.append(_row(row, column, rows[-1][0] if rows else None))
                except ValueError as error:
                    problems.append(f"line {reader.line_num}: {error}")
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        problems.append(f"cannot be read as a CSV file: {error}")
    if not problems and (len(rows) < 2 or rows[-1][0] - rows[0][0] < timedelta(hours=23)):
        problems.append("found less than a day, allowed: a whole day of rows or more")
    if problems:
        more = len(problems) - PROBLEMS_TOLD
        told = problems[:PROBLEMS_TOLD] + ([f"and {more} more"] if more > 0 else [])
        raise SettingsError(str(path), tuple(told))
    return rows


def _header_problems(found: Sequence[str], column: str) -> list[str]:
    fahrenheit = column.replace("_c", "_f")
    if fahrenheit in found:
        return [f"found the column {fahrenheit}, allowed: {column} in °C; convert it first"]
    missing = [name for name in ("time", column) if name not in found]
    if missing:
        columns = ", ".join(found) or "none"
        return [f"found the columns {columns}; missing: {', '.join(missing)}"]
    return []


def _row(row: dict[str | None, str], column: str, newest: datetime | None) -> Row:
    if None in row:
        raise ValueError("found more cells than columns, allowed: numbers with a decimal point")
    text = (row.get("time") or "").strip()
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f'time: found "{text[:40]}", allowed: ISO 8601 with offset') from None
    if at.tzinfo is None:
        raise ValueError(f'time: found "{text}" without an offset, allowed: such as {text}+00:00')
    if newest is not None:
        gap_s = (at - newest).total_seconds()
        if gap_s <= 0:
            raise ValueError(f"time: {text} is not later than the row before")
        if gap_s > LONGEST_GAP_S:
            raise ValueError(
                f"time: a gap of {gap_s / 3600:.1f} h before {text}, allowed: up to "
                f"{LONGEST_GAP_S / 3600:g} h; fill it or cut the file there"
            )
        at = at.astimezone(newest.tzinfo or UTC)
    value_text = (row.get(column) or "").strip()
    try:
        value = float(value_text)
    except ValueError:
        raise ValueError(f'{column}: found "{value_text[:40]}", allowed: a number in °C') from None
    if not LOWEST_C <= value <= HIGHEST_C:
        raise ValueError(
            f"{column}: found {value:g}, allowed: {LOWEST_C:g} to {HIGHEST_C:g} °C; is it °F?"
        )
    return at, value
