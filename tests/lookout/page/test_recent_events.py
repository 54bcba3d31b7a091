"""What happened since somebody last looked, and since when that is."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from controller.domain.places import RECORDS
from controller.domain.requests import (
    Acknowledge,
    FrozenThrough,
    LogSwap,
    Pause,
    Payload,
    Reset,
    Resume,
    SetStage,
)
from controller.history.importing import add_history, reading_at
from controller.lookout.page.recent_events import recent_events, since_last_visit
from controller.records.requests_file import REQUESTS, AskedAt, answer_all, ask, report_swap_due
from tests.lookout.houses import NOW

HOUR = timedelta(hours=1)


def cookie(since: datetime, seen: datetime) -> str:
    return f"{since.timestamp():.0f}.{seen.timestamp():.0f}"


@pytest.mark.parametrize(
    ("remembered", "since"),
    [
        (None, None),
        (cookie(NOW - 9 * HOUR, NOW - 0.4 * HOUR), NOW - 9 * HOUR),
        (cookie(NOW - 9 * HOUR, NOW - 0.6 * HOUR), NOW - 0.6 * HOUR),
        (cookie(NOW - 9 * HOUR, NOW + HOUR), None),
        (cookie(NOW - HOUR, NOW - 2 * HOUR), None),
        (cookie(NOW - 1000 * HOUR, NOW - HOUR), None),
        ("999999999999.999999999999", None),
        ("٣.٣", None),
    ],
    ids=["first", "same-visit", "new-visit", "future", "backwards", "long-ago", "far", "not-ascii"],
)
def test_since_when(remembered: str | None, since: datetime | None) -> None:
    """Half an hour of looking is one visit; what a browser says is not believed."""
    result, to_remember = since_last_visit(remembered, NOW)

    assert result == since
    assert to_remember == cookie(since or NOW, NOW)


def test_turning_a_page_keeps_what_is_to_be_read() -> None:
    """Day, week, a swap noted: an hour of it, five minutes apart, and still since yesterday."""
    remembered: str | None = cookie(NOW - 20 * HOUR, NOW - 10 * HOUR)
    for turn in range(12):
        since, remembered = since_last_visit(remembered, NOW + turn * timedelta(minutes=5))

    assert since == NOW - 10 * HOUR


def put_events(place: Path, *events: tuple[int, str, str, str]) -> Path:
    path = place / RECORDS
    row = reading_at(NOW - 5 * HOUR, (16.0, 4.0, None, None), pump=False, fan=False)
    add_history(path, [row], name="one", chamber="c")
    with closing(sqlite3.connect(path)) as file, file:
        run, ahead_ms = file.execute("SELECT run, utc_ms - at_ms FROM clocks").fetchone()
        for minutes_ago, kind, name, detail in events:
            at_ms = round((NOW.timestamp() - 60 * minutes_ago) * 1000) - ahead_ms
            file.execute(
                "INSERT INTO events (run, at_ms, kind, name, detail) VALUES (?, ?, ?, ?, ?)",
                (run, at_ms, kind, name, detail),
            )
    return path


def put_request(place: Path, minutes_ago: int, payload: Payload, answer: str | None) -> None:
    utc_ms = round((NOW.timestamp() - 60 * minutes_ago) * 1000)
    at = AskedAt(utc_ms=utc_ms, boot_id="b", boot_ms=0)
    number = ask(place / REQUESTS, payload, who="Tove (page)", at=at)
    if answer is not None:
        answer_all(place / REQUESTS, [(number, answer)], utc_ms=utc_ms + 5000)


def test_alarms_and_requests_stand_in_one_order_newest_first(tmp_path: Path) -> None:
    """Who asked for what, with its answer; phases and the lookout's own word are left out."""
    records = put_events(
        tmp_path,
        (200, "alarm_raised", "air_high", ""),
        (90, "alarm_raised", "probe_lost", "room"),
        (80, "phase", "cool", "call for cooling"),
        (30, "alarm_cleared", "probe_lost", "room"),
    )
    swap = LogSwap(packs=4, at=NOW, frozen_through=FrozenThrough.NO)
    put_request(tmp_path, 60, swap, "noted")
    put_request(tmp_path, 20, Pause(for_s=900.0), None)
    put_request(tmp_path, 180, Reset(), "done")
    report_swap_due(tmp_path / REQUESTS, due=True, for_s=60.0)

    shown_events = recent_events(
        records, tmp_path / REQUESTS, since=NOW - 2 * HOUR, now=NOW, zone=UTC
    )

    assert shown_events == [
        ("13:40", "Tove (page) paused for 15 min (not answered yet)"),
        ("13:30", "Ended: Probe not answering (room probe)"),
        ("13:00", "Tove (page) logged a change of 4 packs, not frozen through"),
        ("12:30", "Probe not answering (room probe)"),
    ]


def test_an_end_of_nothing_is_shown_as_such(tmp_path: Path) -> None:
    put_request(tmp_path, 5, Resume(), "nothing to do: no pause was running")

    ((_, words),) = recent_events(
        tmp_path / RECORDS, tmp_path / REQUESTS, since=NOW - HOUR, now=NOW, zone=UTC
    )

    assert words == "Tove (page) ended the pause (nothing to do: no pause was running)"


def test_records_that_cannot_be_read_are_not_called_uneventful(tmp_path: Path) -> None:
    """What people asked for is still known."""
    (tmp_path / RECORDS).write_bytes(b"no database at all" * 100)
    put_request(tmp_path, 5, Resume(), "done")

    events = recent_events(
        tmp_path / RECORDS, tmp_path / REQUESTS, since=NOW - HOUR, now=NOW, zone=UTC
    )

    assert [words for _, words in events] == [
        "The records cannot be read, so what happened is not known",
        "Tove (page) ended the pause",
    ]


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        (SetStage(name="pinning"), "changed the stage to pinning"),
        (Resume(), "ended the pause"),
        (Acknowledge(), "marked all alarms as seen"),
        (Acknowledge(alarm="air_high"), "marked Air too warm as seen"),
        (Reset(), "ended the lockout"),
        (
            LogSwap(packs=2, at=NOW, frozen_through=FrozenThrough.YES),
            "logged a change of 2 packs, frozen through",
        ),
    ],
)
def test_each_request_has_its_words(tmp_path: Path, payload: Payload, words: str) -> None:
    """What was asked for, by whom, and the answer."""
    put_request(tmp_path, 5, payload, "done")

    events = recent_events(
        tmp_path / RECORDS, tmp_path / REQUESTS, since=NOW - HOUR, now=NOW, zone=UTC
    )

    assert events == [("13:55", f"Tove (page) {words}")]
