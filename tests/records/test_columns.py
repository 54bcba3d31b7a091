"""Columns of a picture: nothing that was recorded is higher or lower than they say."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.domain.places import RECORDS
from controller.history.importing import add_history, reading_at
from controller.records.columns import Column, Extent, read_columns
from controller.records.reader import (
    RecordedReading,
    first_reading_at,
    last_event,
    read_events,
    read_readings,
)
from controller.records.thinning import thin_once
from tests.support.random_inputs import examples

BEGINS = datetime(2026, 7, 1, 12, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)


def minutes(*values: tuple[float, float | None, bool]) -> list[RecordedReading]:
    return [
        reading_at(BEGINS + at * timedelta(minutes=1), (air, 4.0, None, None), pump=on, fan=on)
        for at, air, on in values
    ]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / RECORDS


readings = st.lists(
    st.tuples(
        st.integers(1, 40),
        st.one_of(st.none(), st.floats(-40.0, 60.0, allow_nan=False)),
        st.booleans(),
    ),
    min_size=1,
    max_size=60,
)


@examples(40)
@given(readings, st.integers(1, 12))
def test_no_peak_is_lost_and_none_is_made_up(
    steps: list[tuple[int, float | None, bool]], columns: int
) -> None:
    """For any record and any width: lowest, highest, first and last are those of the readings."""
    rows, at = [], 0
    for step, air, on in steps:
        at += step
        rows += minutes((at, air, on))
    with TemporaryDirectory() as folder:
        path = Path(folder) / RECORDS
        add_history(path, rows, name="one", chamber="c")
        until = rows[-1].at + timedelta(minutes=1)
        result = read_columns(path, since=BEGINS, until=until, columns=columns)

    width = (until - BEGINS) / columns
    assert 1 <= len(result) <= columns
    for column in result:
        number = int((column.begins_s - BEGINS.timestamp()) / width.total_seconds() + 1e-9)
        inside = [
            row
            for row in rows
            if int((row.at - BEGINS).total_seconds() / width.total_seconds() + 1e-9) == number
        ]
        known = [row.air_mc for row in inside if row.air_mc is not None]
        assert column.number == number
        extent = column.air_mc
        assert (None if extent is None else (extent.low_mc, extent.high_mc)) == (
            (min(known), max(known)) if known else None
        )
        assert extent is None or extent.low_mc <= extent.mean_mc + 1e-6
        assert extent is None or extent.mean_mc <= extent.high_mc + 1e-6
        assert (column.begins_s, column.ends_s) == (
            inside[0].at.timestamp(),
            inside[-1].at.timestamp(),
        )
        assert column.room_mc is None
        assert 0.0 <= column.pump_share <= 1.0


def test_the_pump_s_share_weighs_each_switch_by_its_time(path: Path) -> None:
    """On for two minutes of ten; a switch that nothing follows for long counts five minutes."""
    rows = minutes((0, 16.0, False), (1, 16.0, True), (3, 16.0, False), (10, 16.0, False))
    add_history(path, rows, name="one", chamber="c")

    (column,) = read_columns(path, since=BEGINS, until=BEGINS + HOUR, columns=1)

    # 1 min off, 2 min on, then 7 min off of which 5 are known
    assert column.pump_share == pytest.approx(2 / 8)


def test_old_rows_of_five_minutes_count_with_their_own_peaks(path: Path) -> None:
    """What was thinned to its mean keeps its lowest and highest in the picture."""
    rows = minutes(*((at, 19.0 if at == 3 else 16.0, at == 3) for at in range(20)))
    add_history(path, rows, name="one", chamber="c")
    with closing(sqlite3.connect(path, isolation_level=None)) as file:
        until_ms = round((BEGINS + timedelta(minutes=10)).timestamp() * 1000)
        while thin_once(file, before_utc_ms=until_ms):
            pass
    assert next(iter(read_readings(path))).air_min_mc is not None, "something was thinned"

    columns = read_columns(path, since=BEGINS, until=BEGINS + HOUR, columns=1)

    assert max(column.air_mc.high_mc for column in columns if column.air_mc) == 19_000
    assert min(column.air_mc.low_mc for column in columns if column.air_mc) == 16_000
    # a minute of the ten that were thinned, and of the nine that are known beyond
    assert columns[0].pump_share == pytest.approx(1 / 19)


def test_a_window_takes_what_is_in_it(path: Path) -> None:
    """Its first instant belongs to it, its last does not."""
    add_history(path, minutes((0, 16.0, False), (5, 17.0, False)), name="one", chamber="c")

    result = read_columns(path, since=BEGINS, until=BEGINS + timedelta(minutes=5), columns=3)

    assert result == [
        Column(
            number=0,
            begins_s=BEGINS.timestamp(),
            ends_s=BEGINS.timestamp(),
            air_mc=Extent(16_000, 16_000.0, 16_000),
            reservoir_mc=Extent(4000, 4000.0, 4000),
            room_mc=None,
            coil_outlet_mc=None,
            known_s=0.0,
            pump_share=0.0,
        )
    ]


@pytest.mark.parametrize("columns", [0, -1])
def test_no_columns_are_refused(path: Path, columns: int) -> None:
    """There is no picture without a width."""
    with pytest.raises(ValueError, match="columns"):
        read_columns(path, since=BEGINS, until=BEGINS + HOUR, columns=columns)


def test_no_time_is_refused(path: Path) -> None:
    """Nor without a length."""
    with pytest.raises(ValueError, match="0 ms"):
        read_columns(path, since=BEGINS, until=BEGINS, columns=9)


def test_missing_records_are_reported(path: Path) -> None:
    """As by every reader."""
    with pytest.raises(OSError, match="no records"):
        read_columns(path, since=BEGINS, until=BEGINS + HOUR, columns=9)


def test_events_by_kind_and_the_last_one_before(path: Path) -> None:
    """A picture asks for alarms and bands, not for phases, which come by the thousand."""
    add_history(path, minutes((0, 16.0, False), (30, 16.0, False)), name="one", chamber="c")
    with closing(sqlite3.connect(path)) as file, file:
        run, ahead_ms = file.execute("SELECT run, utc_ms - at_ms FROM clocks").fetchone()
        for minute, kind, name in ((1, "band", "1 2"), (2, "phase", "cool"), (3, "band", "3 4")):
            at_ms = round((BEGINS.timestamp() + 60 * minute) * 1000) - ahead_ms
            file.execute(
                "INSERT INTO events (run, at_ms, kind, name, detail) VALUES (?, ?, ?, ?, '')",
                (run, at_ms, kind, name),
            )

    names = [event.name for event in read_events(path, since=BEGINS, kinds={"band", "trip"})]
    before = last_event(path, before=BEGINS + timedelta(minutes=3), kind="band")

    assert names == ["1 2", "3 4"]
    assert [event.kind for event in read_events(path, since=BEGINS)] == ["band", "phase", "band"]
    assert before is not None
    assert before.name == "1 2", "an event at the instant itself is not before it"
    assert last_event(path, before=BEGINS, kind="band") is None


def test_the_first_reading_of_a_time(path: Path) -> None:
    """Where a picture begins whose records are shorter than what was asked for."""
    add_history(path, minutes((7, 16.0, False), (9, 16.0, False)), name="one", chamber="c")

    seventh, ninth = (BEGINS + timedelta(minutes=minute) for minute in (7, 9))
    assert first_reading_at(path, since=BEGINS - HOUR) == seventh
    assert first_reading_at(path, since=ninth) == ninth
    assert first_reading_at(path, since=ninth + HOUR) is None
