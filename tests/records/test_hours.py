"""Hours that are summed say what every reading in turn says, also once it is thinned."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.records import hours
from controller.records import writer as writer_module
from controller.records.columns import read_columns
from controller.records.hours import HourBasis, read_pieces, sum_once
from controller.records.pieces import hour_end, ms_of, pieces_of
from controller.records.schema import MIGRATIONS, migrate
from controller.records.thinning import thin_once
from controller.records.writer import RecordsWriter
from tests.support.random_inputs import examples
from tests.support.recorded_runs import FIRST, Recorded, both, compare, opened, put, sum_up
from tests.support.waiting import AT_MOST_S, until

ZONES = ("UTC", "Europe/Berlin", "Asia/Kathmandu", "Australia/Lord_Howe")
"""Whole hours, a change by an hour, a quarter of an hour, a change by half an hour."""
BEGINNINGS = (
    datetime(2026, 7, 1, 9, 50, tzinfo=UTC),
    datetime(2026, 10, 24, 23, 20, tzinfo=UTC),  # directive 2000/84/EC: at 01:00 UTC to winter time
    datetime(2026, 10, 3, 14, 40, tzinfo=UTC),  # IANA tz database: Lord Howe at 15:30 UTC by 30 min
)


@st.composite
def runs(draw: st.DrawFn) -> list[Recorded]:
    """Runs one after another, the imported ones perhaps within another's gaps."""
    made: list[Recorded] = []
    at = 0
    for _ in range(draw(st.integers(1, 4))):
        at += draw(st.integers(0, 900) | st.integers(0, 9000))
        readings, events = [], []
        for _ in range(draw(st.integers(1, 40))):
            at += draw(st.integers(1, 90) | st.integers(200, 400) | st.integers(1, 6000))
            air = draw(st.none() | st.integers(13_000, 19_000))
            readings.append((at, air, draw(st.booleans())))
            if draw(st.integers(0, 9)) == 0:
                kind, name = draw(
                    st.sampled_from([("stage", "pinning"), ("stage", "fruiting")])
                    | st.tuples(st.just("band"), st.sampled_from(["14000 15500", "15500 17000"]))
                )
                events.append((at + draw(st.integers(0, 50)), kind, name))
        made.append(Recorded(readings, events, boot_s=draw(st.integers(0, 5000))))
    for _ in range(draw(st.integers(0, 1))):
        begin = draw(st.integers(0, at))
        steps = draw(st.lists(st.integers(1, 500), min_size=1, max_size=20))
        readings = []
        for step in steps:
            begin += step
            readings.append((begin, draw(st.integers(13_000, 19_000)), draw(st.booleans())))
        made.append(Recorded(readings, imported=True, switches_known=draw(st.booleans())))
    return made


@examples(50)
@given(
    runs(),
    st.sampled_from(BEGINNINGS),
    st.sampled_from(ZONES),
    st.integers(-3000, 30_000),
    st.integers(60, 60_000),
    st.integers(0, 6) | st.just(10_000),
)
def test_sums_of_hours_say_what_every_reading_says(
    recorded: list[Recorded],
    begins: datetime,
    zone_name: str,
    since_s: int,
    length_s: int,
    steps: int,
) -> None:
    """Any record, any span, summed in part, wholly, or for another zone than the one asked for."""
    zone = ZoneInfo(zone_name)
    since = begins + timedelta(seconds=since_s)
    until = since + timedelta(seconds=length_s)
    with TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(hours, "READINGS_AT_ONCE", 9)
        path = Path(folder) / "r.sqlite"
        put(path, recorded, begins)
        sum_up(path, HourBasis(zone=zone, first=FIRST), most=steps)
        compare(*both(path, since, until, zone))
        compare(*both(path, since, until, ZoneInfo("Asia/Kolkata")))


