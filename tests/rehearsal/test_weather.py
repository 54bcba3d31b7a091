"""Weather years through the house: what is read, what is refused, what a season says.

The files are invented here in the published layouts (EnergyPlus weather file data dictionary;
users manual for TMY3 data sets, NREL/TP-581-43156). Read once outside the tests, Greensboro's TMY3
year, which the package pvlib 0.16.1 carries, gives the hottest week that its rows give by hand:
from 8 July, 28.6 °C on average (22.2 to 35.6).
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import pytest

from controller.cli.main import status_of
from controller.errors import InputFileError
from controller.rehearsal.room_file import season_series
from controller.settings.load import read_settings
from controller.settings.shipped import shipped_config
from controller.settings.weather_file import hottest_days, read_weather_year
from controller.thermal.moist_air import humidity_ratio

CONFIG = shipped_config("larkmoor-laptop.toml")
NEW_YEAR = date(2026, 1, 1)
HOURS = [(NEW_YEAR + timedelta(days=hour // 24), hour % 24 + 1) for hour in range(8760)]


def outdoor_c(hour: int) -> float:
    """A cosine over the year and the day; the week from 10 July is 6 K warmer."""
    day = hour / 24
    year = 10.0 - 9.0 * math.cos(2 * math.pi * (day - 20) / 365)
    heat = 6.0 if 190 <= day < 197 else 0.0
    return round(year + heat - 4.0 * math.cos(2 * math.pi * (hour % 24 - 4) / 24), 1)


def epw() -> list[str]:
    header = ["LOCATION,Larkmoor,-,-,invented,0,51.0,0.0,0.0,20.0", *(["HEADER"] * 7)]
    rows = []
    for number, (day, hour) in enumerate(HOURS):
        cells = ["2011", day.month, day.day, hour, 0, "?9", outdoor_c(number + 1), 9.0, 70]
        rows.append(",".join(map(str, [*cells, *([0] * 26)])))
    return [*header, *rows]


def tmy3() -> list[str]:
    header = "Date (MM/DD/YYYY),Time (HH:MM),GHI (W/m^2),Dry-bulb (C),Dew-point (C),RHum (%)"
    rows = [
        f"{day:%m/%d}/1988,{hour:02d}:00,0,{outdoor_c(number + 1)},9.0,70"
        for number, (day, hour) in enumerate(HOURS)
    ]
    return ['000001,"Larkmoor",XX,0.0,51.0,0.0,20', header, *rows]


@pytest.mark.parametrize("lines", [epw(), tmy3()], ids=["epw", "tmy3"])
def test_both_layouts_give_the_same_year(tmp_path: Path, lines: list[str]) -> None:
    """Place, first and last hour, humidity as a share, and the week that is 6 K warmer."""
    file = tmp_path / "year"
    file.write_text("\n".join(lines), encoding="utf-8")

    year = read_weather_year(file)
    week = hottest_days(year, date(2026, 6, 1), date(2026, 8, 31))

    assert year.place == "Larkmoor"
    assert len(year.outdoor_c) == 8760
    assert (year.outdoor_c[0], year.outdoor_c[-1]) == (outdoor_c(1), outdoor_c(8760))
    assert year.outdoor_rh[100] == pytest.approx(0.7)
    assert week.first == date(2026, 7, 10)
    assert week.highest_c == max(year.outdoor_c)


def without(line: int) -> Callable[[list[str]], list[str]]:
    return lambda lines: [*lines[:line], *lines[line + 1 :]]


def with_cell(cell: int, text: str) -> Callable[[list[str]], list[str]]:
    def change(lines: list[str]) -> list[str]:
        cells = lines[500].split(",")
        cells[cell] = text
        return [*lines[:500], ",".join(cells), *lines[501:]]

    return change


def leap(lines: list[str]) -> list[str]:
    at = next(number for number, line in enumerate(lines) if line.startswith("2011,3,1,1,"))
    day = [line.replace("2011,2,28,", "2012,2,29,") for line in lines[at - 24 : at]]
    return [*lines[:at], *day, *lines[at:]]


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        (without(700), "line 701: found 29.01. hour 22, allowed: the next hour, 29.01. hour 21"),
        (without(-2), "rows must have no gap"),
        (lambda lines: lines[:-24], "found 8736 hours, allowed: 8760"),
        (leap, "found 29 February"),
        (lambda lines: [*lines, lines[-1]], "found more than 8760 hours"),
        (with_cell(6, "99.9"), "a missing value must be filled"),
        (with_cell(6, "warm"), 'dry bulb: found "warm"'),
        (with_cell(8, "999"), "relative humidity: found 999"),
        (with_cell(6, "20,1"), "found 36 fields, allowed: 35"),
        (lambda lines: lines[8:], "allowed: an EPW file, which begins with LOCATION"),
        (lambda _: [], 'found "nothing" in the first line'),
    ],
)
def test_a_file_that_is_no_whole_year_is_refused(
    tmp_path: Path, change: Callable[[list[str]], list[str]], problem: str
) -> None:
    """Wrong files, gaps, leap days, missing values: nothing is guessed, and the status is 66."""
    file = tmp_path / "wrong.epw"
    file.write_text("\n".join(change(epw())), encoding="utf-8")

    with pytest.raises(InputFileError, match=r"wrong\.epw") as refused:
        read_weather_year(file)

    assert any(problem in each for each in refused.value.problems)
    assert status_of(["rehearse", str(CONFIG), "--weather", str(file)]) == 66


def test_other_columns_are_named(tmp_path: Path) -> None:
    """A TMY3 file without humidity says which column is missing."""
    file = tmp_path / "dry.csv"
    text = "\n".join(tmy3()).replace("RHum (%)", "Humidity")
    file.write_text(text, encoding="utf-8")

    with pytest.raises(InputFileError) as refused:
        read_weather_year(file)

    assert refused.value.problems == ("line 2: missing columns: RHum (%)",)


def test_the_house_follows_slowly_and_holds_the_vapour_of_the_air_outdoors(tmp_path: Path) -> None:
    """Warmer than outdoors by the gain on average, a smaller swing, the same humidity ratio."""
    file = tmp_path / "year.epw"
    file.write_text("\n".join(epw()), encoding="utf-8")
    settings, year = read_settings(CONFIG), read_weather_year(file)

    room = season_series(settings, year, date(2026, 5, 1), date(2026, 5, 20))

    assert room.seconds[0] == 0.0
    assert room.seconds[-1] == 20 * 86_400.0
    begins = 24 * (date(2026, 5, 1) - NEW_YEAR).days
    outdoors = [year.outdoor_c[begins - 1], *year.outdoor_c[begins : begins + 480]]
    gain_k = settings.simulation.house_gain / 1000
    inside_c = sum(room.room_c) / len(room.room_c)
    assert inside_c == pytest.approx(sum(outdoors) / len(outdoors) + gain_k, abs=1.0)
    assert max(room.room_c) - min(room.room_c) < 0.8 * (max(outdoors) - min(outdoors))
    expected = humidity_ratio(air_c=outdoors[12], rh=0.7)
    assert room.ratio_at(12 * 3600.0) == pytest.approx(expected, rel=0.01)


def test_a_season_is_reported_week_by_week(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nine days: two weeks in the document and on the screen, the hottest one named."""
    file = tmp_path / "year.epw"
    file.write_text("\n".join(epw()), encoding="utf-8")
    asked = ["rehearse", str(CONFIG), "--weather", str(file), "--from", "07-08", "--to", "07-16"]

    assert status_of([*asked, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert status_of(asked) == 0
    shown = capsys.readouterr().out

    weeks = document["weeks"]
    assert [(week["first"], week["days"]) for week in weeks] == [("07-08", 7), ("07-15", 2)]
    assert sum(week["packs"] for week in weeks) == document["packs_used"]
    assert document["simulated_s"] == 9 * 86_400
    for week in weeks:
        assert week["worst_day_in_band_share"] <= week["in_band_share"] <= 1.0
    assert "Hottest week in Larkmoor: from 10 Jul" in shown
    assert "08 Jul" in shown


@pytest.mark.parametrize(
    ("options", "status"),
    [
        (["--from", "06-01"], 64),
        (["--weather", "FILE", "--from", "2026-06-01"], 64),
        (["--weather", "FILE", "--from", "02-29"], 64),
    ],
    ids=["no-weather", "with-year", "leap-day"],
)
def test_days_that_cannot_be_meant_are_refused(options: list[str], status: int) -> None:
    """Days without a year of weather; a date with a year; 29 February."""
    assert status_of(["rehearse", str(CONFIG), *options]) == status
