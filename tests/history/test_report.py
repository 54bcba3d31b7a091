"""What the crop had: figures that can be reckoned by hand, and the rehearsal's own figures."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from controller.cli.main import status_of
from controller.domain.events import InForce, RecordedEvent
from controller.domain.requests import LoggedSwap
from controller.history.alarm_figures import PastAlarm, alarm_figures
from controller.history.importing import reading_at
from controller.history.report import Report, report_of
from controller.history.report_words import _pump_words
from controller.records.pieces import ForceOverTime, pieces_of
from controller.records.reader import RecordedReading
from controller.settings.shipped import shipped_config

BEGINS = datetime(2026, 7, 1, 12, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
CONFIG = str(shipped_config("larkmoor-laptop.toml"))


def rows(*values: tuple[float, float | None, bool]) -> list[RecordedReading]:
    return [
        reading_at(BEGINS + at * MINUTE, (air, 4.0, None, None), pump=on, fan=on)
        for at, air, on in values
    ]


def event(at: float, kind: str, name: str, detail: str = "") -> RecordedEvent:
    return RecordedEvent(at=BEGINS + at * MINUTE, kind=kind, name=name, detail=detail)


def made(
    readings: list[RecordedReading],
    *events: RecordedEvent,
    swaps: tuple[float, ...] = (),
    minutes: float = 10.0,
) -> Report:
    force = ForceOverTime(events, InForce(stage="fruiting", cut_out_mc=15_000, cut_in_mc=17_000))
    return report_of(
        pieces_of(readings, force, UTC),
        events,
        [
            LoggedSwap(at=BEGINS + at * MINUTE, packs=4, logged_at=BEGINS, frozen_through=None)
            for at in swaps
        ],
        since=BEGINS,
        until=BEGINS + minutes * MINUTE,
        zone=UTC,
    )


def test_figures_by_hand() -> None:
    """Ten minutes: two above by 3 K, three below by 2 K, five in the band."""
    report = made(
        rows((0, 16.0, False), (3, 20.0, True), (5, 13.0, True), (8, 16.5, False)), minutes=10.0
    )

    figures = report.stages["fruiting"]
    assert figures.known_s == 600.0
    assert figures.in_band_share == pytest.approx(0.5)
    assert figures.above_k_h == pytest.approx(3.0 * 2 / 60)
    assert figures.below_k_h == pytest.approx(2.0 * 3 / 60)
    assert (report.starts, report.pump_s) == (1, 300.0)
    assert report.duty_by_hour[12] == pytest.approx(0.5)
    assert report.longest_run_s == 300.0
    assert report.gaps == []


def test_time_without_the_air_counts_for_no_share() -> None:
    """Ten minutes: four in band, four with the air lost, two above by 3 K; shares are of six."""
    report = made(rows((0, 16.0, False), (4, None, False), (8, 20.0, False)), minutes=10.0)

    figures = report.stages["fruiting"]
    assert report.recorded_s == 600.0
    assert figures.known_s == 360.0
    assert figures.in_band_share == pytest.approx(4 / 6)
    assert figures.air_k_s / figures.known_s == pytest.approx((16.0 * 4 + 20.0 * 2) / 6)


def test_a_stage_whose_air_was_lost_throughout_has_no_figures() -> None:
    """There is nothing to divide by."""
    report = made(rows(*((at, None, False) for at in (0, 4, 8))), minutes=10.0)

    assert report.recorded_s == 600.0
    assert report.stages == {}


def test_stage_and_band_change_where_they_did() -> None:
    """Each minute counts for the stage and against the band that were in force then."""
    report = made(
        rows(*((i, 13.0, False) for i in range(10))),
        event(4, "stage", "pinning"),
        event(6, "band", "12000 14000"),
        event(7, "band", "nonsense"),
    )

    assert report.stages["fruiting"].known_s == 240.0
    assert report.stages["pinning"].known_s == 360.0
    assert report.stages["pinning"].in_band_s == 240.0


def test_a_gap_is_a_gap_and_in_no_figure() -> None:
    """Silence counts for nothing, and a run that it cuts has no length."""
    report = made(
        rows((0, 16.0, False), (1, 16.0, True), (60, 16.0, True), (61, 16.0, False)), minutes=62.0
    )

    assert report.recorded_s == (1 + 5 + 1 + 1) * 60.0
    assert report.gaps == [(BEGINS + 6 * MINUTE, BEGINS + 60 * MINUTE)]
    assert report.longest_run_s is None


def test_a_day_of_25_hours_is_one_day() -> None:
    """Both hours named 02 count for it, and no run is counted twice or lost.

    Source: directive 2000/84/EC: clocks go back at 01:00 UTC on the last Sunday of October.
    """
    midnight = datetime(2026, 10, 24, 22, tzinfo=UTC)  # 00:00 in Berlin
    readings = [
        reading_at(midnight + step * MINUTE, (16.0, 4.0, None, None), pump=on, fan=on)
        for step in range(25 * 60)
        for on in [step % 60 == 30]
    ]

    zone = ZoneInfo("Europe/Berlin")
    force = ForceOverTime([], InForce(stage="fruiting", cut_out_mc=15_000, cut_in_mc=17_000))
    report = report_of(
        pieces_of(readings, force, zone),
        [],
        [],
        since=midnight,
        until=midnight + 25 * 60 * MINUTE,
        zone=zone,
    )

    assert report.starts_by_day == {"2026-10-25": 25}
    assert report.pump_s == 25 * 60.0
    assert report.duty_by_hour == [pytest.approx(1 / 60)] * 24


def test_nothing_recorded_is_one_gap() -> None:
    """And no figure divides by nothing."""
    report = made([], minutes=60.0)

    assert report.gaps == [(BEGINS, BEGINS + 60 * MINUTE)]
    assert report.duty_by_hour == [None] * 24


def test_rows_of_five_minutes_count_by_their_shares() -> None:
    """Thinned history keeps duty and starts."""
    thinned = RecordedReading(
        at=BEGINS + 2.5 * MINUTE, air_mc=16_000, reservoir_mc=4000, room_mc=None,
        coil_outlet_mc=None, pump=False, fan=False, air_min_mc=15_000, air_max_mc=17_000,
        pump_share=0.4, fan_share=0.5, starts=2,
    )  # fmt: skip

    report = made([thinned], minutes=7.5)

    assert (report.starts, report.pump_s) == (2, pytest.approx(120.0))


def test_a_pump_that_was_not_recorded_is_in_no_figure_of_the_pump() -> None:
    """An imported history without switches is not one of a pump that rested; its air counts."""
    unknown = [
        reading_at(BEGINS + at * MINUTE, (16.0, 4.0, None, None), pump=None, fan=None)
        for at in range(4, 8)
    ]
    before, after = rows((0, 16.0, True), (2, 16.0, False)), rows((8, 16.0, True), (9, 16.0, False))

    report = made([*before, *unknown, *after])
    assert (report.recorded_s, report.switches_known_s) == (600.0, 360.0)
    assert report.stages["fruiting"].known_s == 600.0
    assert report.duty == pytest.approx(180.0 / 360.0)
    assert report.duty_by_hour[12] == pytest.approx(0.5)
    assert (report.starts, report.shortest_rest_s) == (0, None)

    assert made(unknown).duty is None
    assert made(unknown).duty_by_hour == [None] * 24
    assert _pump_words(made(unknown)) == "not recorded"
    assert _pump_words(report) == "0 starts, 50.0% of the time; not recorded for 4 min"


def test_alarms_stand_from_raise_to_clear() -> None:
    """One from before the span, one within it, one still standing; the end may read differently."""
    report = made(
        rows((0, 16.0, False)),
        event(-30, "alarm_raised", "air_high"),
        event(2, "alarm_cleared", "air_high"),
        event(3, "alarm_raised", "probe_lost", "room"),
        event(4, "alarm_raised", "output_failed", "pump: stuck"),
        event(5, "alarm_cleared", "output_failed", ""),
        event(6, "trip", "low_limit"),
        event(7, "refused", "air", "3 checksum wrong"),
        event(8, "refused", "air", "2 checksum wrong"),
        event(9, "refused", "air", "many"),
    )

    assert report.alarms == [
        PastAlarm(
            name="air_high", about="", raised=BEGINS - 30 * MINUTE, cleared=BEGINS + 2 * MINUTE
        ),
        PastAlarm(name="probe_lost", about="room", raised=BEGINS + 3 * MINUTE, cleared=None),
        PastAlarm(
            name="output_failed", about="", raised=BEGINS + 4 * MINUTE, cleared=BEGINS + 5 * MINUTE
        ),
    ]
    assert report.trips == 1
    assert report.probes_lost == {"room": 1}
    assert report.refused == {"air": {"checksum wrong": 5}}


def test_a_set_is_in_until_the_next_swap() -> None:
    """Also one that went in before the span."""
    report = made(rows((0, 16.0, False)), swaps=(-300.0, 5.0, 8.0))

    assert report.packs == 8
    assert report.set_hours == [pytest.approx(305 / 60), pytest.approx(3 / 60)]


def test_a_rehearsal_recorded_says_what_the_rehearsal_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two days rehearsed, written as CSV, imported, reported: starts, packs and duty agree.

    The rehearsal sums its true plant every tick, the report what a probe showed once a minute.
    """
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    table = str(tmp_path / "h.csv")
    assert status_of(["rehearse", CONFIG, "--days", "2", "--csv", table, "--json"]) == 0
    rehearsed = json.loads(capsys.readouterr().out)
    assert status_of(["import", CONFIG, "--csv", table]) == 0
    capsys.readouterr()
    begins = datetime.fromisoformat(rehearsed["started"])

    span = ["--from", begins.isoformat(), "--to", (begins + timedelta(days=2)).isoformat()]
    page = tmp_path / "r.html"
    assert status_of(["report", CONFIG, *span, "--json", "--html", str(page)]) == 0
    reported = json.loads(capsys.readouterr().out)

    assert reported["packs"] == rehearsed["packs_used"]
    assert reported["starts"] == pytest.approx(rehearsed["starts"], abs=3)
    assert reported["duty"] == pytest.approx(rehearsed["duty"], abs=0.01)
    figures = reported["stages"]["fruiting"]
    assert figures["mean_c"] == pytest.approx(rehearsed["air_c"]["mean"], abs=0.1)
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")


