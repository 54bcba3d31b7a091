"""A published weather year: EPW, or TMY3 as CSV. Read strictly: nothing is guessed or filled in.

Such a year has 8760 hours of local standard time, put together from months of several years; the
year that a row names is of no interest. A value belongs to the end of its hour.

Source:
    EnergyPlus Auxiliary Programs, "EnergyPlus Weather File (EPW) Data Dictionary"; Wilcox and
    Marion, "Users Manual for TMY3 Data Sets", NREL/TP-581-43156 (2008), tables 1-1 and 1-2.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from controller.errors import InputFileError

COMMON_YEAR = 2026
"""Any year of 365 days: dates are counted in it."""
HOURS = 8760
EPW_HEADER_LINES = 8
EPW_FIELDS = 35
EPW_MONTH, EPW_DAY, EPW_HOUR, EPW_DRY_BULB, EPW_RH = 1, 2, 3, 6, 8
TMY3_DATE, TMY3_TIME = "Date (MM/DD/YYYY)", "Time (HH:MM)"
TMY3_DRY_BULB, TMY3_RH = "Dry-bulb (C)", "RHum (%)"
COLDEST_C, WARMEST_C = -60.0, 60.0
MOST_PROBLEMS = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class WeatherYear:
    """Outdoor air at the end of each hour of a year of 365 days."""

    place: str
    outdoor_c: tuple[float, ...]
    outdoor_rh: tuple[float, ...]
    """Relative humidity [share], above 0 to 1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HotWeek:
    """The warmest days together that begin at a midnight; seven unless said."""

    first: date
    mean_c: float
    lowest_c: float
    highest_c: float


def read_weather_year(path: Path) -> WeatherYear:
    """Return the weather year in an EPW file or a TMY3 CSV file.

    Raises:
        InputFileError: The file cannot be used; says every line that is wrong, up to ten.
    """
    try:
        lines = path.read_text(encoding="utf-8-sig", errors="strict").splitlines()
    except UnicodeDecodeError:
        lines = path.read_text(encoding="latin-1").splitlines()  # place names of older files
    except OSError as error:
        raise InputFileError(str(path), (f"cannot be read: {error.strerror}",)) from None
    if lines and lines[0].startswith("LOCATION,"):
        place, rows = lines[0].split(",")[1].strip(), _epw_rows(lines)
    elif len(lines) > 1 and TMY3_DATE in lines[1]:
        place, rows = lines[0].split(",")[1].strip(' "'), _tmy3_rows(lines)
    else:
        first_line = lines[0][:40] if lines else "nothing"
        problem = (
            f'found "{first_line}" in the first line, allowed: an EPW file, which begins with '
            f'LOCATION, or a TMY3 CSV file, whose second line has "{TMY3_DATE}"'
        )
        raise InputFileError(str(path), (problem,))
    return _whole_year(path, place, rows)


def hottest_days(year: WeatherYear, first: date, last: date, *, days: int = 7) -> HotWeek:
    """Return the warmest days together between two dates of `COMMON_YEAR`, both included.

    Args:
        year: The weather.
        first: First day to be looked at.
        last: Last day.
        days: How many.

    Raises:
        ValueError: The dates are fewer days apart.
    """
    begins = [first + timedelta(days=day) for day in range((last - first).days + 2 - days)]
    if not begins:
        raise ValueError(f"{first} to {last} is shorter than {days} days")

    def hours(begin: date) -> tuple[float, ...]:
        at = hour_of_year(begin)
        return year.outdoor_c[at : at + 24 * days]

    hottest = max(begins, key=lambda begin: sum(hours(begin)))
    week = hours(hottest)
    return HotWeek(
        first=hottest, mean_c=sum(week) / len(week), lowest_c=min(week), highest_c=max(week)
    )


def hour_of_year(day: date) -> int:
    """Return how many hours of the year are over when a date of `COMMON_YEAR` begins."""
    return (day - date(COMMON_YEAR, 1, 1)).days * 24


Row = tuple[int, str, str, str, str]
"""Line number, date as MM/DD, hour 1 to 24, dry bulb, relative humidity: as text."""


