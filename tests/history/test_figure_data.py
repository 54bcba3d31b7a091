"""What the page's picture shows: windows, bands, gaps, and the sentence beside it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from controller.domain.places import RECORDS
from controller.history.figure_data import (
    Span,
    Window,
    bands_of,
    history_of,
    window_of,
)
from controller.history.importing import add_history, reading_at
from controller.pictures.chamber_chart import INTERVALS
from controller.records.requests_file import REQUESTS
from tests.lookout.houses import NOW, snapshot

LISBON = ZoneInfo("Europe/Lisbon")
DAY = timedelta(days=1)


def recorded(place: Path, minutes: int, every: int = 1) -> Path:
    """Keep readings up to now: 16 °C, in the middle a minute of 19 °C with the pump on."""
    path = place / RECORDS
    rows = [
        reading_at(
            NOW - timedelta(minutes=minutes - at),
            (19.0 if at == minutes // 2 else 16.0, 4.0, None, None),
            pump=at == minutes // 2,
            fan=False,
        )
        for at in range(0, minutes, every)
    ]
    add_history(path, rows, name="one", chamber="c")
    return path


@pytest.mark.parametrize(
    ("span", "days"), [(Span.DAY, 1), (Span.WEEK, 7), (Span.CROP, 90), (Span.YEAR, 365)]
)
def test_a_span_ends_now(span: Span, days: int) -> None:
    """Where nothing closer is asked for."""
    window = window_of(span, "", "", now=NOW, zone=LISBON)

    assert window == Window(since=NOW - days * DAY, until=NOW)


def test_a_closer_look_is_in_the_chamber_s_zone() -> None:
    """The picture's own times are local; a browser on a journey gives them back as they are."""
    window = window_of(
        Span.WEEK, "2026-07-14T10:00:00", "2026-07-14 12:00:00.1234", now=NOW, zone=LISBON
    )

    assert window.since == datetime(2026, 7, 14, 9, 0, tzinfo=UTC)
    assert window.until == datetime(2026, 7, 14, 11, 0, 0, 123_400, tzinfo=UTC)


@pytest.mark.parametrize(
    ("since", "until"),
    [
        ("2026-07-14T10:00", ""),
        ("", "2026-07-14T10:00"),
        ("soon", "later"),
        ("2026-07-14T10:00", "2026-07-14T10:00:59"),
        ("2026-07-14T12:00", "2026-07-14T10:00"),
        ("1969-01-01T00:00", "1969-01-02T00:00"),
        ("2000-01-01T00:00", "2026-01-01T00:00"),
        ("0001-01-01T00:00+14:00", "0001-01-02T00:00"),
        ("9999-12-31T00:00-14:00", "9999-12-31T23:59-14:00"),
        ("2026-07-14T10:00" + "0" * 5000, "2026-07-14T12:00"),
    ],
)
def test_no_window_is_refused(since: str, until: str) -> None:
    """One error for whatever a browser may send."""
    with pytest.raises(ValueError, match="allowed"):
        window_of(Span.DAY, since, until, now=NOW, zone=LISBON)


def test_bands_step_where_they_were_put_in_force(tmp_path: Path) -> None:
    """The one before the window is in force at its beginning; nonsense is left out."""
    path = recorded(tmp_path, 600)
    with closing(sqlite3.connect(path)) as file, file:
        run, ahead_ms = file.execute("SELECT run, utc_ms - at_ms FROM clocks").fetchone()
        for minutes_ago, name in (
            (500, "15000 16500"), (200, "15500 17000"), (100, "warm"), (-100, "1 2"),
        ):  # fmt: skip
            at_ms = round((NOW.timestamp() - 60 * minutes_ago) * 1000) - ahead_ms
            file.execute(
                "INSERT INTO events (run, at_ms, kind, name, detail) VALUES (?, ?, 'band', ?, '')",
                (run, at_ms, name),
            )

    window = Window(since=NOW - timedelta(minutes=300), until=NOW)

    assert bands_of(path, window) == [
        (window.since.timestamp(), 15.0, 16.5),
        ((NOW - timedelta(minutes=200)).timestamp(), 15.5, 17.0),
    ]


