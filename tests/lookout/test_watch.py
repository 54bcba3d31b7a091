"""The watch: forecasts now and then, listeners that fail, and a word left for the shell."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from controller.cli.main import status_of
from controller.domain.requests import LogSwap, ReportSwapDue, RequestKind
from controller.lookout import watch as watch_module
from controller.lookout.forecasting import guarded
from controller.lookout.run import SwapDueReporter
from controller.lookout.watch import FORECAST_EVERY_S, Watch
from controller.records.forecast_file import FORECAST, read_forecast
from controller.records.requests_file import REQUESTS, AskedAt, ask, newest
from controller.records.snapshot import Snapshot
from controller.settings.shipped import shipped_config
from tests.lookout.houses import NOW, forecast, put_status, settings_with, snapshot, status
from tests.support.time_zones import zone_of_the_process
from tests.support.waiting import until

CONFIG = str(shipped_config("larkmoor-laptop.toml"))
SECOND = timedelta(seconds=1)


def asked_at(at: datetime) -> AskedAt:
    return AskedAt(utc_ms=round(1000 * at.timestamp()), boot_id="b", boot_ms=0)


def test_forecasts_come_every_few_minutes_and_after_a_clock_that_jumps(tmp_path: Path) -> None:
    """Not with every look; a clock set back by hours does not stop them."""
    made: list[datetime] = []

    def make(at: datetime) -> dict[str, Any]:
        made.append(at)
        return forecast(at + timedelta(hours=3))

    watch = Watch(tmp_path, forecast=make)
    for at_s in (0.0, 5.0, FORECAST_EVERY_S - 1, FORECAST_EVERY_S, -7200.0, -7195.0):
        watch.step(NOW + at_s * SECOND)

    assert [(at - NOW) / SECOND for at in made] == [0.0, FORECAST_EVERY_S, -7200.0]


def test_a_change_logged_before_the_clock_was_set_back_makes_no_forecast_at_each_look(
    tmp_path: Path,
) -> None:
    """A Pi without a clock of its own wakes up in the past; a change since then is news once."""
    made: list[datetime] = []
    watch = Watch(tmp_path, forecast=made.append)
    ask(tmp_path / REQUESTS, LogSwap(packs=4, at=NOW), who="Ann", at=asked_at(NOW))

    for minutes in (-60, -59, -58, 0, 1):
        watch.step(NOW + minutes * 60 * SECOND)

    assert [(at - NOW) / (60 * SECOND) for at in made] == [-60, 0]


def test_a_forecast_that_ends_after_the_watch_is_not_kept(tmp_path: Path) -> None:
    """It is of a configuration that another watch may have left behind."""
    begun: list[Callable[[], None]] = []
    watch = Watch(tmp_path, forecast=lambda _: forecast(NOW), runner=begun.append)
    watch.step(NOW)
    (finish,) = begun
    watch.close()
    finish()

    assert read_forecast(tmp_path, now=NOW) is None


def test_a_listener_that_fails_is_reported_once_and_harms_no_other(tmp_path: Path) -> None:
    """The page does not stop because a notice could not be thought of."""
    received: list[Snapshot] = []

    def broken(_: Snapshot) -> None:
        raise RuntimeError("no")

    watch = Watch(tmp_path, forecast=lambda _: None, listeners=[broken, received.append])
    with capture_logs() as logs:
        for i in range(5):
            watch.step(NOW + i * SECOND)

    assert len(received) == 5
    assert [line["event"] for line in logs] == ["listener_failed"]


def test_a_change_of_the_systems_time_zone_is_followed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The page and the notices speak in local time, and a lookout runs for months."""
    with zone_of_the_process("UTC") as change:
        watch = Watch(tmp_path, forecast=lambda _: None)
        monkeypatch.setattr(watch_module, "SNAPSHOT_EVERY_S", 0.01)
        watch.begin()
        try:
            change("Asia/Kathmandu")
            until(lambda: NOW.astimezone().utcoffset() == timedelta(hours=5, minutes=45))
        finally:
            watch.close()


def test_what_keeps_a_forecast_from_being_made_is_reported_once() -> None:
    """No records yet, a disk that is gone: None, and a line in the log."""
    reported: list[str] = []

    def fails(_: datetime) -> dict[str, Any]:
        raise OSError("there are no records yet")

    make = guarded(fails, reported.append)

    assert [make(NOW), make(NOW)] == [None, None]
    assert len(reported) == 1


