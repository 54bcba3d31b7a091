"""What people type: instants, days of a weather year; and files that cannot be used."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import click
import pytest

from controller.cli.files import reason_of, require_readable
from controller.cli.first_run_words import first_run_summary
from controller.cli.instants import instant
from controller.cli.rehearsal_weather import MonthDay, season_of
from controller.domain.first_run import CheckedStep, FirstRun
from controller.errors import InputFileError, ScenarioError
from controller.settings.load import read_settings
from controller.settings.scenario_file import read_scenario
from controller.settings.shipped import shipped_config
from controller.settings.weather_file import COMMON_YEAR

LISBON = ZoneInfo("Europe/Lisbon")


def test_an_instant_without_an_offset_is_of_the_chamber_or_of_this_machine() -> None:
    """One with an offset says itself when it was."""
    summer = "2026-07-01T18:30"
    assert instant(summer, option="--at", zone=LISBON) == datetime(2026, 7, 1, 17, 30, tzinfo=UTC)
    assert instant(summer, option="--at") == datetime(2026, 7, 1, 18, 30).astimezone()
    fixed = instant(f"{summer}+03:00", option="--at", zone=LISBON)
    assert fixed == datetime(2026, 7, 1, 15, 30, tzinfo=UTC)
    with pytest.raises(click.BadParameter, match="allowed: ISO 8601"):
        instant("teatime", option="--at")


@pytest.mark.parametrize(("text", "day"), [("06-01", (6, 1)), ("12-31", (12, 31))])
def test_a_day_of_a_weather_year_is_a_month_and_a_day(text: str, day: tuple[int, int]) -> None:
    """Of a common year: a leap day is none."""
    assert MonthDay().convert(text, None, None) == date(COMMON_YEAR, *day)
    assert MonthDay().convert(date(COMMON_YEAR, 6, 1), None, None) == date(COMMON_YEAR, 6, 1)
    for wrong in ("02-29", "1 June", "2026-06-01"):
        with pytest.raises(click.BadParameter, match="allowed: month and day such as 06-01"):
            MonthDay().convert(wrong, None, None)


SETTINGS = read_settings(shipped_config("larkmoor-laptop.toml"))
CALM = read_scenario(shipped_config("scenarios/calm-day.toml"))
JUNE, JULY = date(COMMON_YEAR, 6, 1), date(COMMON_YEAR, 7, 1)


def test_days_without_a_weather_year_are_refused_and_neither_is_neither() -> None:
    """Nobody asked for a season."""
    assert season_of(SETTINGS, CALM, None, None, None) is None
    for first, last in ((JUNE, None), (None, JULY)):
        with pytest.raises(click.UsageError, match="--from and --to choose days of --weather"):
            season_of(SETTINGS, CALM, None, first, last)


def write_epw(path: Path) -> Path:
    """Write a year of outdoor air in the format of EnergyPlus: 15 °C, and 30 °C in one week."""
    lines = ["LOCATION,Somewhere,-,-,-,0,10.0,20.0,0.0,5.0", *["-"] * 7]
    for day in range(365):
        at = date.fromordinal(date(COMMON_YEAR, 1, 1).toordinal() + day)
        warm = date(COMMON_YEAR, 7, 10) <= at < date(COMMON_YEAR, 7, 17)
        for hour in range(1, 25):
            air_c = 30.0 if warm else 15.0
            row = [COMMON_YEAR, at.month, at.day, hour, 60, "-", air_c, 10.0, 50, 101325, *[0] * 25]
            lines.append(",".join(map(str, row)))
    path.write_text("\n".join(lines) + "\n", encoding="ascii")
    return path


def test_a_season_is_the_days_asked_for_and_its_hottest_week(tmp_path: Path) -> None:
    """All year where none are named; less than a week has no hottest one. Source: EPW format."""
    epw = write_epw(tmp_path / "w.epw")

    year = season_of(SETTINGS, CALM, epw, None, None)
    assert year is not None
    assert (year.first, year.days) == (date(COMMON_YEAR, 1, 1), 365)
    assert year.hottest is not None
    assert year.hottest.first == date(COMMON_YEAR, 7, 10)
    week = season_of(SETTINGS, CALM, epw, JUNE, date(COMMON_YEAR, 6, 7))
    assert week is not None
    assert (week.days, week.hottest is None) == (7, False)
    less = season_of(SETTINGS, CALM, epw, JUNE, date(COMMON_YEAR, 6, 6))
    assert less is not None
    assert (less.days, less.hottest) == (6, None)
    day = season_of(SETTINGS, CALM, epw, JUNE, JUNE)
    assert day is not None
    assert day.days == 1
    with pytest.raises(click.UsageError, match="a last day on or after the first"):
        season_of(SETTINGS, CALM, epw, JULY, JUNE)


def test_a_length_ends_a_season_and_never_plays_it_again(tmp_path: Path) -> None:
    """Else weeks were shown under dates whose weather they had not, and a hottest one of others."""
    epw = write_epw(tmp_path / "w.epw")

    cut = season_of(SETTINGS, CALM, epw, JUNE, JULY, 2.5)
    assert cut is not None
    assert (cut.days, cut.hottest) == (3, None)
    assert cut.room.seconds[-1] == 3 * 86_400.0
    with pytest.raises(click.UsageError, match="found 8, allowed: up to 7, the days from 06-01"):
        season_of(SETTINGS, CALM, epw, JUNE, date(COMMON_YEAR, 6, 7), 8.0)


def test_a_scenario_with_its_own_heat_does_not_go_with_weather(tmp_path: Path) -> None:
    """Nobody would know what warmed the room."""
    hot = read_scenario(shipped_config("scenarios/heat-wave.toml"))

    with pytest.raises(ScenarioError, match="warmer_by"):
        season_of(SETTINGS, hot, tmp_path / "w.epw", None, None)


def first_run(*outcomes: tuple[str, str], signed: bool) -> FirstRun:
    steps = tuple(CheckedStep(name=name, outcome=outcome) for name, outcome in outcomes)
    at = datetime(2026, 6, 1, 12, tzinfo=UTC)
    return FirstRun(
        chamber="shelf", config_sha256="0", steps=steps, at=at, who="Tove", signed=signed
    )


@pytest.mark.parametrize(
    ("run", "words"),
    [
        (None, "none on record; coldpin first-run makes one"),
        (first_run(("probes", "done"), signed=True), "signed off by Tove on 2026-06-01"),
        (
            first_run(("probes", "done"), ("buzzer", "skipped"), signed=True),
            "signed off by Tove on 2026-06-01; left out: buzzer",
        ),
        (
            first_run(("flow", "failed"), ("buzzer", "skipped"), signed=False),
            "not signed off on 2026-06-01 (Tove): flow; left out: buzzer",
        ),
        (first_run(("flow", "done"), signed=False), "not signed off on 2026-06-01 (Tove): no name"),
    ],
    ids=["none", "signed", "left-out", "failed", "without-a-name"],
)
def test_a_first_run_in_a_few_words(run: FirstRun | None, words: str) -> None:
    """By whom, when, and what is open."""
    assert first_run_summary(run) == words


def test_a_file_that_cannot_be_read_says_why(tmp_path: Path) -> None:
    """That it is not there and that it may not be read are two things."""
    file = tmp_path / "here.csv"
    file.touch()
    require_readable(file)
    with pytest.raises(InputFileError, match="there is no such file"):
        require_readable(tmp_path / "none.csv")
    with pytest.raises(InputFileError, match="cannot be opened: "):
        require_readable(tmp_path)
    assert reason_of(OSError("the medium is gone")) == "the medium is gone"
    assert str(file) in reason_of(PermissionError(13, "Permission denied", str(file)))
