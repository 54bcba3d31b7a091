"""Readings, pieces and columns of one record: one order, also of what happened in one instant."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.domain.events import STAGE
from controller.records import hours
from controller.records.columns import Column, read_columns
from controller.records.hours import HourBasis
from controller.records.pieces import ms_of
from controller.records.reader import last_event, read_events, read_readings
from tests.support.random_inputs import examples
from tests.support.recorded_runs import FIRST, Recorded, both, compare, put, sum_up

BEGINS = datetime(2026, 7, 1, 9, 50, tzinfo=UTC)
ZONE = ZoneInfo("Europe/Berlin")
GRID_S = 100
"""All instants are multiples of it, so that many are the same."""
COLUMNS = 7


@st.composite
def runs(draw: st.DrawFn) -> list[Recorded]:
    """Runs that lie beside, behind and within each other, as where a clock was never put right."""
    made = []
    for imported in draw(st.lists(st.booleans(), min_size=1, max_size=4)):
        at = draw(st.integers(0, 40))
        readings, events = [], []
        for step in draw(st.lists(st.integers(0, 4) | st.integers(0, 30), max_size=20)):
            at += step
            air = draw(st.none() | st.integers(13_000, 19_000))
            readings.append((at * GRID_S, air, draw(st.booleans())))
            if not imported and draw(st.integers(0, 4)) == 0:
                kind, name = draw(
                    st.sampled_from([(STAGE, "pinning"), (STAGE, "fruiting")])
                    | st.tuples(st.just("band"), st.sampled_from(["14000 15500", "15500 17000"]))
                )
                events.append(((at + draw(st.integers(0, 1))) * GRID_S, kind, name))
        known = not imported or draw(st.booleans())
        boot_s = draw(st.integers(0, 5000))
        made.append(Recorded(readings, events, imported, known, boot_s))
    return made


Row = tuple[int, int | None, bool, bool]
"""Instant [ms since 1970], air [m°C], pump, whether that was recorded."""


def in_the_order_of_the_rule(recorded: list[Recorded]) -> list[Row]:
    """Own before imported, those that began first before others, then as written."""
    rows = []
    # all began at the beginning, so that the number of a run decides
    for place, run in enumerate(sorted(recorded, key=lambda run: run.imported)):
        rows += [
            (at, place, written, air, on, run.switches_known)
            for written, (at, air, on) in enumerate(run.readings)
        ]
    rows.sort(key=lambda row: row[:3])
    return [(ms_of(BEGINS) + at * 1000, air, on, known) for at, _, _, air, on, known in rows]


def hold_s(rows: list[Row]) -> list[float]:
    """Return for how long each row stands: until the next one, five minutes at most [s]."""
    ends = [row[0] for row in rows[1:]] + [row[0] for row in rows[-1:]]
    return [min(300.0, (end - row[0]) / 1000) for row, end in zip(rows, ends, strict=True)]


def meets(column: Column, rows: list[tuple[Row, float]]) -> None:
    """Hold a column against the rows that lie in it, each with how long it stands [s]."""
    air = [(row[1], lasted_s) for row, lasted_s in rows if row[1] is not None]
    assert (column.air_mc is None) is (not air)
    if column.air_mc is not None:
        assert column.air_mc.low_mc == min(value for value, _ in air)
        assert column.air_mc.high_mc == max(value for value, _ in air)
        weights = [max(lasted_s, 0.001) for _, lasted_s in air]
        mean = sum(value * w for (value, _), w in zip(air, weights, strict=True)) / sum(weights)
        assert column.air_mc.mean_mc == pytest.approx(mean)
    assert column.known_s == pytest.approx(sum(lasted_s for _, lasted_s in rows))
    switches = [(row[2], lasted_s) for row, lasted_s in rows if row[3]]
    total_s = sum(lasted_s for _, lasted_s in switches)
    if not switches:
        assert column.pump_share is None
    elif total_s:
        on_s = sum(lasted_s for on, lasted_s in switches if on)
        assert column.pump_share == pytest.approx(on_s / total_s)
    else:
        assert column.pump_share == max(on for on, _ in switches)


@examples(80)
@given(runs(), st.integers(0, 6) | st.just(10_000), st.integers(-5, 60))
def test_three_readers_take_a_record_in_one_order(
    recorded: list[Recorded], steps: int, since_steps: int
) -> None:
    """Runs within each other, readings and changes of stage in one instant, summed in part."""
    since = BEGINS + timedelta(seconds=since_steps * GRID_S)
    until = BEGINS + timedelta(hours=12)
    rows = [row for row in in_the_order_of_the_rule(recorded) if row[0] >= ms_of(since)]
    with TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(hours, "READINGS_AT_ONCE", 9)
        path = Path(folder) / "r.sqlite"
        put(path, recorded, BEGINS)
        sum_up(path, HourBasis(zone=ZONE, first=FIRST), most=steps)

        read = [
            (ms_of(row.at), row.air_mc, row.pump, row.switches_known)
            for row in read_readings(path, since=since, until=until)
        ]
        assert read == rows
        compare(*both(path, since, until, ZONE))
        columns = read_columns(path, since=since, until=until, columns=COLUMNS)

    width_ms = -(-(ms_of(until) - ms_of(since)) // COLUMNS)
    by_column: dict[int, list[tuple[Row, float]]] = {}
    for row, lasted_s in zip(rows, hold_s(rows), strict=True):
        by_column.setdefault((row[0] - ms_of(since)) // width_ms, []).append((row, lasted_s))
    assert [column.number for column in columns] == sorted(by_column)
    for column in columns:
        meets(column, by_column[column.number])


def test_events_go_by_time_where_one_run_lies_within_another(tmp_path: Path) -> None:
    """The last before an instant is not that of the run that began last."""
    path = tmp_path / "r.sqlite"
    every_minute: list[tuple[int, int | None, bool]] = [
        (at, 16_000, False) for at in range(0, 1500, 60)
    ]
    long = Recorded(
        every_minute, [(0, STAGE, "first"), (500, STAGE, "after"), (900, STAGE, "last")], boot_s=10
    )
    short = Recorded([], [(300, STAGE, "within"), (900, STAGE, "of the same instant")], boot_s=20)
    put(path, [long, short], BEGINS)

    names = [event.name for event in read_events(path, since=BEGINS)]
    assert names == ["first", "within", "after", "last", "of the same instant"]
    until = BEGINS + timedelta(seconds=901)
    newest = last_event(path, before=until, kind=STAGE)
    before = last_event(path, before=until - timedelta(seconds=1), kind=STAGE)
    assert newest is not None
    assert before is not None
    assert (newest.name, before.name) == ("of the same instant", "after")
    quick, plain = both(path, BEGINS, BEGINS + timedelta(seconds=1500), ZONE)
    compare(quick, plain)
    assert quick.stages["of the same instant"].known_s == pytest.approx(600.0)