def test_a_sum_that_reaches_beyond_a_span_counts_its_readings_once(tmp_path: Path) -> None:
    """Beside a sum that another run lies within, whose readings are read too.

    Found by drawn records: the reading after the change of the band was counted twice.
    """
    path = tmp_path / "r.sqlite"
    own = Recorded(
        [(10_743, 17_354, True), (11_295, 13_676, True), (11_355, 16_190, False),
         (11_402, 13_000, True), (12_435, None, True)],
        [(11_333, "band", "14000 15500")],
    )  # fmt: skip
    other = Recorded([(10_805, 13_048, False)], imported=True, switches_known=False)
    put(path, [own, other], BEGINNINGS[1])
    sum_up(path, HourBasis(zone=UTC, first=FIRST))

    for ends_s in (11_380, 11_515, 12_000, 13_000):
        until = BEGINNINGS[1] + timedelta(seconds=ends_s)
        compare(*both(path, BEGINNINGS[1], until, ZoneInfo("UTC")))


def test_an_imported_reading_of_the_same_instant_comes_last(tmp_path: Path) -> None:
    """Or a second without a reading would be counted by one way and not by the other."""
    path = tmp_path / "r.sqlite"
    own = Recorded([(at, None, False) for at in (300, 2591, 2700, 2710, 2720, 2778)])
    put(path, [own, Recorded([(2333, 13_000, False), (2710, 13_000, False)], imported=True)],
        BEGINNINGS[0])  # fmt: skip
    sum_up(path, HourBasis(zone=UTC, first=FIRST), most=4)

    until = BEGINNINGS[0] + timedelta(hours=9)
    compare(*both(path, BEGINNINGS[0], until, ZoneInfo("UTC")))
    compare(*both(path, BEGINNINGS[0] + timedelta(seconds=2600), until, ZoneInfo("UTC")))


@examples(50)
@given(runs(), st.sampled_from(BEGINNINGS), st.sampled_from(ZONES), st.sampled_from([9, 3000]))
def test_thinning_leaves_the_figures_of_a_report_as_they_are(
    recorded: list[Recorded], begins: datetime, zone_name: str, at_once: int
) -> None:
    """Without sums it would not: a mean may lie in the band when the air did not."""
    zone = ZoneInfo(zone_name)
    since, until = begins - timedelta(hours=1), begins + timedelta(days=5)
    with TemporaryDirectory() as folder:
        path = Path(folder) / "r.sqlite"
        own = [run for run in recorded if not run.imported]
        put(path, own, begins)
        _, plain = both(path, since, until, zone)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(hours, "READINGS_AT_ONCE", at_once)
            sum_up(path, HourBasis(zone=zone, first=FIRST))
        with opened(path) as file:
            while thin_once(file, before_utc_ms=2**60, summed_only=True):
                pass
            (left,) = file.execute("SELECT COUNT(*) FROM readings").fetchone()
        quick, _ = both(path, since, until, zone)

    assert left == 0
    compare(quick, plain)


@pytest.mark.parametrize("undone_s", [2, 200])
def test_a_change_that_no_reading_saw_costs_no_time(tmp_path: Path, undone_s: int) -> None:
    """Another stage and back, at once or between two readings: the hour's sums go on counting."""
    path = tmp_path / "r.sqlite"
    events = [(2, "stage", "pinning"), (undone_s, "stage", "fruiting")]
    at = [1, undone_s, undone_s + 30]
    put(path, [Recorded([(each, None, False) for each in at], events)], BEGINNINGS[0])
    sum_up(path, HourBasis(zone=UTC, first=FIRST))
    since, until = BEGINNINGS[0], BEGINNINGS[0] + timedelta(hours=2)
    _, plain = both(path, since, until, ZoneInfo("UTC"))
    with opened(path) as file:
        while thin_once(file, before_utc_ms=2**60, summed_only=True):
            pass

    compare(both(path, since, until, ZoneInfo("UTC"))[0], plain)


def test_nothing_is_thinned_before_it_was_summed(tmp_path: Path) -> None:
    """And the hour that goes on is left alone by both."""
    path = tmp_path / "r.sqlite"
    begins = BEGINNINGS[0]
    put(path, [Recorded([(60 * at, 16_000, False) for at in range(200)])], begins)
    site = HourBasis(zone=UTC, first=FIRST)
    with opened(path) as file:
        assert not thin_once(file, before_utc_ms=2**60, summed_only=True)
        # 130 minutes in: the hours that ended at minutes 10 and 70 are over, the third is not
        while sum_once(file, site, running=1, boot_ms=130 * 60_000 + 600_000):
            pass
        assert file.execute("SELECT COUNT(*), MAX(last_ms) FROM hours").fetchone() == (
            3, 129 * 60_000,
        )  # fmt: skip
        while thin_once(file, before_utc_ms=2**60, summed_only=True):
            pass
        assert file.execute("SELECT MIN(at_ms) FROM readings").fetchone() == (130 * 60_000,)


