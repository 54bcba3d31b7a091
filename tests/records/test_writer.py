"""The records: what is kept, in what order, and media that fail in every way."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from controller.core.law import Band
from controller.core.state import Decision, Event
from controller.domain.control_phase import Phase, Reason
from controller.domain.events import BAND, BandPoints, EventKind
from controller.records import writer as writer_module
from controller.records.damaged_files import set_aside
from controller.records.reader import read_readings
from controller.records.writer import RecordsWriter
from controller.settings.models import Records
from tests.fuzz.seeds import seeds
from tests.support.laws import make_inputs
from tests.support.waiting import AT_MOST_S, until

OFF = Decision(False, False, Phase.REST, Reason.NO_CALL)
ON = Decision(True, True, Phase.COOL, Reason.CALL, (Event(EventKind.SWITCH, "pump", "on"),))
ALARM = Decision(
    False, False, Phase.REST, Reason.NO_CALL, (Event(EventKind.RAISED, "air_high", ""),)
)


@pytest.fixture
def write(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Callable[..., RecordsWriter]]:
    """Return a maker of writers that batch and retry quickly; all are closed at the end."""
    monkeypatch.setattr(writer_module, "BATCH_S", 0.01)
    monkeypatch.setattr(writer_module, "FIRST_PAUSE_S", 0.01)
    monkeypatch.setattr(writer_module, "LONGEST_PAUSE_S", 0.05)
    made: list[RecordsWriter] = []

    def make(path: Path | None = None, report: Callable[[str], object] = str) -> RecordsWriter:
        made.append(
            RecordsWriter(
                path or tmp_path / "records.sqlite",
                chamber="bench",
                boot_id="boot-a",
                ahead_s=0.0,
                report=report,
            )
        )
        return made[-1]

    yield make
    for each in made:
        each.close(AT_MOST_S)


def kept(path: Path) -> list[tuple[int | None, bool]]:
    """Return (air, pump) of every row."""
    try:
        return [(row.air_mc, row.pump) for row in read_readings(path)]
    except OSError:
        return []


def test_samples_are_kept_as_they_change_in_a_useful_sense(
    tmp_path: Path, write: Callable[..., RecordsWriter]
) -> None:
    """A quarter of a kelvin, a switch, a probe lost or back, and once a minute at least."""
    records = write()
    for at, air_c, decision in (
        (0, 16.0, OFF),
        (5, 16.2, OFF),  # too little
        (10, 16.25, OFF),  # enough
        (15, 16.25, ON),  # a switch
        (20, None, ON),  # lost
        (25, None, ON),
        (79, None, ON),
        (80, None, ON),  # a minute
    ):
        records.note(float(at), make_inputs(air_c), decision)
    records.close(AT_MOST_S)

    assert kept(tmp_path / "records.sqlite") == [
        (16_000, False),
        (16_250, False),
        (16_250, True),
        (None, True),
        (None, True),
    ]


def test_event_is_on_the_medium_at_once(
    tmp_path: Path, write: Callable[..., RecordsWriter], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not with the next batch: a batch far away does not hold it back."""
    monkeypatch.setattr(writer_module, "BATCH_S", 3600.0)
    records = write()
    records.note(0.0, make_inputs(20.0), ALARM)

    def events() -> list[tuple[str, str]]:
        if not (tmp_path / "records.sqlite").exists():
            return []
        with closing(sqlite3.connect(tmp_path / "records.sqlite")) as file:
            try:
                return file.execute("SELECT kind, name FROM events").fetchall()
            except sqlite3.Error:
                return []

    until(lambda: ("alarm_raised", "air_high") in events())
    over = ALARM._replace(events=(Event(EventKind.CLEARED, "air_high", ""),))
    records.note(5.0, make_inputs(20.0), over)  # of the same band, which is no event any more
    until(lambda: ("alarm_cleared", "air_high") in events())


