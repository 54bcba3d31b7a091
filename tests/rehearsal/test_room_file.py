"""The room from a recording or from weather: played back rightly, or refused line by line."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from scipy.integrate import solve_ivp

from controller.cli.main import status_of
from controller.errors import SettingsError
from controller.rehearsal.room_file import RoomSeries, room_series
from controller.settings.load import Settings, read_settings
from controller.settings.shipped import shipped_config

CONFIG = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")
MIDNIGHT = datetime(2026, 7, 1, tzinfo=UTC)


def settings_with(folder: Path, line: str, table: str) -> Settings:
    """Return the example's settings with a line more in a table."""
    config = folder / "chamber.toml"
    config.write_text(CONFIG.replace(f"[{table}]", f"[{table}]\n{line}"), encoding="utf-8")
    return read_settings(config)


def csv_text(column: str, values: list[float | str], *, first: datetime = MIDNIGHT) -> str:
    """Return hourly rows."""
    rows = [f"{(first + timedelta(hours=h)).isoformat()},{v}" for h, v in enumerate(values)]
    return "\n".join([f"time,{column}", *rows, ""])


def recorded(folder: Path, text: str) -> RoomSeries:
    """Return the series of a recording of the room."""
    (folder / "room.csv").write_text(text, encoding="utf-8")
    settings = settings_with(folder, 'csv = "room.csv"', "plant.room")
    result = room_series(settings, folder)
    assert result is not None
    return result


def test_recording_is_played_by_the_time_of_day_and_again_after_its_last_day(
    tmp_path: Path,
) -> None:
    """Straight between rows; the third day of a two-day recording is its first again."""
    series = recorded(tmp_path, csv_text("room_c", [20.0 + hour / 10 for hour in range(49)]))

    assert series.at(0) == 20.0
    assert series.at(1800) == pytest.approx(20.05)
    assert series.at(47.5 * 3600) == pytest.approx(24.75)
    assert series.at(49 * 3600) == pytest.approx(series.at(3600))


def test_a_byte_order_mark_is_passed_over(tmp_path: Path) -> None:
    """Spreadsheets write one before the header."""
    series = recorded(tmp_path, "\ufeff" + csv_text("room_c", [20.0] * 25))

    assert series.at(0) == 20.0


def test_recording_that_begins_at_noon_is_played_from_its_first_whole_day(tmp_path: Path) -> None:
    """The half day before the first midnight is left out."""
    first = MIDNIGHT + timedelta(hours=12)
    series = recorded(tmp_path, csv_text("room_c", [10.0] * 12 + [22.0] * 25, first=first))

    assert series.at(0) == 22.0


def test_house_follows_the_weather_as_its_equation_says(tmp_path: Path) -> None:
    """dT/dt = (outdoor - T)/tau, then the gain: against scipy's solve_ivp of the same equation."""
    outdoors = [15.0 + 8.0 * math.sin((hour - 9) * math.pi / 12) for hour in range(49)]
    (tmp_path / "weather.csv").write_text(csv_text("outdoor_c", outdoors), encoding="utf-8")
    settings = settings_with(
        tmp_path,
        'weather = "weather.csv"\nhouse_gain = "4 K"',
        "simulation",
    )
    series = room_series(settings, tmp_path)
    assert series is not None

    def outdoor(hour: float) -> float:
        left = min(int(hour), 47)
        return outdoors[left] + (hour - left) * (outdoors[left + 1] - outdoors[left])

    start = sum(outdoors) / len(outdoors)
    solved = solve_ivp(
        lambda hour, inside: (outdoor(hour) - inside) / 20,
        (0, 47),
        [start],
        rtol=1e-9,
        atol=1e-9,
        max_step=0.25,
        t_eval=range(48),
    )
    for hour in range(48):
        assert series.at(hour * 3600) == pytest.approx(solved.y[0][hour] + 4, abs=1e-3)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        pytest.param(csv_text("room_f", [70.0] * 30), "convert it first", id="fahrenheit-column"),
        pytest.param(csv_text("room_c", [70.0] * 30), "is it °F?", id="fahrenheit-values"),
        pytest.param(csv_text("temp", [20.0] * 30), "missing: room_c", id="another-column"),
        pytest.param(csv_text("room_c", [20.0, "nan", *[20.0] * 30]), "line 3", id="nan"),
        pytest.param(csv_text("room_c", [20.0, "", *[20.0] * 30]), "line 3", id="empty-cell"),
        pytest.param(csv_text("room_c", ["20,5"] * 30), "line 2", id="decimal-comma"),
        pytest.param(csv_text("room_c", [20.0] * 10), "allowed: 23 h or more", id="too-short"),
        pytest.param(
            csv_text("room_c", [20.0] * 30) + csv_text("room_c", [20.0] * 2)[12:],
            "not later than the row before",
            id="time-goes-back",
        ),
        pytest.param(
            csv_text("room_c", [20.0] * 30)
            + csv_text("room_c", [20.0], first=MIDNIGHT + timedelta(hours=40)).split("\n")[1],
            "a gap of 11.0 h",
            id="gap",
        ),
        pytest.param(
            "time,room_c\n2026-07-01T00:00:00,20\n", "without an offset", id="time-without-offset"
        ),
        pytest.param("\x00\x01", "columns", id="noise"),
    ],
)
def test_file_that_cannot_be_trusted_is_refused_by_line(
    tmp_path: Path, text: str, message: str
) -> None:
    """Nothing is guessed and nothing is half used."""
    with pytest.raises(SettingsError) as refused:
        recorded(tmp_path, text)

    assert any(message in problem for problem in refused.value.problems), refused.value.problems


def test_rehearsal_takes_the_room_from_the_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A cold recorded room needs no cooling at all; both files at once are refused."""
    recorded(tmp_path, csv_text("room_c", [12.0] * 30))
    config = str(tmp_path / "chamber.toml")

    assert status_of(["rehearse", config, "--days", "0.3", "--json"]) == 0
    assert '"starts": 1,' in capsys.readouterr().out  # the warm start is cooled off once
    settings_with(tmp_path, 'weather = "room.csv"', "simulation")
    text = (tmp_path / "chamber.toml").read_text(encoding="utf-8")
    (tmp_path / "chamber.toml").write_text(
        text.replace("[plant.room]", '[plant.room]\ncsv = "room.csv"'), encoding="utf-8"
    )
    assert status_of(["rehearse", config]) == 78
    assert "one of the two" in capsys.readouterr().err