@pytest.mark.parametrize(
    ("span", "status", "message"),
    [
        (["--from", "soon"], 64, "allowed: ISO 8601"),
        (["--from", "2026-07-02", "--to", "2026-07-01"], 64, "not later"),
        ([], 69, "there are no records yet"),
    ],
    ids=["no-time", "backwards", "no-records"],
)
def test_what_cannot_be_reported_says_why(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    span: list[str],
    status: int,
    message: str,
) -> None:
    """One plain message."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))

    assert status_of(["report", CONFIG, *span]) == status
    assert message in capsys.readouterr().err


def standing(name: str, *spans: tuple[float, float | None]) -> list[PastAlarm]:
    """Return an alarm that was active over spans [min]; None: to the end."""
    return [
        PastAlarm(
            name=name,
            about="",
            raised=BEGINS + begin * MINUTE,
            cleared=None if end is None else BEGINS + end * MINUTE,
        )
        for begin, end in spans
    ]


@pytest.mark.parametrize(
    ("raised", "chatters"),
    [
        ((0, 20, 59), True),
        ((0, 20, 60), False),
        ((0, 100, 130, 159), True),
        ((0, 1), False),
    ],
)
def test_an_alarm_that_is_raised_three_times_within_an_hour_chatters(
    raised: tuple[float, ...], chatters: bool
) -> None:
    """Wherever in the span the hour begins; an hour by the clock face is not meant."""
    alarms = standing("air_high", *((at, at + 0.5) for at in raised))

    (figures,) = alarm_figures(alarms, since=BEGINS, until=BEGINS + 200 * MINUTE)

    assert figures.chattering is chatters
    assert figures.count == len(raised)


def test_alarms_to_tune_come_with_how_often_and_how_long() -> None:
    """One from before the span is not counted again, but its time is; one lasts to the end."""
    alarms = [
        *standing("reservoir_warm", (-60, 30)),
        *standing("air_high", (10, 12), (50, None)),
    ]

    warm_last = alarm_figures(alarms, since=BEGINS, until=BEGINS + 2000 * MINUTE)

    assert [(each.name, each.count, each.longest_s / 60) for each in warm_last] == [
        ("air_high", 2, 1950.0),
        ("reservoir_warm", 0, 90.0),
    ]
    assert [(each.still_active, each.stale) for each in warm_last] == [(True, True), (False, False)]


def test_alarms_per_day_are_of_the_days_of_the_span() -> None:
    """Three in two days; an hour with one is not twenty-four a day."""
    events = [
        event(minute, kind, "air_high")
        for minute in (10, 500, 2000)
        for kind, minute in (("alarm_raised", minute), ("alarm_cleared", minute + 1))
    ]
    readings = rows((0, 16.0, False))

    assert made(readings, *events, minutes=2880).alarms_per_day == 1.5
    assert made(readings, *events[:2], minutes=60).alarms_per_day == 1.0


def minutes_on(*on: tuple[int, int], until: int = 130) -> list[tuple[float, float | None, bool]]:
    """Return a reading each minute from 12:50 on; the pump runs in stretches of minutes."""
    return [
        (float(minute), 16.0, any(begin <= minute < end for begin, end in on))
        for minute in range(50, until)
    ]


def test_runs_and_rests_over_the_hour_count_whole() -> None:
    """Hours are summed apart: 10 min over 13:00, 30 min of rest, 27 min over 14:00."""
    report = made(rows(*minutes_on((55, 65), (95, 122))), minutes=130.0)

    assert report.starts == 2
    assert (report.shortest_run_s, report.longest_run_s) == (600.0, 1620.0)
    assert report.shortest_rest_s == 1800.0


def test_a_change_on_the_hour_ends_a_run_there() -> None:
    """On from 12:55 to 13:00, off to 14:00, on to 14:05: the rest is one whole hour."""
    report = made(rows(*minutes_on((55, 60), (120, 125))), minutes=130.0)

    assert report.starts == 2
    assert (report.shortest_run_s, report.longest_run_s) == (300.0, 300.0)
    assert report.shortest_rest_s == 3600.0


def test_a_run_or_rest_that_nobody_saw_begin_or_end_is_none() -> None:
    """The one before the first reading, the one that goes on, and any with a gap in it."""
    begun_before = made(rows(*minutes_on((40, 65))), minutes=130.0)
    assert (begun_before.shortest_run_s, begun_before.shortest_rest_s) == (None, None)

    gap = [row for row in minutes_on((55, 65), (95, 122)) if not 57 <= row[0] < 64]
    report = made(rows(*gap), minutes=130.0)
    assert (report.shortest_run_s, report.longest_run_s) == (1620.0, 1620.0)
    assert report.shortest_rest_s == 1800.0
