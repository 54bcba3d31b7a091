"""The outdoor forecast as a file: used, renewed, and where it is bad a note and no more."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from controller.lookout.outdoor_forecast import WeatherFile
from tests.lookout.houses import settings_with

NOW = datetime(2026, 7, 14, 12, 0, tzinfo=UTC)
NOW_S = NOW.timestamp()


def hour_at(at_s: float) -> float:
    """Return the hour of the day in UTC."""
    return at_s / 3600.0 % 24.0


def csv_text(values: list[object], column: str = "outdoor_c", step_h: float = 1.0) -> str:
    """Return rows from a day before now on."""
    first = NOW - timedelta(days=1)
    rows = [
        f"{(first + timedelta(hours=step_h * index)).isoformat()},{value}"
        for index, value in enumerate(values)
    ]
    return "\n".join([f"time,{column}", *rows]) + "\n"


def file_in(folder: Path, text: str | None) -> WeatherFile:
    """Return the file that a configuration names."""
    if text is not None:
        (folder / "weather.csv").write_text(text, encoding="utf-8")
    settings = settings_with(folder, "")
    site = settings.site.model_copy(update={"outdoor_forecast": "weather.csv"})
    return WeatherFile(settings.model_copy(update={"site": site}), folder)


def test_a_good_file_is_used_and_read_again_when_it_changes(tmp_path: Path) -> None:
    """Three days of hours; then the service says it will be hotter."""
    file = file_in(tmp_path, csv_text([20.0] * 73))
    calm, notes = file.outdoors(hour_at, now_s=NOW_S)
    again, _ = file.outdoors(hour_at, now_s=NOW_S)

    assert calm is not None
    assert notes == ()
    assert again is calm

    path = tmp_path / "weather.csv"
    path.write_text(csv_text([20.0] * 36 + [30.0] * 37), encoding="utf-8")
    os.utime(path, ns=(1, 1))
    hot, _ = file.outdoors(hour_at, now_s=NOW_S)
    assert hot is not None
    later = hot.off_k(NOW_S + 40 * 3600.0)
    now = hot.off_k(NOW_S)
    assert later is not None
    assert now is not None
    assert later - now > 3.0


@pytest.mark.parametrize(
    ("text", "says"),
    [
        pytest.param(None, "cannot be read", id="missing"),
        pytest.param(csv_text([70.0] * 40), "is it °F?", id="fahrenheit"),
        pytest.param(csv_text([70.0] * 40, "outdoor_f"), "convert it first", id="other-column"),
        pytest.param(csv_text([20.0] * 10, step_h=8.0), "a gap of 8.0 h", id="gap"),
        pytest.param(csv_text([20.0, "", *[20.0] * 40]), "line 3", id="empty-cell"),
        pytest.param("\x00", "not used", id="noise"),
        pytest.param(csv_text([20.0] * 20), "ends in the past", id="old"),
    ],
)
def test_a_bad_file_is_a_note(tmp_path: Path, text: str | None, says: str) -> None:
    """Named with its line; no weather is used and nothing is raised."""
    outdoors, notes = file_in(tmp_path, text).outdoors(hour_at, now_s=NOW_S)

    assert outdoors is None
    assert len(notes) == 1
    assert says in notes[0]


def test_where_none_is_named_nothing_is_reported(tmp_path: Path) -> None:
    """Most growers have none."""
    assert WeatherFile(settings_with(tmp_path, ""), tmp_path).outdoors(hour_at, now_s=NOW_S) == (
        None,
        (),
    )