def test_status_shows_when_packs_are_due(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """By the newest forecast of the lookout, while it is fresh."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    put_status(tmp_path, status())
    now = datetime.now(UTC)
    made = forecast(now + timedelta(hours=3), as_of=now)
    Watch(tmp_path, forecast=lambda _: made).step(now)

    assert status_of(["status", CONFIG]) == 0
    shown = capsys.readouterr().out
    assert status_of(["status", CONFIG, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)

    assert "Change 4 packs by " in shown
    assert "The cold should last until " in shown
    assert document["forecast"]["basis"] == "learned"


@pytest.mark.parametrize(
    "content",
    ["", "{}", "[]", '{"as_of": 3}', '{"as_of": "2020-01-01T00:00:00+00:00"}'],
    ids=["empty", "nothing", "list", "number", "old"],
)
def test_an_old_or_damaged_word_is_no_word(tmp_path: Path, content: str) -> None:
    """What nobody renewed is not shown as if it held."""
    (tmp_path / FORECAST).write_text(content, encoding="utf-8")

    assert read_forecast(tmp_path, now=NOW) is None


def test_a_forecast_that_breaks_is_reported_once_and_the_watch_goes_on(tmp_path: Path) -> None:
    """Whatever it raises: no forecast, everybody hears, the next one is tried in its time."""
    received: list[Snapshot] = []

    def broken(_: datetime) -> dict[str, Any]:
        raise KeyError("basis")

    watch = Watch(tmp_path, forecast=broken, listeners=[received.append])
    with capture_logs() as logs:
        for i in range(4):
            watch.step(NOW + i * FORECAST_EVERY_S * SECOND)

    assert [each.forecast for each in received] == [None] * 4
    assert [line["event"] for line in logs] == ["forecast_failed"]


def test_a_slow_forecast_holds_nobody_up(tmp_path: Path) -> None:
    """Made beside the watch, one at a time; it is spoken of once, and an old one is dropped."""
    begun: list[Callable[[], None]] = []
    received: list[Snapshot] = []
    made = forecast(NOW + timedelta(hours=3))
    watch = Watch(
        tmp_path, forecast=lambda _: made, listeners=[received.append], runner=begun.append
    )

    with capture_logs() as logs:
        watch.step(NOW)
        begun.pop()()
        for minute in range(1, 60):
            watch.step(NOW + minute * 60 * SECOND)

    assert len(begun) == 1  # begun at five minutes, and never done
    assert [line["event"] for line in logs] == ["forecast_slow"]
    assert [each.forecast is None for each in received[1:]] == [m > 30 for m in range(1, 60)]
    begun.pop()()
    watch.step(NOW + 3600 * SECOND)
    begun.pop()()
    assert watch.now(NOW + 3600 * SECOND).forecast == made


def reported_swap_due(tmp_path: Path, *snapshots: Snapshot) -> list[tuple[bool, float]]:
    """Return what the control process is told, with how long it holds [s]."""
    reporter = SwapDueReporter(tmp_path, settings_with(tmp_path))
    reports = []
    number = None
    for each in snapshots:
        reporter(each)
        message = newest(tmp_path / REQUESTS, RequestKind.FORECAST)
        if message is not None and message.id != number:
            number = message.id
            assert isinstance(message.payload, ReportSwapDue)
            held_ms = message.payload.until_boot_ms - message.asked_boot_ms
            reports.append((message.payload.due, held_ms / 1000))
    return reports


@pytest.mark.parametrize(
    ("early_min", "due"), [(181, False), (180, True), (60, True), (-60, True), (None, False)]
)
def test_swap_due_is_reported_by_the_longest_lead(
    tmp_path: Path, early_min: int | None, due: bool
) -> None:
    """Three hours before the early bound; no end in sight is not due."""
    made = forecast(NOW + timedelta(minutes=early_min or 0))
    if early_min is None:
        made = replace(made, early=None, swap_due=None, late=None)

    assert reported_swap_due(tmp_path, snapshot(forecast=made)) == [(due, 1800.0)]


def test_swap_due_is_reported_now_and_then_and_at_every_change(tmp_path: Path) -> None:
    """A row in the place of the last, each ten minutes; nothing where nothing is known."""
    made = forecast(NOW + timedelta(hours=3, minutes=25))
    views = [snapshot(NOW + i * 60 * SECOND, forecast=made) for i in range(31)]
    unknown = replace(made, basis="unknown")
    after = NOW + timedelta(hours=1)

    reported = reported_swap_due(
        tmp_path, *views, snapshot(after), snapshot(after + SECOND, forecast=unknown)
    )

    assert [due for due, _ in reported] == [False, False, False, True]