@pytest.mark.parametrize(
    ("error", "text"),
    [
        (OSError(), "OSError"),
        (
            MemoryError(),
            "it asks for more memory than there is; where that stays so, it is damaged",
        ),
        (sqlite3.OperationalError("disk I/O error"), "disk I/O error"),
    ],
)
def test_a_fault_of_the_records_always_has_words(
    write: Callable[..., RecordsWriter], error: Exception, text: str
) -> None:
    """Also where the error itself has none; and it is reported once."""
    reports = []
    records = write(report=reports.append)
    for _ in range(2):
        records._failed(error)

    assert records.fault == text
    assert reports == [f"records are not kept: {text}"]


def test_detail_is_kept_for_as_long_as_the_configuration_s_default_says() -> None:
    """Whoever writes records without a configuration."""
    assert Records().keep_detail == writer_module.KEEP_DETAIL_S


@pytest.mark.parametrize(
    "content",
    [
        b"garbage" * 2000,
        b"SQLite format 3\x00" + b"\x00" * 8176,
        # SQLite quotes this in its message, and Python cannot decode that
        seeds("database")[0].replace(b"CREATE TABLE readings", b"CREATE T\xc7BLE readings"),
    ],
    ids=["noise", "zeroed-behind-the-name", "no-text-in-its-schema"],
)
def test_damaged_file_is_set_aside_and_a_new_one_begun(
    tmp_path: Path, write: Callable[..., RecordsWriter], content: bytes
) -> None:
    """Never deleted, and nothing that waited is lost."""
    path = tmp_path / "records.sqlite"
    path.write_bytes(content)
    reports: list[str] = []
    records = write(report=reports.append)

    records.note(0.0, make_inputs(16.0), ALARM)

    until(lambda: kept(path) == [(16_000, False)])
    until(lambda: records.fault is None)
    assert (tmp_path / "records.sqlite.damaged-1").read_bytes()[:7] == content[:7]
    assert records.set_aside == tmp_path / "records.sqlite.damaged-1"
    assert reports[-1] == "records are kept again"
    assert len(reports) <= 3


def test_zero_byte_file_is_simply_begun(
    tmp_path: Path, write: Callable[..., RecordsWriter]
) -> None:
    """What a power cut can leave of a file that was just created."""
    path = tmp_path / "records.sqlite"
    path.touch()

    write().note(0.0, make_inputs(16.0), ALARM)

    until(lambda: kept(path) == [(16_000, False)])


def test_folder_that_cannot_be_written_keeps_the_rows_waiting(
    tmp_path: Path, write: Callable[..., RecordsWriter]
) -> None:
    """A card that is gone and back: the fault stands meanwhile, then all is written in order."""
    place = tmp_path / "card"
    records = write(place / "records.sqlite")
    for at in range(5):
        records.note(60.0 * at, make_inputs(16.0 + at), ALARM)
    until(lambda: records.fault is not None)

    place.mkdir()

    until(lambda: len(kept(place / "records.sqlite")) == 5)
    until(lambda: records.fault is None)
    assert [air for air, _ in kept(place / "records.sqlite")] == [
        16_000, 17_000, 18_000, 19_000, 20_000,
    ]  # fmt: skip


def test_locked_database_is_waited_for(tmp_path: Path, write: Callable[..., RecordsWriter]) -> None:
    """Another process holds it for a while: nothing is lost, nothing is written twice."""
    path = tmp_path / "records.sqlite"
    records = write()
    records.note(0.0, make_inputs(16.0), ALARM)
    until(lambda: len(kept(path)) == 1)

    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        records.note(60.0, make_inputs(17.0), ALARM)
        until(lambda: records.fault is not None)
        other.execute("ROLLBACK")

    until(lambda: kept(path) == [(16_000, False), (17_000, False)])


