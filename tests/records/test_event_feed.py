"""Events passed on once each, by a place in the records; and how a chamber looks from outside."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from controller.core.decide import begin
from controller.domain.alarms import AlarmName
from controller.domain.first_run import CheckedStep, FirstRun
from controller.domain.requests import LogSwap, Pause, ReportSwapDue
from controller.domain.temperatures import Lost, Seen
from controller.records.boot import boot_id, boottime
from controller.records.event_feed import EventFeed, FedEvent
from controller.records.first_runs import keep_first_run, last_first_run
from controller.records.requests_file import REQUESTS, AskedAt, ask
from controller.records.snapshot import RECENT, take_snapshot
from controller.records.status_file import Clocks, status_of, write_status
from controller.records.writer import RecordsWriter
from tests.lookout.houses import NOW, status
from tests.support.laws import make_inputs, make_law
from tests.support.waiting import AT_MOST_S

Say = Callable[..., None]


@pytest.fixture(name="say")
def _say(tmp_path: Path) -> Say:
    """Return a function by which a run of the service writes events."""

    def say(*names: str, path: Path = tmp_path / "records.sqlite", boot: str = "boot-one") -> None:
        writer = RecordsWriter(path, chamber="shelf", boot_id=boot, ahead_s=0.0)
        for index, name in enumerate(names):
            writer.keep_event(boottime() + index, "note", name, f"detail of {name}")
        writer.close(AT_MOST_S)

    return say


def feed_of(folder: Path) -> EventFeed:
    return EventFeed(folder / "records.sqlite", folder / "place.json")


def names(events: list[FedEvent]) -> list[str]:
    return [event.name for event in events]


def test_what_happened_before_the_first_time_is_left_alone(tmp_path: Path, say: Say) -> None:
    """A broker that is set up today hears nothing of last year; then it hears all."""
    assert feed_of(tmp_path).next() == []  # no records yet
    say("old")
    feed = feed_of(tmp_path)
    assert feed.next() == []

    before = datetime.now(UTC) - timedelta(seconds=2)
    say("new", "newer")

    first, second = feed.next()
    assert names([first, second]) == ["new", "newer"]
    assert (first.kind, first.detail) == ("note", "detail of new")
    assert first.at is not None
    assert before < first.at < datetime.now(UTC) + timedelta(seconds=2)
    assert second.row == first.row + 1
    assert first.id != second.id
    assert first.id.startswith("boot-one-")


def test_an_event_comes_until_it_was_passed_on_and_then_no_more(tmp_path: Path, say: Say) -> None:
    """Also after a restart of whoever passes them on."""
    say("old")
    feed_of(tmp_path).next()
    say("a", "b", "c")
    feed = feed_of(tmp_path)
    events = feed.next()
    assert names(events) == names(feed.next()) == ["a", "b", "c"]
    assert names(feed.next(most=2)) == ["a", "b"]
    assert names(feed.next(after=events[0].row)) == ["b", "c"]  # one is under way

    feed.passed_on(events[1].row)
    feed.passed_on(events[0].row)  # a late answer takes nothing back

    assert feed.row == events[1].row
    assert names(feed.next(after=events[0].row)) == ["c"]
    assert names(feed_of(tmp_path).next()) == ["c"]


def test_another_database_is_read_from_its_beginning(tmp_path: Path, say: Say) -> None:
    """The damaged one was set aside: its rows say nothing of the new one's."""
    say("old")
    feed_of(tmp_path).next()
    say("a")
    feed = feed_of(tmp_path)
    (event,) = feed.next()
    feed.passed_on(event.row)
    (tmp_path / "records.sqlite").unlink()
    say("first of the new", boot="boot-two")

    (again,) = feed_of(tmp_path).next()

    assert again.name == "first of the new"
    assert again.id != event.id


def test_records_that_are_being_made_have_no_events_yet(tmp_path: Path) -> None:
    """The file is there before its tables."""
    with closing(sqlite3.connect(tmp_path / "records.sqlite")) as file:
        file.execute("VACUUM")

    assert feed_of(tmp_path).next() == []


def test_an_event_of_a_run_without_a_clock_has_no_time(tmp_path: Path, say: Say) -> None:
    """It is passed on all the same: the clock's pair may be lost, or written a moment later."""
    say("old")
    feed = feed_of(tmp_path)
    feed.next()
    say("new")
    with closing(sqlite3.connect(tmp_path / "records.sqlite")) as file, file:
        file.execute("DELETE FROM clocks")

    assert [(event.name, event.at) for event in feed.next()] == [("new", None)]


@pytest.mark.parametrize("text", ["", "[]", '{"file": "x"}', '{"file": "x", "row": "many"}'])
def test_a_place_that_cannot_be_read_is_none(tmp_path: Path, say: Say, text: str) -> None:
    """As the first time."""
    say("old")
    (tmp_path / "place.json").write_text(text, encoding="utf-8")

    assert feed_of(tmp_path).next() == []
    say("new")
    assert names(feed_of(tmp_path).next()) == ["new"]


