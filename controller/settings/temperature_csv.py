"""A CSV file of temperatures that a configuration names: a room recorded, or the weather."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from controller.errors import SettingsError

LOWEST_C, HIGHEST_C = -40.0, 55.0
PROBLEMS_SHOWN = 20

Row = tuple[datetime, float]
"""An instant, aware, and a temperature [°C]."""


def read_temperatures(
    path: Path, column: str, *, longest_gap_s: float, least_s: float
) -> list[Row]:
    """Return the rows, in the order of time; such a file is used whole or not at all.

    Args:
        path: A CSV file with a header.
        column: Its column of temperatures [°C]; ``time`` is ISO 8601 with offset.
        longest_gap_s: Rows may be this far apart [s].
        least_s: What it must cover at least [s].

    Raises:
        SettingsError: Says every line that is wrong.
    """
    problems: list[str] = []
    rows: list[Row] = []
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file)
            problems += _header_problems(reader.fieldnames or [], column)
            for row in reader if not problems else ():
                try:
                    rows.append(_row(row, column, rows[-1][0] if rows else None, longest_gap_s))
                except ValueError as error:
                    problems.append(f"line {reader.line_num}: {error}")
    except OSError as error:
        problems.append(f"cannot be read: {error.strerror}")
    except UnicodeDecodeError:
        problems.append("cannot be read: it is not UTF-8 text")
    except csv.Error as error:
        problems.append(f"cannot be read as a CSV file: {error}")
    covered_s = (rows[-1][0] - rows[0][0]).total_seconds() if rows else 0.0
    if not problems and covered_s < least_s:
        problems.append(
            f"found {covered_s / 3600:.0f} h of rows, allowed: {least_s / 3600:.0f} h or more"
        )
    if problems:
        more = len(problems) - PROBLEMS_SHOWN
        shown = problems[:PROBLEMS_SHOWN] + ([f"and {more} more"] if more > 0 else [])
        raise SettingsError(str(path), tuple(shown))
    return rows


def _header_problems(header: Sequence[str], column: str) -> list[str]:
    fahrenheit = column.replace("_c", "_f")
    if fahrenheit in header:
        return [f"found the column {fahrenheit}, allowed: {column} in °C; convert it first"]
    missing = [name for name in ("time", column) if name not in header]
    if missing:
        columns = ", ".join(header) or "none"
        return [f"found the columns {columns}; missing: {', '.join(missing)}"]
    return []


def _row(
    row: dict[str | None, str], column: str, newest: datetime | None, longest_gap_s: float
) -> Row:
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
        if gap_s > longest_gap_s:
            raise ValueError(
                f"time: a gap of {gap_s / 3600:.1f} h before {text}, allowed: up to "
                f"{longest_gap_s / 3600:g} h; fill it or cut the file there"
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
