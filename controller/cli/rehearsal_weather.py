"""``coldpin rehearse --weather``: the file, its dates, and the text of a season."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click
from rich.console import Console

from controller.cli import people
from controller.errors import ScenarioError
from controller.pictures import words
from controller.rehearsal.rehearse import Rehearsal
from controller.rehearsal.room_file import RoomSeries, season_series
from controller.rehearsal.season import weeks_of
from controller.settings.load import Settings
from controller.settings.scenario_file import ScenarioFile
from controller.settings.weather_file import COMMON_YEAR, HotWeek, hottest_days, read_weather_year

WEEK_DAYS = 7

if TYPE_CHECKING:
    _DateParameter = click.ParamType[date]
else:  # click before 8.3, which we allow, has no brackets here
    _DateParameter = click.ParamType


class MonthDay(_DateParameter):
    """A month and a day such as 06-01; a typical year belongs to no year."""

    name = "MM-DD"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> date:
        """Return the day in `COMMON_YEAR`."""
        if isinstance(value, date):
            return value
        try:
            return datetime.strptime(f"{COMMON_YEAR}-{value}", "%Y-%m-%d").date()  # noqa: DTZ007
        except ValueError:
            self.fail(f'found "{value}", allowed: month and day such as 06-01', param, ctx)


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """A stretch of a weather year, ready to be rehearsed."""

    place: str
    first: date
    days: int
    room: RoomSeries
    hottest: HotWeek | None
    """None: shorter than a week."""


def season_of(
    settings: Settings,
    script: ScenarioFile,
    path: Path | None,
    first: date | None,
    last: date | None,
    length_days: float | None = None,
) -> Season | None:
    """Return the season that the options ask for, None where they name no weather.

    Args:
        settings: The house.
        script: The scenario.
        path: The weather year.
        first: First day; None: that of the year.
        last: Last day; None: that of the year.
        length_days: End it after so many days [d]; None: as the dates say.

    Raises:
        UsageError: Days of a weather year without a weather year, dates that go backwards, or more
            days than they have.
        InputFileError: The weather cannot be used.
        ScenarioError: The scenario does not go with it.
    """
    if path is None:
        if first or last:
            raise click.UsageError("--from and --to choose days of --weather FILE; give it too")
        return None
    if script.room.warmer_by:
        raise ScenarioError(
            "--weather: found a scenario that makes the room warmer by itself, allowed: one"
            " without [room] warmer_by, such as calm-day"
        )
    year = read_weather_year(path)
    first = first or date(COMMON_YEAR, 1, 1)
    last = last or date(COMMON_YEAR, 12, 31)
    days = (last - first).days + 1
    if days < 1:
        raise click.UsageError(
            f"--from {first:%m-%d} --to {last:%m-%d}: allowed: a last day on or after the first"
        )
    if length_days is not None:
        if length_days > days:
            raise click.UsageError(
                f"--days: found {length_days:g}, allowed: up to {days}, the days from {first:%m-%d}"
                f" to {last:%m-%d}"
            )
        days = math.ceil(length_days)
        last = first + timedelta(days=days - 1)
    return Season(
        place=year.place,
        first=first,
        days=days,
        room=season_series(settings, year, first, last),
        hottest=hottest_days(year, first, last) if days >= WEEK_DAYS else None,
    )


def print_season(console: Console, season: Season, rehearsal: Rehearsal, unit: str) -> None:
    """Print the hottest week and a row for each week."""
    hottest = season.hottest
    if hottest is not None:
        mean, lowest, highest = (
            words.temperature(value_c * 1000, unit)
            for value_c in (hottest.mean_c, hottest.lowest_c, hottest.highest_c)
        )
        console.print(
            f"Hottest week in {season.place}: from {hottest.first:%d %b}, {mean} outdoors "
            f"on average ({lowest} to {highest})"
        )
    table = people.table("week from", "in band", "packs", "worst day")
    for week in weeks_of(rehearsal):
        table.add_row(
            f"{week.first:%d %b}",
            f"{week.in_band_share:.1%}",
            str(week.packs),
            f"{week.worst_day:%d %b}, {week.worst_day_share:.1%} in band",
        )
    console.print(table)