def test_a_snapshot_is_what_the_process_wrote_and_people_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Reports of the lookout itself are none of them; a day back and no further."""
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    now = datetime.now(UTC)
    path = tmp_path / REQUESTS
    for age_s in (RECENT.total_seconds() + 60, RECENT.total_seconds() - 60):
        asked = round((now.timestamp() - age_s) * 1000)
        ask(path, Pause(for_s=age_s), who="Tove", at=AskedAt(utc_ms=asked, boot_id="b", boot_ms=0))
    ask(path, LogSwap(packs=3, at=NOW - timedelta(hours=1)), who="Tove")
    ask(path, LogSwap(packs=4, at=NOW), who="Tove")
    ask(path, LogSwap(packs=2, at=NOW - timedelta(days=3)), who="Tove")  # logged late
    ask(path, ReportSwapDue(due=True, until_boot_ms=1), who="lookout")
    write_status(tmp_path / "status.json", status(boottime_s=boottime() - 4.0))

    seen = take_snapshot(tmp_path, at_utc=now)

    assert seen.status is not None
    assert seen.age_s is not None
    assert 4.0 <= seen.age_s < 20.0
    assert not seen.silent
    assert seen.last_swap is not None
    assert seen.last_swap.packs == 4  # whose packs went in last, whenever that was noted
    assert [type(request.payload).__name__ for request in seen.requests] == [
        "Pause",
        *["LogSwap"] * 3,
    ]
    assert seen.requests[0].payload == Pause(for_s=RECENT.total_seconds() - 60)


def test_a_chamber_that_never_ran_is_silent_and_nothing_is_raised(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nor is it for a status that cannot be read, or for one of another boot."""
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    for text in (None, "{", "[]"):
        if text is not None:
            (tmp_path / "status.json").write_text(text, encoding="utf-8")
        seen = take_snapshot(tmp_path, at_utc=NOW)
        assert (seen.status, seen.age_s, seen.silent, seen.last_swap) == (None, None, True, None)
        assert seen.requests == ()
    write_status(tmp_path / "status.json", status(boot_id="another"))
    seen = take_snapshot(tmp_path, at_utc=NOW)
    assert (seen.age_s, seen.silent) == (None, True)


LAW = make_law(anti_short_cycle_s=300, minimum_run_s=120)


def published(state: object, now: float, **more: object) -> object:
    """Return a status at an instant of the law's clock."""
    clocks = Clocks(
        now=now, local=NOW.replace(microsecond=5), boot_id=boot_id(), boottime_s=77.7777
    )
    inputs = make_inputs(16.25, None, room=Seen(24_000))
    return status_of(state, inputs, LAW, clocks, chamber="shelf", stage="fruiting", tick_s=5.0,
                     **more)  # type: ignore[arg-type]  # fmt: skip


def test_a_status_says_what_the_pump_waits_for() -> None:
    """How much longer it must rest; nothing once that is over; and how long a pause still is."""
    state = begin(1000.0, last_stop=900.0, paused_until=1400.0)

    early, late = published(state, 1000.0), published(state, 1200.0)

    assert early.timers_left.anti_short_cycle_s == 200.0
    assert early.timers_left.minimum_run_s is None
    assert early.timers_left.pause_s == 400.0
    assert late.timers_left.anti_short_cycle_s is None
    assert late.timers_left.pause_s == 200.0
    assert (early.cut_in_c, early.cut_out_c) == (16.5, 15.5)
    assert (early.as_of.microsecond, early.boottime_s) == (0, 77.778)


def test_a_status_has_each_probe_with_its_id_or_why_it_is_lost() -> None:
    """One that is not fitted is not there."""
    made = published(begin(0.0), 0.0, ids={"air": "28-a", "reservoir": "28-b"})

    assert (made.probes.air.reading_c, made.probes.air.lost, made.probes.air.id) == (
        16.25, None, "28-a",
    )  # fmt: skip
    assert made.probes.reservoir.reading_c is None
    assert made.probes.reservoir.lost
    assert made.probes.reservoir.id == "28-b"
    assert made.probes.room.reading_c == 24.0
    assert made.probes.coil_outlet is None


def test_alarms_beside_those_of_the_law_are_in_the_status_too() -> None:
    """A probe that stands still, a supply that fails; a stranger is named with the lost probe."""
    made = published(begin(0.0), 0.0, stuck=["air"], supply_fails=True, notes=["a note"])

    assert [(alarm.name, alarm.about) for alarm in made.alarms] == [
        (AlarmName.PROBE_STUCK.value, "air"), (AlarmName.SUPPLY_FAILS.value, ""),
    ]  # fmt: skip
    assert made.notes == ("a note",)
    assert published(begin(0.0), 0.0).alarms == ()


FIRST = FirstRun(
    chamber="shelf", config_sha256="0" * 64, steps=(CheckedStep(name="probes", outcome="done"),),
    at=NOW, who="Tove", signed=True,
)  # fmt: skip


def test_the_newest_first_run_is_the_one_that_counts(tmp_path: Path) -> None:
    """None where there are no records; each is kept with who, when, and whether it was signed."""
    path = tmp_path / "records.sqlite"
    assert last_first_run(path) is None
    keep_first_run(path, FIRST)
    assert last_first_run(path) == FIRST

    later = FirstRun(
        chamber="shelf", config_sha256="1" * 64, steps=(), at=NOW + timedelta(days=1), who="Ada",
        signed=False,
    )  # fmt: skip
    keep_first_run(path, later)

    assert last_first_run(path) == later


def test_records_without_a_first_run_have_none(tmp_path: Path, say: Say) -> None:
    """They were made by the service."""
    say("started")

    assert last_first_run(tmp_path / "records.sqlite") is None


def test_a_lost_probe_s_reason_is_its_own() -> None:
    """The sieve's words reach the page."""
    clocks = Clocks(now=0.0, local=NOW, boot_id=None, boottime_s=0.0)
    inputs = make_inputs(16.25, 4.0, room=Lost("no answer"))

    made = status_of(begin(0.0), inputs, LAW, clocks, chamber="shelf", stage="fruiting", tick_s=5.0)

    assert made.probes.room is not None
    assert made.probes.room.lost == "no answer"