def _epw_rows(lines: list[str]) -> Iterator[Row | tuple[int, str]]:
    for number, line in enumerate(lines[EPW_HEADER_LINES:], start=EPW_HEADER_LINES + 1):
        if not line.strip():
            continue
        cells = line.split(",")
        if len(cells) != EPW_FIELDS:
            yield number, f"found {len(cells)} fields, allowed: {EPW_FIELDS}"
            continue
        day = f"{cells[EPW_MONTH].strip()}/{cells[EPW_DAY].strip()}"
        yield number, day, cells[EPW_HOUR], cells[EPW_DRY_BULB], cells[EPW_RH]


def _tmy3_rows(lines: list[str]) -> Iterator[Row | tuple[int, str]]:
    header = next(csv.reader([lines[1]]))
    missing = [name for name in (TMY3_TIME, TMY3_DRY_BULB, TMY3_RH) if name not in header]
    if missing:
        yield 2, f"missing columns: {', '.join(missing)}"
        return
    places = [header.index(name) for name in (TMY3_DATE, TMY3_TIME, TMY3_DRY_BULB, TMY3_RH)]
    for number, cells in enumerate(csv.reader(lines[2:]), start=3):
        if len(cells) != len(header):
            yield number, f"found {len(cells)} fields, allowed: {len(header)}"
            continue
        day, time, dry_bulb, rh = (cells[place] for place in places)
        yield number, day[:5], time.removesuffix(":00"), dry_bulb, rh


def _whole_year(path: Path, place: str, rows: Iterator[Row | tuple[int, str]]) -> WeatherYear:
    problems: list[str] = []
    outdoor_c: list[float] = []
    outdoor_rh: list[float] = []
    for row in rows:
        if len(row) == 2:
            problems.append(f"line {row[0]}: {row[1]}")
            break
        _, day, hour, dry_bulb, rh = row
        try:
            _check_place(len(outdoor_c), day, hour)
            outdoor_c.append(_number("dry bulb", dry_bulb, COLDEST_C, WARMEST_C, "°C"))
            outdoor_rh.append(_number("relative humidity", rh, 1.0, 110.0, "%") / 100)
        except ValueError as error:
            problems.append(f"line {row[0]}: {error}")
            break  # every row after a gap would stand at the wrong hour
    if not problems and len(outdoor_c) != HOURS:
        problems.append(f"found {len(outdoor_c)} hours, allowed: {HOURS}, a whole year")
    if problems:
        raise InputFileError(str(path), tuple(problems[:MOST_PROBLEMS]))
    return WeatherYear(
        place=place,
        outdoor_c=tuple(outdoor_c),
        outdoor_rh=tuple(min(1.0, rh) for rh in outdoor_rh),
    )


def _check_place(before: int, day: str, hour: str) -> None:
    """Check that a row is the next hour of the year."""
    try:
        month, day_of_month, of_day = (*map(int, day.split("/")), int(hour))
    except ValueError:
        raise ValueError(
            f'found "{day}" hour "{hour}", allowed: month, day, hour 1 to 24'
        ) from None
    if (month, day_of_month) == (2, 29):
        raise ValueError("found 29 February, allowed: a year of 365 days; leave that day out")
    if before >= HOURS:
        raise ValueError(f"found more than {HOURS} hours, allowed: one year")
    due = date(COMMON_YEAR, 1, 1) + timedelta(days=before // 24)
    if (month, day_of_month, of_day) != (due.month, due.day, before % 24 + 1):
        raise ValueError(
            f"found {day_of_month:02d}.{month:02d}. hour {of_day}, allowed: the next hour,"
            f" {due.day:02d}.{due.month:02d}. hour {before % 24 + 1}; rows must have no gap"
        )


def _number(name: str, text: str, lowest: float, highest: float, unit: str) -> float:
    try:
        value = float(text)
    except ValueError:
        raise ValueError(f'{name}: found "{text[:20]}", allowed: a number in {unit}') from None
    if not lowest <= value <= highest:  # 99.9 and 999 stand for a missing value
        raise ValueError(
            f"{name}: found {value:g}, allowed: {lowest:g} to {highest:g} {unit}; a missing value"
            " must be filled by whoever made the file"
        )
    return value
