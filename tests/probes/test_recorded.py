"""Recorded readings, row by row and played back."""

from __future__ import annotations

import gzip
import itertools
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.errors import ProbeError
from controller.probes.recorded import (
    COLUMNS,
    PROBLEMS_KEPT,
    RecordedRow,
    RecordedSource,
    read_columns,
    read_rows,
)
from controller.probes.samples import Sample

FULL = "time,air_c,reservoir_c,room_c,coil_outlet_c,pump,fan,swap_packs"


def file_of(folder: Path, *lines: str) -> Path:
    path = folder / "past.csv"
    path.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
    return path


def rows_of(path: Path) -> tuple[list[RecordedRow], list[str]]:
    problems: list[str] = []
    return list(read_rows(path, on_problem=problems.append)), problems


class TestRows:
    def test_full_row(self, tmp_path: Path) -> None:
        """Every column comes out under its name; times are in UTC."""
        path = file_of(tmp_path, FULL, "2026-07-01T14:00:00+02:00,15.5,4.25,-1,+8.0625,1,0,3")

        assert rows_of(path) == (
            [
                RecordedRow(
                    line=2,
                    at=datetime(2026, 7, 1, 12, tzinfo=UTC),
                    air_c=15.5,
                    reservoir_c=4.25,
                    room_c=-1.0,
                    coil_outlet_c=8.0625,
                    pump=True,
                    fan=False,
                    swap_packs=3,
                )
            ],
            [],
        )

    def test_empty_cells_and_missing_columns(self, tmp_path: Path) -> None:
        """What is not there is None, in any order of columns, blank lines aside."""
        path = file_of(tmp_path, "air_c, time", "", ",2026-07-01T14:00:00Z", '"16", "2026-07-02 Z"')

        rows, problems = rows_of(path)

        assert rows == [RecordedRow(line=3, at=datetime(2026, 7, 1, 14, tzinfo=UTC))]
        assert len(problems) == 1

    @pytest.mark.parametrize("packed", [False, True], ids=["plain", "gzip"])
    def test_marks_and_line_ends_of_other_systems(self, packed: bool, tmp_path: Path) -> None:
        """A byte-order mark, CRLF and gzip change nothing; the suffix does not matter."""
        content = b"\xef\xbb\xbftime,air_c\r\n2026-07-01T14:00:00Z,15.5\r\n"
        path = tmp_path / "past.data"
        path.write_bytes(gzip.compress(content) if packed else content)

        rows, problems = rows_of(path)

        assert ([row.air_c for row in rows], problems) == ([15.5], [])

    def test_hour_that_comes_twice(self, tmp_path: Path) -> None:
        """Offsets keep the two hours of the autumn change apart and in order."""
        path = file_of(
            tmp_path,
            "time,air_c",
            "2026-10-25T02:30:00+02:00,15",
            "2026-10-25T02:10:00+01:00,16",
        )

        rows, problems = rows_of(path)

        assert ([row.air_c for row in rows], problems) == ([15.0, 16.0], [])

    @pytest.mark.parametrize(
        ("line", "words"),
        [
            ("2026-07-01T14:00:00,15.5,1", "time: found '2026-07-01T14:00:00', allowed ISO 8601"),
            ("yesterday,15.5,1", "time: found 'yesterday', allowed ISO 8601"),
            (",15.5,1", "time: found '', allowed ISO 8601"),
            ("0001-01-01T00:00:00+14:00,15.5,1", "outside the calendar"),
            ("2026-07-01T12:00:00Z,15.5,1", "not later than 2026-07-01T12:00:00+00:00"),
            ("2026-07-01T11:59:59Z,15.5,1", "not later than 2026-07-01T12:00:00+00:00"),
            ("2026-07-01T14:00:00Z,nan,1", "air_c: found 'nan', allowed a number from -55 to 125"),
            ("2026-07-01T14:00:00Z,inf,1", "air_c: found 'inf'"),
            ("2026-07-01T14:00:00Z,1e99,1", "air_c: found '1e99'"),
            ("2026-07-01T14:00:00Z,1_5,1", "air_c: found '1_5'"),
            ("2026-07-01T14:00:00Z,١٥,1", "air_c: found '١٥'"),
            ("2026-07-01T14:00:00Z,125.1,1", "air_c: found '125.1'"),
            ("2026-07-01T14:00:00Z,15.5 C,1", "air_c: found '15.5 C'"),
            ('2026-07-01T14:00:00Z,"15,5",1', "air_c: found '15,5'"),
            ("2026-07-01T14:00:00Z,15,5,1", "found 4 cells, allowed 3: commas separate cells"),
            ("2026-07-01T14:00:00Z,15.5", "found 2 cells, allowed 3"),
            ("2026-07-01T14:00:00Z,15.5,on", "pump: found 'on', allowed 0, 1 or nothing"),
            ("2026-07-01T14:00:00Z,15.5,2", "pump: found '2'"),
            ('2026-07-01T14:00:00Z,"15.5,1', "found 2 cells, allowed 3"),
            ("\x00\ufffd" * 3000, "longer than 4096 characters"),
        ],
    )
    def test_bad_row_is_named_and_left_out(self, line: str, words: str, tmp_path: Path) -> None:
        """Line, column, what was found and what is allowed; the rows around it stay."""
        path = file_of(
            tmp_path,
            "time,air_c,pump",
            "2026-07-01T12:00:00Z,15,0",
            line,
            "2026-07-01T16:00:00Z,16,1",
        )

        rows, problems = rows_of(path)

        assert [row.air_c for row in rows] == [15.0, 16.0]
        assert len(problems) == 1
        assert problems[0].startswith("line 3: ")
        assert problems[0].endswith("row left out")
        assert words in problems[0]

    @pytest.mark.parametrize("packs", ["-1", "1.5", "1001", "many"])
    def test_bad_number_of_packs(self, packs: str, tmp_path: Path) -> None:
        """Packs are counted in whole numbers."""
        path = file_of(tmp_path, "time,swap_packs", f"2026-07-01T12:00:00Z,{packs}")

        rows, problems = rows_of(path)

        assert rows == []
        assert problems == [
            (
                f"line 2: swap_packs: found '{packs}', allowed a whole number up to 1000, "
                "or nothing; row left out"
            )
        ]

    def test_bytes_that_are_no_text(self, tmp_path: Path) -> None:
        """A row of noise is one bad row."""
        path = tmp_path / "past.csv"
        path.write_bytes(
            b"time,air_c\n2026-07-01T12:00:00Z,15\n\xff\xfe\x00,\x80\n2026-07-01T13:00:00Z,16\n"
        )

        rows, problems = rows_of(path)

        assert [row.air_c for row in rows] == [15.0, 16.0]
        assert len(problems) == 1

    def test_gzip_that_was_cut_off(self, tmp_path: Path) -> None:
        """What came before the cut is used, and the cut is named."""
        lines = [f"2026-07-01T12:{count // 60:02}:{count % 60:02}Z,15" for count in range(3600)]
        content = gzip.compress("\n".join(["time,air_c", *lines]).encode(), mtime=0)
        path = tmp_path / "past.csv.gz"
        path.write_bytes(content[: len(content) // 2])

        rows, problems = rows_of(path)

        assert 0 < len(rows) < 3600
        assert [problem for problem in problems if "the file ends here" in problem] == problems
        assert len(problems) == 1

    def test_rows_let_go_of_the_file(self, tmp_path: Path) -> None:
        """A reader that stops half-way closes the file (a warning would fail this test)."""
        path = file_of(tmp_path, "time", "2026-07-01T12:00:00Z", "2026-07-01T13:00:00Z")
        rows = read_rows(path, on_problem=pytest.fail)

        next(rows)
        rows.close()

        assert list(rows) == []

    def test_a_place_by_name(self) -> None:
        """Temperatures are found by the name of their place."""
        row = RecordedRow(line=2, at=datetime(2026, 7, 1, tzinfo=UTC), coil_outlet_c=8.0)

        assert (row.temp_c("coil_outlet"), row.temp_c("air")) == (8.0, None)

    @given(content=st.binary(max_size=400))
    def test_no_content_raises_anything_else(
        self, content: bytes, tmp_path_factory: pytest.TempPathFactory
    ) -> None:
        """Any bytes behind a good header give rows and problems, never an exception."""
        path = tmp_path_factory.mktemp("csv") / "past.csv"
        path.write_bytes(FULL.encode() + b"\n2026-07-01T12:00:00Z,15,,,,,,\n" + content)

        rows, _ = rows_of(path)

        assert rows[0].air_c == 15.0
        assert all(later.at > sooner.at for sooner, later in itertools.pairwise(rows))

    @given(content=st.binary(max_size=100))
    def test_no_header_raises_anything_else(
        self, content: bytes, tmp_path_factory: pytest.TempPathFactory
    ) -> None:
        """Any bytes at all are rows or a refusal with words."""
        path = tmp_path_factory.mktemp("csv") / "past.csv"
        path.write_bytes(content)

        try:
            rows_of(path)
        except ProbeError as refusal:
            assert str(refusal).startswith(str(path))  # noqa: PT017 - it may also be fine


class TestHeader:
    @pytest.mark.parametrize(
        ("header", "words"),
        [
            ("", ["found no header, allowed time,air_c"]),
            ("time;air_c;pump", ["found semicolons, allowed commas"]),
            ("air_c,pump", ["found no column 'time'"]),
            (
                "time,air_f",
                ["found column 'air_f', temperatures are in °C", "name the column air_c"],
            ),
            ("time,air_temp", ["found column 'air_temp', allowed time, air_c"]),
            ("time,reservoir", ["did you mean 'reservoir_c'?"]),
            ("time,air_c,air_c", ["found column 'air_c' twice"]),
            ("time,air_c,", ["found column ''"]),
            ("tiem,co2_ppm", ["'tiem'", "did you mean 'time'?", "'co2_ppm'", "no column 'time'"]),
        ],
    )
    def test_columns_not_understood_refuse_the_file(
        self, header: str, words: list[str], tmp_path: Path
    ) -> None:
        """Every reason at once, with the nearest column or what to do."""
        path = file_of(tmp_path, header, "2026-07-01T12:00:00Z,60")

        with pytest.raises(ProbeError) as refusal:
            read_rows(path, on_problem=pytest.fail)

        assert all(fragment in str(refusal.value) for fragment in words)
        assert all(line.startswith(f"{path}: line 1: ") for line in str(refusal.value).split("\n"))

    def test_columns_are_the_documented_ones(self, tmp_path: Path) -> None:
        """The header that an export writes is the header that is read."""
        assert ",".join(COLUMNS) == FULL
        assert read_columns(file_of(tmp_path, FULL)) == COLUMNS

    def test_file_that_cannot_be_read(self, tmp_path: Path) -> None:
        """Absent, a folder, or a broken gzip: one sentence with the path."""
        broken = tmp_path / "broken.gz"
        broken.write_bytes(b"\x1f\x8bnot really")

        for path in (tmp_path / "none.csv", tmp_path, broken):
            with pytest.raises(ProbeError, match=f"^{path}: cannot be read: "):
                read_columns(path)


class TestPlayback:
    LINES = (
        "time,air_c,room_c,pump",
        "2026-07-01T12:00:00+00:00,15.0625,24,0",
        "2026-07-01T14:00:05+02:00,,24.5,0",
        "2026-07-01T12:00:07+00:00,nan,24.5,0",
        "2026-07-01T12:01:00+00:00,16,,1",
    )

    def test_rows_come_in_their_own_time(self, tmp_path: Path) -> None:
        """Instants count from the first row; an empty cell is no sample; a bad row is named."""
        source = RecordedSource(file_of(tmp_path, *self.LINES), 100.0)

        assert source.collect(99.9) == []
        assert source.collect(100.0) == [
            ("air", Sample(100.0, 15_062, None, "line 2: 15.0625")),
            ("room", Sample(100.0, 24_000, None, "line 2: 24.0")),
        ]
        assert source.collect(104.9) == []
        assert source.collect(159.9) == [("room", Sample(105.0, 24_500, None, "line 3: 24.5"))]
        assert source.collect(1e9) == [("air", Sample(160.0, 16_000, None, "line 5: 16.0"))]
        assert source.collect(2e9) == []
        assert source.left_out == 1
        assert source.problems[0].startswith("line 4: air_c: found 'nan'")

    def test_only_the_places_asked_for(self, tmp_path: Path) -> None:
        """Other columns are left to other probes."""
        source = RecordedSource(file_of(tmp_path, *self.LINES), 0.0, places=("room",))

        assert [name for name, _ in source.collect(1000.0)] == ["room", "room"]

    def test_close_ends_it(self, tmp_path: Path) -> None:
        """After close nothing comes; closing twice is fine."""
        source = RecordedSource(file_of(tmp_path, *self.LINES), 0.0)

        source.close()
        source.close()

        assert source.collect(1000.0) == []

    def test_place_without_a_column_is_refused(self, tmp_path: Path) -> None:
        """A probe whose column is missing would be lost for good."""
        path = file_of(tmp_path, *self.LINES)

        with pytest.raises(ProbeError, match="missing reservoir_c"):
            RecordedSource(path, 0.0, places=("air", "reservoir"))
        with pytest.raises(ProbeError, match="missing air_c"):
            RecordedSource(file_of(tmp_path, "time,pump", "2026-07-01T12:00:00Z,1"), 0.0)

    def test_file_without_a_usable_row_is_refused(self, tmp_path: Path) -> None:
        """A header alone, or bad rows alone, cannot be played; the first problems are said."""
        with pytest.raises(ProbeError, match="no usable row: no row follows the header"):
            RecordedSource(file_of(tmp_path, "time,air_c"), 0.0)
        with pytest.raises(ProbeError, match="no usable row: line 2: time: found 'now'"):
            RecordedSource(file_of(tmp_path, "time,air_c", "now,15"), 0.0)

    def test_problems_are_bounded(self, tmp_path: Path) -> None:
        """A file of a thousand bad rows costs no memory; all are counted."""
        path = file_of(tmp_path, "time,air_c", "2026-07-01T12:00:00Z,15", *["now,15"] * 1000)

        source = RecordedSource(path, 0.0)
        source.collect(1.0)

        assert source.left_out == 1000
        assert len(source.problems) == PROBLEMS_KEPT
