"""Files as release 0.1.0 wrote them: read by this one, and none of their values lost.

`samples/0.1.0` was made by running that release: status and forecast as it left them, both
databases as SQLite's own dump of them.
"""

from __future__ import annotations

import json
import shutil
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from controller.domain.alarms import Alarm
from controller.domain.events import BandPoints
from controller.domain.first_run import SKIPPED
from controller.domain.published_forecast import PlannedChange
from controller.domain.requests import (
    Acknowledge,
    FrozenThrough,
    LoggedSwap,
    LogSwap,
    Pause,
    ReportSwapDue,
    Request,
    RequestKind,
    Reset,
    Resume,
    SetStage,
)
from controller.domain.status import LoopFigures, ProbeStatus
from controller.records.first_runs import last_first_run
from controller.records.forecast_file import read_forecast, write_forecast
from controller.records.reader import read_events, read_readings
from controller.records.requests_file import last_swap, newest, swaps, unanswered
from controller.records.status_file import is_silent, read_status
from controller.records.writer import RecordsWriter

SAMPLES = Path(__file__).parent / "samples" / "0.1.0"
SUMMER = timezone(timedelta(hours=2))
AT = datetime(2026, 7, 14, 16, 0, 5, tzinfo=SUMMER)


def database(folder: Path, name: str) -> Path:
    """Return a database made anew from its dump."""
    path = folder / f"{name}.sqlite"
    with closing(sqlite3.connect(path)) as file, file:
        file.executescript((SAMPLES / f"{name}.sql").read_text(encoding="utf-8"))
    return path


def test_a_status_keeps_every_value() -> None:
    """Probes by place, alarms with what they are about, figures; fresh by the boot-time clock."""
    status = read_status(SAMPLES / "status.json")

    assert status is not None
    assert (status.as_of, status.chamber, status.stage) == (AT, "hall shelf", "cropping")
    assert (status.phase, status.reason) == ("cool", "call for cooling")
    assert (status.pump, status.fan, status.cut_in_c, status.cut_out_c) == (True, True, 17.0, 15.5)
    assert (status.air_c, status.reservoir_c) == (19.312, 4.437)
    assert status.probes.room == ProbeStatus(reading_c=None, lost="stale")
    assert status.probes.coil_outlet is None
    assert list(status.timers_left.running()) == []
    assert status.alarms == (
        Alarm(name="air_high", acknowledged=True),
        Alarm(name="probe_lost", about="room"),
        Alarm(name="probe_stuck", about="reservoir"),
    )
    assert status.figures == LoopFigures(
        late_s=0.002,
        records_waiting=3,
        starts=12,
        pump_s=3456.0,
        refused={"air": {"checksum wrong": 4}},
    )
    assert status.age_s(boot_id="boot-a", boottime_s=5170.25) == 10.0
    assert not is_silent(status, boot_id="boot-a", boottime_s=5180.0)
    assert is_silent(status, boot_id="boot-a", boottime_s=5180.5)


def test_a_forecast_keeps_every_value(tmp_path: Path) -> None:
    """Instants with their offset, the plan and what it costs."""
    shutil.copy(SAMPLES / "forecast.json", tmp_path)

    forecast = read_forecast(tmp_path, now=AT + timedelta(minutes=5))

    assert forecast is not None
    assert (forecast.as_of, forecast.basis, forecast.cycles_learned) == (AT, "learned", 4)
    assert forecast.swap_due == AT + timedelta(hours=6)
    assert (forecast.early, forecast.late) == (AT + timedelta(hours=5), None)
    assert (forecast.reserve_kj, forecast.taken_up_kj, forecast.useful_until_c) == (
        912.3,
        600.0,
        11.24,
    )
    assert forecast.plan == (
        PlannedChange(at=AT + timedelta(hours=4.5), packs=4, why="the cold may run out"),
    )
    assert (forecast.freezer_keeps_up, forecast.degree_hours_above) == (False, 1.25)
    assert forecast.notes == ("the room probe is lost",)
    assert read_forecast(tmp_path, now=AT + timedelta(minutes=31)) is None


