"""Reading by time, and histories from elsewhere."""

from __future__ import annotations

import gzip
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from controller.cli.main import status_of
from controller.core.state import Decision, Phase, Reason
from controller.history.importing import add_history, reading_at
from controller.records.boot import boottime
from controller.records.reader import RecordedReading, read_readings
from controller.records.requests import REQUESTS, swaps
from controller.records.writer import RecordsWriter
from controller.service.locks import lock_instance
from controller.settings.shipped import shipped_config
from tests.support.laws import make_inputs

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
    here, there = tmp_path / "here", tmp_path / "there"
    here.mkdir()
    there.mkdir()
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
    monkeypatch.setenv("STATE_DIRECTORY", str(here))
    assert import_file(source) == 0
    told = capsys.readouterr()
    assert status_of(["export", CONFIG, "--csv", str(tmp_path / "out.csv")]) == 0
    packed = tmp_path / "out.csv.gz"
    packed.write_bytes(gzip.compress((tmp_path / "out.csv").read_bytes()))

    monkeypatch.setenv("STATE_DIRECTORY", str(there))
    assert import_file(packed) == 0
    assert import_file(packed) == 0

    assert "line 5" in told.err
    assert "line 6" in told.err
    rows = list(read_readings(there / "records.sqlite"))
    assert rows == list(read_readings(here / "records.sqlite"))
    assert [row.air_mc for row in rows] == [16_250, None, 16_500, 16_500]
    assert [(swap.at, swap.packs) for swap in swaps(there / REQUESTS)] == [
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