def test_a_clock_that_is_put_right_makes_other_hours(tmp_path: Path) -> None:
    """A Pi without a battery for its clock starts in the past; readings move, and their sums."""
    path = tmp_path / "r.sqlite"
    put(path, [Recorded([(60 * at, 16_000, at % 9 < 3) for at in range(300)])], BEGINNINGS[0])
    site = HourBasis(zone=ZoneInfo("Europe/Berlin"), first=FIRST)
    sum_up(path, site)
    later = timedelta(minutes=25)
    with closing(sqlite3.connect(path)) as file, file:
        file.execute(
            "INSERT INTO clocks VALUES (1, 1000, ?)", (ms_of(BEGINNINGS[0] + later) + 1000,)
        )
    since, until = BEGINNINGS[0], BEGINNINGS[0] + timedelta(hours=6)
    compare(*both(path, since, until, ZoneInfo("Europe/Berlin")))  # the old sums are passed over
    assert sum_up(path, site) > 0
    compare(*both(path, since, until, ZoneInfo("Europe/Berlin")))
    with closing(sqlite3.connect(path)) as file:
        firsts = [row[0] for row in file.execute("SELECT first_ms FROM hours ORDER BY first_ms")]
    assert firsts[1] == 45 * 60_000, "10:15 by the right clock, and the hour ends 45 minutes on"


def test_sums_of_a_wrong_clock_are_forgotten_all_or_none(tmp_path: Path) -> None:
    """A power cut in between would leave some among those of the right clock."""
    path = tmp_path / "r.sqlite"
    put(path, [Recorded([(60 * at, 16_000, False) for at in range(300)])], BEGINNINGS[0])
    site = HourBasis(zone=UTC, first=FIRST)
    sum_up(path, site)
    with opened(path) as file:
        file.execute("INSERT INTO clocks VALUES (1, 1000, 0)")
        file.execute(
            "CREATE TRIGGER fails BEFORE DELETE ON hours BEGIN SELECT RAISE(ABORT, 'full'); END"
        )
        with pytest.raises(sqlite3.IntegrityError, match="full"):
            sum_once(file, site, running=-1, boot_ms=0)
        assert file.execute("SELECT COUNT(*) FROM hours_until").fetchone() == (1,)


def test_a_file_of_an_earlier_release_is_summed_by_and_by(tmp_path: Path) -> None:
    """Its rows of five minutes too; until then, and after it, a report says the same."""
    path = tmp_path / "r.sqlite"
    put(
        path,
        [Recorded([(60 * at, 16_000 + at % 7, at % 9 < 3) for at in range(3000)])],
        BEGINNINGS[0],
    )
    with opened(path) as file:
        while thin_once(file, before_utc_ms=ms_of(BEGINNINGS[0] + timedelta(hours=30))):
            pass
        for table in ("hours", "hours_until"):
            file.execute(f"DROP TABLE {table}")
        file.execute("DROP INDEX events_but_phases")
        file.execute(f"PRAGMA user_version = {len(MIGRATIONS) - 1}")
    since, until = BEGINNINGS[0], BEGINNINGS[0] + timedelta(days=3)
    before, plain = both(path, since, until, ZoneInfo("UTC"))
    compare(before, plain)

    with opened(path) as file:
        migrate(file)
        assert file.execute("SELECT COUNT(*) FROM hours").fetchone() == (0,), "not at the start"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(hours, "READINGS_AT_ONCE", 500)
        assert sum_up(path, HourBasis(zone=UTC, first=FIRST)) >= 3
    after, _ = both(path, since, until, ZoneInfo("UTC"))
    compare(after, plain)