def test_a_forecast_that_is_none_any_more_takes_its_file_along(tmp_path: Path) -> None:
    """Whoever reads next must not take the last one for the newest."""
    shutil.copy(SAMPLES / "forecast.json", tmp_path)
    forecast = read_forecast(tmp_path, now=AT)
    assert forecast is not None

    write_forecast(tmp_path, None)
    assert read_forecast(tmp_path, now=AT) is None
    write_forecast(tmp_path, None)  # there may be none already

    write_forecast(tmp_path, forecast)
    assert read_forecast(tmp_path, now=AT) == forecast


def test_requests_keep_their_payloads(tmp_path: Path) -> None:
    """Each kind of request that waited over the upgrade, and the swaps that were logged."""
    path = database(tmp_path, "requests")

    waiting = unanswered(path, most=100)

    assert all(isinstance(each, Request) for each in waiting)
    assert [each.payload for each in waiting if isinstance(each, Request)] == [
        SetStage(name="pinning", instead_of="cropping"),
        Pause(for_s=900.0),
        Resume(),
        Acknowledge(alarm=None),
        Acknowledge(alarm="air_high"),
        Reset(),
        ReportSwapDue(due=True, until_boot_ms=7_000_000),
    ]
    logged = LogSwap(packs=4, at=AT, note="two were soft", frozen_through=FrozenThrough.NO)
    newest_swap = newest(path, RequestKind.SWAP)
    assert newest_swap is not None
    assert newest_swap.payload == LogSwap(packs=3, at=AT - timedelta(days=3))
    assert newest_swap.answer is not None
    assert newest_swap.answer.text == "imported"
    assert [(swap.packs, swap.frozen_through) for swap in swaps(path)] == [(4, False), (3, None)]
    assert last_swap(path) == LoggedSwap(
        at=logged.at.astimezone(UTC),
        packs=4,
        logged_at=AT.astimezone(UTC),
        frozen_through=False,
        who="Tove",
        request=1,
        note="two were soft",
    )


def test_records_are_read_and_written_on(tmp_path: Path) -> None:
    """Readings, events, bands as numbers and the first run, before and after this release wrote."""
    path = database(tmp_path, "records")

    for _ in range(2):
        air_mc = [row.air_mc for row in read_readings(path)]
        events = read_events(path, since=datetime(2000, 1, 1, tzinfo=UTC))
        run = last_first_run(path)

        assert air_mc == [19_312, 19_312]
        assert [event.band for event in events if event.band is not None] == [
            BandPoints(cut_out_mc=15_500, cut_in_mc=17_000),
            BandPoints(cut_out_mc=15_000, cut_in_mc=16_500),
        ]
        assert [(e.kind, e.name) for e in events if e.band is None] == [
            ("alarm_raised", "air_high"),
            ("stage", "pinning"),
            ("alarm_cleared", "air_high"),
        ]
        assert run is not None
        assert (run.at, run.who, run.signed) == (AT, "Tove", True)
        assert (run.chamber, run.config_sha256) == ("hall shelf", "00")
        assert run.named(SKIPPED) == ["leaks"]
        RecordsWriter(path, chamber="hall shelf", boot_id="boot-b", ahead_s=0.0).close(10.0)


@pytest.mark.parametrize("name", ["status.json", "forecast.json"])
def test_a_newer_format_is_not_taken_for_damage(tmp_path: Path, name: str) -> None:
    """Keys that a later release adds are passed over; a format it does not know it leaves alone."""
    document = json.loads((SAMPLES / name).read_text(encoding="utf-8"))
    path = tmp_path / name

    def read() -> object:
        if name == "status.json":
            return read_status(path)
        return read_forecast(tmp_path, now=AT)

    path.write_text(json.dumps({**document, "humidity": 0.9, "format": 1}), encoding="utf-8")
    assert read() is not None
    path.write_text(json.dumps({**document, "format": 2}), encoding="utf-8")
    assert read() is None
