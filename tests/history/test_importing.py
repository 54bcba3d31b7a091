"""Reading by time, and histories from elsewhere."""

from __future__ import annotations

import gzip
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from controller.cli.main import status_of
from controller.core.state import Decision
from controller.domain.control_phase import Phase, Reason
from controller.history.importing import add_history, reading_at
from controller.history.recorded_samples import sample_of
from controller.probes.recorded import read_rows
from controller.records.boot import boottime
from controller.records.reader import RecordedReading, read_readings
from controller.records.requests_file import REQUESTS, log_past_swap, swaps
from controller.records.writer import RecordsWriter
from controller.service.locks import lock_instance
from controller.settings.shipped import shipped_config
from tests.support.laws import make_inputs
from tests.support.time_zones import zone_of_the_process

CONFIG = str(shipped_config("larkmoor-laptop.toml"))
BEGINS = datetime(2026, 7, 1, 12, 0, tzinfo=UTC)
ON = Decision(True, True, Phase.COOL, Reason.CALL)


def history(count: int, *, begins: datetime = BEGINS) -> list[RecordedReading]:
    return [
        reading_at(
            begins + i * timedelta(minutes=1), (16.0 + i, 4.0, None, None), pump=True, fan=False
        )
        for i in range(count)
    ]


def times(path: Path, **span: datetime) -> list[datetime]:
    return [row.at for row in read_readings(path, **span)]


def test_a_span_is_read_by_its_bounds(tmp_path: Path) -> None:
    """From the first instant on, up to and without the last."""
    path = tmp_path / "records.sqlite"
    add_history(path, history(10), name="one", chamber="c")
    third, sixth = BEGINS + timedelta(minutes=2), BEGINS + timedelta(minutes=5)

    assert times(path, since=third, until=sixth) == [
        third, third + timedelta(minutes=1), third + timedelta(minutes=2)
    ]  # fmt: skip
    assert len(times(path, since=sixth)) == 5
    assert times(path, since=BEGINS + timedelta(hours=1)) == []


def test_many_rows_at_one_instant_are_all_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Pages that end within an instant neither lose a row nor give it twice."""
    monkeypatch.setattr("controller.records.reader.PAGE", 3)
    path = tmp_path / "records.sqlite"
    rows = [
        reading_at(BEGINS, (float(i), None, None, None), pump=False, fan=False) for i in range(8)
    ]
    add_history(path, rows, name="one", chamber="c")

    assert [row.air_mc for row in read_readings(path)] == [i * 1000 for i in range(8)]


def test_histories_come_in_the_order_of_time_whenever_they_were_given(tmp_path: Path) -> None:
    """An older file put in later stands before."""
    path = tmp_path / "records.sqlite"
    add_history(path, history(3), name="new", chamber="c")
    add_history(path, history(3, begins=BEGINS - timedelta(days=1)), name="old", chamber="c")

    assert times(path) == sorted(times(path))
    assert len(times(path)) == 6


def test_rows_that_are_covered_already_are_left_out(tmp_path: Path) -> None:
    """The same history twice is there once; what it goes on with is taken."""
    path = tmp_path / "records.sqlite"
    add_history(path, history(5), name="one", chamber="c")

    again = add_history(path, history(8), name="two", chamber="c")

    assert (again.rows, again.covered) == (3, 5)
    assert len(times(path)) == 8


def test_the_service_goes_on_after_a_history(tmp_path: Path) -> None:
    """Its own rows follow the imported ones."""
    path = tmp_path / "records.sqlite"
    add_history(path, history(3), name="one", chamber="c")
    records = RecordsWriter(path, chamber="c", boot_id="b", ahead_s=boottime())
    records.note(0.0, make_inputs(17.0, 4.0), ON)
    records.close(10.0)

    rows = list(read_readings(path))
    assert [row.air_mc for row in rows] == [16_000, 17_000, 18_000, 17_000]
    assert rows[-1].at > rows[-2].at


def import_file(path: Path) -> int:
    return status_of(["import", CONFIG, "--csv", str(path)])


def test_what_is_exported_is_imported_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Rows and swaps move from one machine to another, gzip too; a second time changes nothing."""
    one_place, other_place = tmp_path / "one_place", tmp_path / "other_place"
    one_place.mkdir()
    other_place.mkdir()
    source = tmp_path / "h.csv"
    source.write_text(
        "time,air_c,reservoir_c,pump,fan,swap_packs\n"
        "2026-07-01T12:00:00+01:00,16.25,4.5,1,1,\n"
        "2026-07-01T12:01:00+01:00,,4.5,1,1,\n"
        "2026-07-01T12:02:00+01:00,16.5,4.5,0,1,4\n"
        "yesterday,16.5,4.5,0,1,\n"
        "2026-07-01T12:03:00+01:00,16.5,nan,0,1,\n"
        "2026-07-01T12:04:00+01:00,16.5,5,0,0,\n",
        encoding="utf-8",
    )
    monkeypatch.setenv("STATE_DIRECTORY", str(one_place))
    assert import_file(source) == 0
    printed = capsys.readouterr()
    assert status_of(["export", CONFIG, "--csv", str(tmp_path / "out.csv")]) == 0
    packed = tmp_path / "out.csv.gz"
    packed.write_bytes(gzip.compress((tmp_path / "out.csv").read_bytes()))

    monkeypatch.setenv("STATE_DIRECTORY", str(other_place))
    assert import_file(packed) == 0
    assert import_file(packed) == 0

    assert "line 5" in printed.err
    assert "line 6" in printed.err
    rows = list(read_readings(other_place / "records.sqlite"))
    assert rows == list(read_readings(one_place / "records.sqlite"))
    assert [row.air_mc for row in rows] == [16_250, None, 16_500, 16_500]
    assert [(swap.at, swap.packs) for swap in swaps(other_place / REQUESTS)] == [
        (datetime(2026, 7, 1, 11, 2, tzinfo=UTC), 4)
    ]