def test_hours_of_rows_of_five_minutes_keep_every_peak(tmp_path: Path) -> None:
    """Of a file that was thinned before it was summed: the first row of an hour counts too."""
    path = tmp_path / "r.sqlite"
    begins = datetime(2026, 7, 1, 10, tzinfo=UTC)
    peaks = {0: 25_000, 61: 24_000, 62: 9_000, 299: 23_000, 400: 22_000}  # the last stands alone
    readings = [(60 * at, peaks.get(at, 16_000), False) for at in [*range(300), 400]]
    put(path, [Recorded(readings)], begins)
    with opened(path) as file:
        while thin_once(file, before_utc_ms=2**60):
            pass

    def extents() -> list[tuple[int, int, int]]:
        result = read_columns(path, since=begins, until=begins + timedelta(hours=8), columns=4)
        airs = [(column.number, column.air_mc) for column in result]
        return [(at, each.low_mc, each.high_mc) for at, each in airs if each is not None]

    before = extents()
    sum_up(path, HourBasis(zone=UTC, first=FIRST))

    assert before == [
        (0, 9_000, 25_000), (1, 16_000, 16_000), (2, 16_000, 23_000), (3, 22_000, 22_000),
    ]  # fmt: skip
    assert extents() == before


@pytest.mark.parametrize("zone_name", ZONES)
def test_an_hour_ends_where_the_clock_on_the_wall_begins_another(zone_name: str) -> None:
    """Minute by minute over a day with a change of the clock."""
    zone = ZoneInfo(zone_name)
    for begins in BEGINNINGS:
        for minute in range(24 * 60):
            at = begins + timedelta(minutes=minute)
            local = at.astimezone(zone)
            end = at
            while True:
                end += timedelta(minutes=1)
                now = end.astimezone(zone)
                if now.hour != local.hour or now.utcoffset() != local.utcoffset():
                    break
            assert hour_end(ms_of(at), zone) == ms_of(end), at


def test_sums_are_used_where_they_fit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A year is quick because only both ends are read: here not a reading of whole hours."""
    path = tmp_path / "r.sqlite"
    put(path, [Recorded([(60 * at, 16_000, False) for at in range(600)])], BEGINNINGS[0])
    site = HourBasis(zone=UTC, first=FIRST)
    sum_up(path, site)
    read: list[datetime] = []
    monkeypatch.setattr(
        hours, "pieces_of", lambda readings, *more: pieces_of(_noted(readings, read), *more)
    )
    since = BEGINNINGS[0] + timedelta(minutes=30)

    until = BEGINNINGS[0] + timedelta(minutes=500)
    pieces = list(read_pieces(path, site, since=since, until=until))

    assert len(pieces) == 9
    assert len(read) == 40 + 10, "from 10:20 to 11:00, and from 18:00 to 18:10"


def _noted(readings, read):  # type: ignore[no-untyped-def]
    for reading in readings:
        read.append(reading.at)
        yield reading


def test_the_records_thread_sums_and_then_thins(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file of last week, taken up by a service that starts."""
    monkeypatch.setattr(writer_module, "BATCH_S", 0.01)
    monkeypatch.setattr(writer_module, "FIRST_THINNING_S", 0.0)
    monkeypatch.setattr(writer_module, "THINNING_EVERY_S", 0.0)
    path = tmp_path / "r.sqlite"
    begins = datetime.now(UTC).replace(minute=50, microsecond=0) - timedelta(days=7)
    put(path, [Recorded([(60 * at, 16_000, at % 9 < 3) for at in range(300)])], begins)
    since, until_at = begins, begins + timedelta(hours=6)
    _, plain = both(path, since, until_at, ZoneInfo("UTC"))

    records = RecordsWriter(
        path, chamber="c", boot_id="b", ahead_s=0.0, keep_detail_s=60.0,
        site=HourBasis(zone=UTC, first=FIRST),
    )  # fmt: skip

    def thinned() -> bool:
        with closing(sqlite3.connect(path)) as file:
            return file.execute("SELECT COUNT(*) FROM readings").fetchone() == (0,)

    until(thinned)
    records.close(AT_MOST_S)
    quick, _ = both(path, since, until_at, ZoneInfo("UTC"))
    compare(quick, plain)