@pytest.mark.parametrize(("minutes", "every"), [(300, 1), (900, 1), (30 * 1440, 5)])
def test_a_peak_of_a_minute_is_in_every_picture(tmp_path: Path, minutes: int, every: int) -> None:
    """By single readings and by columns alike."""
    path = recorded(tmp_path, minutes, every)
    now = snapshot()

    history, words = history_of(
        path, tmp_path / REQUESTS, snapshot=now, unit="C", zone=UTC,
        window=window_of(Span.CROP, "", "", now=NOW, zone=UTC),
    )  # fmt: skip

    air = [part.air_c for part in history.parts if part.air_c is not None]
    air += [(point.air_c,) * 3 for point in history.points if point.air_c is not None]
    assert (min(low for low, _, _ in air), max(high for _, _, high in air)) == (16.0, 19.0)
    assert words.startswith("Air 16.0 °C to 19.0 °C, reservoir 4.0 °C to 4.0 °C, pump on ")
    assert len(history.parts) <= INTERVALS
    assert bool(history.points) is (minutes == 300)
    assert history.bands_c == [((NOW - 90 * DAY).timestamp(), 15.5, 17.0)]


@pytest.mark.parametrize(
    ("unit", "words"),
    [
        ("C", "Air 16.0 °C to 19.0 °C, reservoir 4.0 °C to 4.0 °C, pump on 0% of the time."),
        ("F", "Air 60.8 °F to 66.2 °F, reservoir 39.2 °F to 39.2 °F, pump on 0% of the time."),
    ],
)
def test_the_sentence_beside_the_picture(tmp_path: Path, unit: str, words: str) -> None:
    """For whoever does not see it."""
    path = recorded(tmp_path, 600)

    assert sentence(path, Window(since=NOW - DAY, until=NOW), unit) == words


def test_a_time_without_records_says_so(tmp_path: Path) -> None:
    """Before the first row, and without a file."""
    path = recorded(tmp_path, 600)
    nothing = "Nothing was recorded in this time."

    assert sentence(path, Window(since=NOW, until=NOW + DAY), "C") == nothing
    assert sentence(tmp_path / "none", Window(since=NOW - DAY, until=NOW), "C") == nothing


def test_records_that_cannot_be_read_are_not_called_empty(tmp_path: Path) -> None:
    """A card that fails: nobody is to think that the chamber was off."""
    path = recorded(tmp_path, 600)
    path.write_bytes(b"no database at all" * 100)

    words = sentence(path, Window(since=NOW - DAY, until=NOW), "C")

    assert words.startswith("The past cannot be shown: the records cannot be read.")


@pytest.mark.parametrize("span", [Span.DAY, Span.YEAR])
def test_a_pump_that_was_not_recorded_is_not_shown_as_off(tmp_path: Path, span: Span) -> None:
    """In a picture of single readings and in one of columns."""
    path = tmp_path / RECORDS
    rows = [
        reading_at(NOW - length, (16.0, 4.0, None, None), pump=None, fan=None)
        for length in (span.length - timedelta(hours=1), timedelta(hours=2), timedelta(hours=1))
    ]
    add_history(path, rows, name="one", chamber="c")
    window = Window(since=NOW - span.length, until=NOW)

    history, words = history_of(
        path, path.parent / REQUESTS, snapshot=snapshot(), window=window, unit="C", zone=UTC
    )

    assert {part.pump for part in history.parts} == {None}
    assert words == "Air 16.0 °C to 16.0 °C, reservoir 4.0 °C to 4.0 °C, pump not recorded."


def sentence(path: Path, window: Window, unit: str) -> str:
    _, words = history_of(
        path, path.parent / REQUESTS, snapshot=snapshot(), window=window, unit=unit, zone=UTC
    )
    return words