def test_a_running_instance_takes_no_history(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two writers would harm the file: try again when it is stopped."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    source = tmp_path / "h.csv"
    source.write_text("time,air_c\n2026-07-01T12:00:00+01:00,16\n", encoding="utf-8")

    with lock_instance(tmp_path):
        assert import_file(source) == 75

    assert "already controls this chamber" in capsys.readouterr().err
    assert not (tmp_path / "records.sqlite").exists()


@pytest.mark.parametrize(
    "content", [b"", b"air_c\n16\n", b"\x00\xff\xfe", b"time,temp\n"], ids=repr
)
def test_a_file_that_is_no_history_is_refused(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    content: bytes,
) -> None:
    """With a message, and nothing is put in."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    source = tmp_path / "h.csv"
    source.write_bytes(content)

    assert import_file(source) == 66
    assert "Traceback" not in capsys.readouterr().err


def csv_file(tmp_path: Path, *rows: str, header: str = "time,air_c,reservoir_c") -> Path:
    path = tmp_path / "h.csv"
    path.write_text("\n".join((header, *rows)) + "\n", encoding="utf-8")
    return path


def minute(number: int, cells: str = "16,4") -> str:
    return f"2026-07-01T12:{number:02d}:00+01:00,{cells}"


def test_what_nobody_recorded_is_not_taken_for_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without pump and fan, in the whole file or in a row: unknown, said so, and exported so."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    header = "time,air_c,reservoir_c,pump,fan"
    source = csv_file(tmp_path, minute(0, "16,4,1,1"), minute(1, "16,4,,1"), header=header)

    assert import_file(source) == 0

    assert "1 row without pump and fan" in capsys.readouterr().out
    rows = list(read_readings(tmp_path / "records.sqlite"))
    assert [row.switches_known for row in rows] == [True, False]
    assert [sample_of(row).cooling for row in rows] == [True, None]
    assert status_of(["export", CONFIG, "--csv", str(tmp_path / "out.csv")]) == 0
    lines = (tmp_path / "out.csv").read_text(encoding="utf-8").splitlines()
    assert [line.split(",")[5:7] for line in lines[1:]] == [["1", "1"], ["", ""]]


def test_an_import_is_taken_back_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The last one only, its pack changes too; then there is one less, and none in the end."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    header = "time,air_c,reservoir_c,swap_packs"
    assert import_file(csv_file(tmp_path, minute(0, "16,4,4"), header=header)) == 0
    assert import_file(csv_file(tmp_path, minute(30, "17,4,3"), header=header)) == 0
    capsys.readouterr()

    with zone_of_the_process("Asia/Kathmandu"):
        before = datetime.now(ZoneInfo("Europe/Lisbon"))
        assert status_of(["import", CONFIG, "--undo"]) == 0

    shown = capsys.readouterr().out
    assert "Taken back: 1 row and 1 pack change from h.csv" in shown
    hours = {f"{before - timedelta(minutes=ago):%Y-%m-%d %H:}" for ago in (0, 5)}
    assert any(f"imported {hour}" in shown for hour in hours), "in the hours of the chamber"
    assert [row.air_mc for row in read_readings(tmp_path / "records.sqlite")] == [16_000]
    assert [swap.packs for swap in swaps(tmp_path / REQUESTS)] == [4]
    assert status_of(["import", CONFIG, "--undo"]) == 0
    assert status_of(["import", CONFIG, "--undo"]) == 69
    assert capsys.readouterr().err == "There is no import to take back.\n"
    assert list(read_readings(tmp_path / "records.sqlite")) == []
    assert swaps(tmp_path / REQUESTS) == []


def test_what_was_exported_is_there_already(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Pack changes too, which an export writes at the reading that follows soon, or alone."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    path = tmp_path / "records.sqlite"
    readings = [*history(30), *history(5, begins=BEGINS + timedelta(hours=2))]
    add_history(path, readings, name="one", chamber="c")
    for minutes, packs in ((3.5, 4), (15.2, 2), (15.6, 1), (70.5, 5), (200.0, 4)):
        at = BEGINS + timedelta(minutes=minutes)
        log_past_swap(tmp_path / REQUESTS, at=at, packs=packs, who="Tove")
    assert status_of(["export", CONFIG, "--csv", str(tmp_path / "out.csv")]) == 0
    rows = read_rows(tmp_path / "out.csv", on_problem=pytest.fail)
    after = [((row.at - BEGINS) / timedelta(minutes=1), row.swap_packs) for row in rows]
    assert [each for each in after if each[1]] == [(4.0, 4), (16.0, 3), (70.5, 5), (200.0, 4)]
    capsys.readouterr()

    assert status_of(["import", CONFIG, "--csv", str(tmp_path / "out.csv")]) == 0

    assert capsys.readouterr().out.startswith("0 rows and 0 pack changes from ")
    assert len(swaps(tmp_path / REQUESTS)) == 5


def test_a_file_of_pack_changes_alone_is_taken_back_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its readings were there already; a change of another size, or of another hour, was not."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    header = "time,air_c,reservoir_c,swap_packs"
    assert import_file(csv_file(tmp_path, minute(0, "16,4,4"), header=header)) == 0
    again = [minute(0, "16,4,3"), minute(25, ",,4"), minute(26, ",,4")]
    assert import_file(csv_file(tmp_path, *again, header=header)) == 0
    assert [swap.packs for swap in swaps(tmp_path / REQUESTS)] == [4, 3, 4, 4]
    capsys.readouterr()

    assert status_of(["import", CONFIG, "--undo"]) == 0

    assert "Taken back: 0 rows and 3 pack changes from h.csv" in capsys.readouterr().out
    assert [swap.packs for swap in swaps(tmp_path / REQUESTS)] == [4]
    assert [row.air_mc for row in read_readings(tmp_path / "records.sqlite")] == [16_000]


def test_a_second_file_fills_what_the_first_left_open(tmp_path: Path) -> None:
    """A gap longer than a reading holds is filled; nothing stands twice."""
    path = tmp_path / "records.sqlite"
    first = [*history(5), *history(5, begins=BEGINS + timedelta(minutes=20))]
    add_history(path, first, name="one", chamber="c")

    filled = add_history(path, history(30), name="two", chamber="c")

    assert (filled.rows, filled.covered) == (20, 10)
    assert times(path) == [BEGINS + i * timedelta(minutes=1) for i in range(30)]


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ([minute(3), minute(2), minute(1), minute(0)], "oldest first"),
        ([minute(i)[:19] + ",16,4" for i in range(4)], "--local-times"),
        ([minute(i, "60.5,40") for i in range(4)], "air_c are above 45 °C: that column looks like"),
        ([minute(0), *(minute(i, "warm,4") for i in range(1, 4))], "3 of 4 rows cannot be used"),
        ([minute(0), *(minute(i, "warm,4") for i in range(1, 4))], "line 3: air_c: found 'warm'"),
        ([minute(i, "16,4,7") for i in range(4)], "4 of 4 rows cannot be used"),
    ],
    ids=["newest-first", "no-offset", "fahrenheit", "mostly-bad", "an-example", "a-cell-too-many"],
)
def test_a_bad_file_is_refused_in_words_about_it(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    rows: list[str],
    message: str,
) -> None:
    """Exit status 66, what is wrong with that file and what to do; nothing is put in."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))

    assert import_file(csv_file(tmp_path, *rows)) == 66

    printed = capsys.readouterr().err
    assert message in printed
    assert "left out" not in printed  # the file is refused as a whole
    assert not (tmp_path / "records.sqlite").exists()


def test_a_room_in_fahrenheit_is_named_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where the other columns are in °C, and most cells of it are empty."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    rows = [minute(0, "16,4,77"), *(minute(i, "16,4,") for i in range(1, 9))]

    assert import_file(csv_file(tmp_path, *rows, header="time,air_c,reservoir_c,room_c")) == 66

    assert "1 of 1 values of room_c are above 45 °C" in capsys.readouterr().err


def test_an_extra_column_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """One that is not understood would look like a probe that was never fitted."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))

    assert (
        import_file(
            csv_file(tmp_path, minute(0, "16,4,80"), header="time,air_c,reservoir_c,rh_pct")
        )
        == 66
    )

    printed = capsys.readouterr().err
    assert "  line 1: found column 'rh_pct'" in printed
    assert "take it out of the file" in printed


def test_local_times_are_read_in_the_zone_of_the_site(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When asked to; the hour that comes twice in autumn is told apart by the order of rows.

    Source: Europe/Lisbon leaves summer time on 25 October 2026 at 01:00 UTC (EU directive 2000/84).
    """
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    source = csv_file(
        tmp_path,
        "2026-07-01T12:00:00,16,4",
        "2026-10-25T01:50:00,16,4",
        "2026-10-25T01:10:00,16,4",
        "2026-10-25T02:00:00,16,4",
    )

    assert status_of(["import", CONFIG, "--csv", str(source), "--local-times"]) == 0

    assert times(tmp_path / "records.sqlite") == [
        datetime(2026, 7, 1, 11, 0, tzinfo=UTC),
        datetime(2026, 10, 25, 0, 50, tzinfo=UTC),
        datetime(2026, 10, 25, 1, 10, tzinfo=UTC),
        datetime(2026, 10, 25, 2, 0, tzinfo=UTC),
    ]