def test_full_disk_keeps_the_rows_waiting(
    tmp_path: Path, write: Callable[..., RecordsWriter], monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLite's own "disk is full", by a limit on the file's pages; then there is room again."""
    path = tmp_path / "records.sqlite"
    limit = ["PRAGMA max_page_count = 8"]
    real = sqlite3.connect

    def connect(*arguments: object, **named: object) -> sqlite3.Connection:
        file = real(*arguments, **named)  # type: ignore[call-overload]
        file.execute(limit[0])
        return file

    records = write()
    records.note(0.0, make_inputs(16.0), ALARM)
    until(lambda: len(kept(path)) == 1)
    records.close(AT_MOST_S)
    monkeypatch.setattr(writer_module.sqlite3, "connect", connect)
    records = write()
    for at in range(400):
        records.note(100.0 + 60.0 * at, make_inputs(16.0 + at % 2), ALARM)
    until(lambda: "full" in (records.fault or ""))

    limit[0] = "PRAGMA max_page_count = 100000"

    until(lambda: len(kept(path)) == 401)


def test_only_a_few_damaged_files_are_kept(tmp_path: Path) -> None:
    """The newest stay; the name counts on and does not depend on a clock."""
    path = tmp_path / "records.sqlite"
    for turn in range(8):
        path.write_text(f"damage {turn}")
        for side in ("wal", "journal"):  # one that stayed would be played into the next file
            (tmp_path / f"records.sqlite-{side}").write_text("side file")
        set_aside(path)

    left = sorted(kept_file.name for kept_file in tmp_path.glob("*.damaged-?"))
    assert left == [f"records.sqlite.damaged-{number}" for number in range(4, 9)]
    for side in ("wal", "journal"):
        assert (tmp_path / f"records.sqlite.damaged-8-{side}").exists()
        assert not (tmp_path / f"records.sqlite-{side}").exists()
    assert not path.exists()


def test_writer_of_a_later_release_is_not_overwritten(
    tmp_path: Path, write: Callable[..., RecordsWriter]
) -> None:
    """A version that we do not know: said, and left as it is."""
    path = tmp_path / "records.sqlite"
    with closing(sqlite3.connect(path)) as file:
        file.execute("PRAGMA user_version = 99")
    records = write()
    records.note(0.0, make_inputs(16.0), ALARM)

    until(lambda: "version 99" in (records.fault or ""))

    assert path.exists()
    assert list(tmp_path.glob("*.damaged-*")) == []


def test_side_file_shrinks_once_the_slow_reader_has_gone(
    tmp_path: Path, write: Callable[..., RecordsWriter], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A reader that never finishes: said once while the log grows, and no restart is needed after.

    Source: SQLite's own page on write-ahead logging, "Avoiding Excessively Large WAL Files".
    """
    most = 300_000
    monkeypatch.setattr(writer_module, "MOST_SIDE_FILE_BYTES", most)
    path, side = tmp_path / "records.sqlite", tmp_path / "records.sqlite-wal"
    reports: list[str] = []
    records = write(report=reports.append)
    records.note(0.0, make_inputs(16.0), ALARM)
    until(lambda: len(kept(path)) == 1)

    with closing(sqlite3.connect(path)) as reader:
        reader.execute("BEGIN")
        assert reader.execute("SELECT count(*) FROM readings").fetchone() == (1,)
        for at in range(1500):
            records.keep_event(float(at), "stage", "x" * 400)
        until(lambda: side.stat().st_size > most)
        # a checkpoint waits a second for the reader, hence one more batch and no more
        records.keep_event(2000.0, "stage", "while it reads")
        until(lambda: records.waiting == 0 and len(reports) == 1)

    records.keep_event(2001.0, "stage", "after it")
    until(lambda: side.stat().st_size <= most)
    until(lambda: len(reports) == 2)
    assert [text.split(":")[0] for text in reports] == [
        "the write-ahead log is over 292 KiB",
        "the write-ahead log is small again",
    ]
    assert records.fault is None


def test_side_file_of_an_older_copy_stops_nothing(
    tmp_path: Path, write: Callable[..., RecordsWriter]
) -> None:
    """A card copied file by file: SQLite believes the older log, so rows of the past may be lost.

    Nothing in the main file tells that the log beside it is another one's. What is written from now
    on is kept, in a sound file, and a file that became unsound by it is set aside.
    """
    path, side = tmp_path / "records.sqlite", tmp_path / "records.sqlite-wal"
    first = write()
    first.note(0.0, make_inputs(16.0), ALARM)
    until(lambda: len(kept(path)) == 1)
    old = side.read_bytes()
    first.close(AT_MOST_S)
    second = write()
    for at in range(1, 300):
        second.note(60.0 * at, make_inputs(17.0), ALARM)
    second.close(AT_MOST_S)
    side.write_bytes(old)

    third = write()
    third.note(20_000.0, make_inputs(18.0), ALARM)

    until(lambda: kept(path)[-1:] == [(18_000, False)])
    until(lambda: third.fault is None)
    with closing(sqlite3.connect(path)) as file:
        assert file.execute("PRAGMA quick_check").fetchone() == ("ok",)


@pytest.mark.parametrize("part", ["readings", "events", "runs", "clocks"])
def test_zeroed_page_is_set_aside_at_the_first_write(
    tmp_path: Path, write: Callable[..., RecordsWriter], part: str
) -> None:
    """The file opens and answers; only a real query meets the hole."""
    path = tmp_path / "records.sqlite"
    first = write()
    first.note(0.0, make_inputs(16.0), ALARM)
    first.close(AT_MOST_S)
    with closing(sqlite3.connect(path)) as file:
        (size,) = file.execute("PRAGMA page_size").fetchone()
        (page,) = file.execute(
            "SELECT rootpage FROM sqlite_master WHERE name = ?", (part,)
        ).fetchone()
    content = bytearray(path.read_bytes())
    content[(page - 1) * size : page * size] = bytes(size)
    path.write_bytes(content)

    write().note(60.0, make_inputs(17.0), ALARM)

    until(lambda: kept(path) == [(17_000, False)])
    aside = (tmp_path / "records.sqlite.damaged-1").read_bytes()
    assert len(aside) == len(content)
    assert aside[(page - 1) * size : page * size] == bytes(size)


def test_rows_lie_as_far_apart_as_they_were_over_a_suspended_machine(
    tmp_path: Path, write: Callable[..., RecordsWriter]
) -> None:
    """The clock of the control law stands still meanwhile; the boot-time clock does not."""
    records = write()
    records.note(0.0, make_inputs(16.0), ALARM)
    records.ahead_s += 7200.0
    records.note(5.0, make_inputs(17.0), ALARM)
    records.close(AT_MOST_S)

    before, after = read_readings(tmp_path / "records.sqlite")

    assert (after.at - before.at).total_seconds() == 7205.0


WRITING = """
import sys
from pathlib import Path
from controller.records import writer
from controller.records.writer import RecordsWriter
from tests.records.test_writer import ALARM
from tests.support.laws import make_inputs
from tests.support.waiting import until
writer.BATCH_S = 0.001
records = RecordsWriter(Path(sys.argv[1]), chamber="b", boot_id="b", ahead_s=0.0)
for at in range(10**9):
    records.note(60.0 * at, make_inputs(16.0 + at % 3), ALARM)
    if records.waiting > 10:
        until(lambda: not records.waiting)
    if at % 20 == 0:
        print(at, flush=True)
"""


def test_kill_at_any_moment_leaves_a_sound_database_in_order(tmp_path: Path) -> None:
    """SIGKILL in the middle of heavy writing, again and again on one file: it stays whole.

    It opens, and its rows are in order without a gap. Twelve times here; COLDPIN_KILLS=200 in the
    environment makes it two hundred.
    """
    path = tmp_path / "records.sqlite"
    kills = int(os.environ.get("COLDPIN_KILLS", "12"))
    for turn in range(kills):
        process = subprocess.Popen(
            [sys.executable, "-c", WRITING, str(path)], stdout=subprocess.PIPE, text=True
        )
        assert process.stdout is not None
        for _ in range(4 + turn % 7):
            process.stdout.readline()
        process.send_signal(signal.SIGKILL)
        process.wait()
        process.stdout.close()

    with closing(sqlite3.connect(path)) as file:
        assert file.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        rows = file.execute("SELECT run, at_ms FROM readings ORDER BY id").fetchall()
        runs = file.execute("SELECT count(*) FROM runs").fetchone()[0]
    assert 0 < runs <= kills
    for run in {run for run, _ in rows}:
        instants = [at_ms for number, at_ms in rows if number == run]
        assert instants == [60_000 * turn for turn in range(len(instants))]


def test_files_as_a_power_cut_leaves_them_are_whole(tmp_path: Path) -> None:
    """What lies on the medium at any moment opens, is sound, and lost at most its newest rows."""
    path, copies = tmp_path / "records.sqlite", tmp_path / "copies"
    copies.mkdir()
    with subprocess.Popen(
        [sys.executable, "-c", WRITING, str(path)], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        for turn in range(12):
            for _ in range(2 + turn % 5):
                reported = int(process.stdout.readline())
            # both files at one instant: the process stands still while they are copied
            process.send_signal(signal.SIGSTOP)
            copy = copies / f"{turn}.sqlite"
            copy.write_bytes(path.read_bytes())
            wal = path.with_name(f"{path.name}-wal")
            copy.with_name(f"{copy.name}-wal").write_bytes(wal.read_bytes())
            process.send_signal(signal.SIGCONT)

            with closing(sqlite3.connect(copy)) as file:
                assert file.execute("PRAGMA integrity_check").fetchone() == ("ok",)
                instants = [at for (at,) in file.execute("SELECT at_ms FROM readings ORDER BY id")]
            assert instants == [60_000 * number for number in range(len(instants))]
            assert len(instants) >= reported - 200, "the writing thread is that far behind at most"
        process.kill()


@pytest.mark.parametrize(
    "make",
    [
        pytest.param("PRAGMA user_version = 99", id="newer-release"),
        pytest.param("newer-sqlite", id="newer-sqlite"),
    ],
)
def test_records_of_a_newer_program_are_left_alone(tmp_path: Path, make: str) -> None:
    """To the byte, and no new file in their place: a format one does not know is no damage.

    The schema format of the file header, bytes 44 to 47, is 1 to 4 in every SQLite of today
    (source: sqlite.org/fileformat2.html, section 1.3).
    """
    path = tmp_path / "records.sqlite"
    with closing(sqlite3.connect(path)) as file:
        file.execute("CREATE TABLE runs (id)")
        if make != "newer-sqlite":
            file.execute(make)
        file.commit()
    if make == "newer-sqlite":
        content = bytearray(path.read_bytes())
        content[44:48] = (9).to_bytes(4, "big")
        path.write_bytes(content)
    before = path.read_bytes()

    writer = RecordsWriter(path, chamber="c", boot_id="b", ahead_s=0.0)
    writer.keep_event(0.0, "stage", "pinning")
    until(lambda: writer.fault is not None)
    writer.close()

    assert path.read_bytes() == before
    assert list(tmp_path.glob("*.damaged-*")) == []


def test_the_band_in_force_is_an_event_when_it_changes(
    tmp_path: Path, write: Callable[..., RecordsWriter]
) -> None:
    """With its points, at once and at no other tick: a report of the night goes by the night's."""
    records = write()
    night = Band(cut_in_mc=14_500, cut_out_mc=13_500)
    for at in (0.0, 5.0):
        records.note(at, make_inputs(16.0), OFF)
    for at in (10.0, 15.0):
        records.note(at, replace(make_inputs(16.0), band=night), OFF)
    records.close(AT_MOST_S)

    with closing(sqlite3.connect(tmp_path / "records.sqlite")) as file:
        stages = file.execute("SELECT at_ms, name FROM events WHERE kind = ?", (BAND,)).fetchall()
    day, dark = (BandPoints(cut_out_mc=low, cut_in_mc=low + 1000).text for low in (15_500, 13_500))
    assert stages == [(0, day), (10_000, dark)]
