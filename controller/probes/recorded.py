"""Readings of the past from a CSV file, read row by row or played back in their own time.

Columns: ``time,air_c,reservoir_c,room_c,coil_outlet_c,pump,fan,swap_packs``. ``time`` is ISO 8601
with an offset and must be there; any other column may be missing, none may be renamed. An empty
cell is no reading; ``pump`` and ``fan`` are 0 or 1; ``swap_packs`` counts the packs swapped at that
row. Separator comma, decimal point, UTF-8, plain or gzip.

A bad row is named by its line and left out. A file whose columns are not understood is refused as
a whole, because a column passed over in silence would look like a probe that was never fitted.
"""

from __future__ import annotations

import csv
import difflib
import gzip
import re
import zlib
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import TextIO

from controller.domain.reading_rows import COLUMNS, PROBE_NAMES, SWAP_PACKS, TIME
from controller.domain.temperatures import millidegrees
from controller.errors import ProbeError
from controller.probes.samples import Sample

LOWEST_C = -55.0
HIGHEST_C = 125.0
"""What a DS18B20 can say [°C]; source: its data sheet. Anything else is no reading."""

MOST_PACKS = 1_000
PROBLEMS_KEPT = 100

_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,2})?", re.ASCII)
_COUNT = re.compile(r"\d{1,4}", re.ASCII)
_GZIP_MAGIC = b"\x1f\x8b"
_LONGEST_LINE = 4096
_BROKEN_FILE = (OSError, EOFError, zlib.error)
LEFT_OUT = "row left out"
NO_OFFSET = " (the offset is missing)"
NOT_LATER = "not later than"
"""Parts of the messages for such rows, by which whole files of them are known."""

OnProblem = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedRow:
    """One usable row; None stands for an empty cell or a missing column."""

    line: int
    """Line in the file, the header being 1."""
    at: datetime
    """Instant, in UTC."""
    air_c: float | None = None
    reservoir_c: float | None = None
    room_c: float | None = None
    coil_outlet_c: float | None = None
    pump: bool | None = None
    fan: bool | None = None
    swap_packs: int | None = None

    def temp_c(self, place: str) -> float | None:
        """Return the temperature at one of `PROBE_NAMES` [°C]."""
        temp_c: float | None = getattr(self, f"{place}_c")
        return temp_c


Rows = Generator[RecordedRow, None, None]
"""Rows one after another; its ``close`` lets go of the file."""


def read_columns(path: Path) -> tuple[str, ...]:
    """Return the columns of a recorded file.

    Raises:
        ProbeError: The file cannot be read or its header cannot be used; names every reason.
    """
    try:
        with _open(path) as file:
            header = file.readline(_LONGEST_LINE)
    except _BROKEN_FILE as problem:
        raise ProbeError(f"{path}: cannot be read: {_why(problem)}") from problem
    columns = tuple(_cells(header))
    problems = _header_problems(columns)
    if problems:
        raise ProbeError("\n".join(f"{path}: line 1: {problem}" for problem in problems))
    return columns


def read_rows(path: Path, *, on_problem: OnProblem, zone: tzinfo | None = None) -> Rows:
    """Read a recorded file row by row; at any moment only one row is held.

    Args:
        path: CSV file, plain or gzip.
        zone: Zone of times without an offset; None: such a row is left out.
        on_problem: Told for each row that is left out: line, column, found, allowed.

    Returns:
        The usable rows, each later than the one before.

    Raises:
        ProbeError: The file cannot be read or its header cannot be used (raised at once).
    """
    return _rows(path, read_columns(path), on_problem, zone)


def _rows(path: Path, columns: tuple[str, ...], on_problem: OnProblem, zone: tzinfo | None) -> Rows:
    newest: datetime | None = None
    number = 1
    try:
        with _open(path) as file:
            file.readline(_LONGEST_LINE)
            while text := file.readline(_LONGEST_LINE):
                number += 1
                if len(text) == _LONGEST_LINE and not text.endswith("\n"):
                    _skip_line(file)
                    on_problem(f"line {number}: longer than {_LONGEST_LINE} characters, {LEFT_OUT}")
                elif text.strip():
                    try:
                        row = _row(number, columns, _cells(text), zone=zone, newest=newest)
                        _require_later(row.at, newest)
                    except ValueError as problem:
                        on_problem(f"line {number}: {problem}; {LEFT_OUT}")
                    else:
                        newest = row.at
                        yield row
    except _BROKEN_FILE as problem:
        on_problem(f"line {number}: the file ends here: {_why(problem)}; what came before is used")


def _open(path: Path) -> TextIO:
    with path.open("rb") as file:
        packed = file.read(len(_GZIP_MAGIC)) == _GZIP_MAGIC
    if packed:
        return gzip.open(path, "rt", encoding="utf-8-sig", errors="replace")
    return path.open(encoding="utf-8-sig", errors="replace")


def _skip_line(file: TextIO) -> None:
    while (rest := file.readline(_LONGEST_LINE)) and not rest.endswith("\n"):
        pass


def _why(problem: BaseException) -> str:
    return getattr(problem, "strerror", None) or str(problem)


def _cells(text: str) -> list[str]:
    text = text.rstrip("\n")
    # Line by line, so that a stray quote spoils its own line and not the rest of the file.
    cells = next(csv.reader([text]), []) if '"' in text else text.split(",")
    return [cell.strip() for cell in cells]


def _header_problems(columns: Sequence[str]) -> list[str]:
    if not any(columns):
        return [f"found no header, allowed {','.join(COLUMNS)}"]
    if len(columns) == 1 and ";" in columns[0]:
        return ["found semicolons, allowed commas between columns and a point in numbers"]
    problems = [_column_problem(column) for column in columns if column not in COLUMNS]
    problems += [
        f"found column {column!r} twice, allowed once"
        for column in COLUMNS
        if columns.count(column) > 1
    ]
    if TIME not in columns:
        problems.append(f"found no column {TIME!r}, which every row needs")
    return problems


def _column_problem(column: str) -> str:
    place = column[:-2]
    if column.endswith("_f") and place in PROBE_NAMES:
        return (
            f"found column {column!r}, temperatures are in °C: convert each, (°F - 32) / 1.8, "
            f"and name the column {place}_c"
        )
    near = difflib.get_close_matches(column, COLUMNS, n=1)
    hint = f"; did you mean {near[0]!r}?" if near else ""
    return (
        f"found column {column[:40]!r}, allowed {', '.join(COLUMNS)}"
        f"{hint or '; take it out of the file'}"
    )


def _row(
    line: int,
    columns: tuple[str, ...],
    cells: list[str],
    *,
    zone: tzinfo | None,
    newest: datetime | None,
) -> RecordedRow:
    if len(cells) != len(columns):
        raise ValueError(
            f"found {len(cells)} cells, allowed {len(columns)}: commas separate cells, a decimal "
            "comma splits a number"
        )
    texts = dict(zip(columns, cells, strict=True))
    return RecordedRow(
        line=line,
        at=_instant(texts[TIME], zone=zone, newest=newest),
        air_c=_temperature("air_c", texts.get("air_c")),
        reservoir_c=_temperature("reservoir_c", texts.get("reservoir_c")),
        room_c=_temperature("room_c", texts.get("room_c")),
        coil_outlet_c=_temperature("coil_outlet_c", texts.get("coil_outlet_c")),
        pump=_switch("pump", texts.get("pump")),
        fan=_switch("fan", texts.get("fan")),
        swap_packs=_packs(texts.get(SWAP_PACKS)),
    )


def _instant(text: str, *, zone: tzinfo | None, newest: datetime | None) -> datetime:
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        at = None
    if at is not None and at.tzinfo is None and zone is not None:
        at = _local(at, zone, newest)
    if at is None or at.tzinfo is None:
        raise ValueError(
            f"{TIME}: found {text[:40]!r}, allowed ISO 8601 with offset such as "
            f"2026-07-01T14:00:00+02:00{NO_OFFSET if at else ''}"
        )
    try:
        return at.astimezone(UTC)
    except OverflowError:
        raise ValueError(f"{TIME}: found {text[:40]!r}, outside the calendar") from None


def _local(at: datetime, zone: tzinfo, newest: datetime | None) -> datetime:
    """Return a local time with its zone; an hour that comes twice is told apart by the order."""
    first = at.replace(tzinfo=zone)
    again = first.replace(fold=1)
    if newest is not None and first <= newest < again.astimezone(UTC):
        return again
    return first


def _require_later(at: datetime, newest: datetime | None) -> None:
    if newest is not None and at <= newest:
        raise ValueError(
            f"{TIME}: found {at.isoformat()}, {NOT_LATER} {newest.isoformat()} before it"
        )


def _temperature(column: str, text: str | None) -> float | None:
    if not text:
        return None
    if _NUMBER.fullmatch(text) and LOWEST_C <= float(text) <= HIGHEST_C:
        return float(text)
    raise ValueError(
        f"{column}: found {text[:40]!r}, allowed a number from {LOWEST_C:g} to {HIGHEST_C:g} with "
        "a decimal point, or nothing"
    )


def _switch(column: str, text: str | None) -> bool | None:
    if not text:
        return None
    if text not in ("0", "1"):
        raise ValueError(f"{column}: found {text[:40]!r}, allowed 0, 1 or nothing")
    return text == "1"


def _packs(text: str | None) -> int | None:
    if not text:
        return None
    if not _COUNT.fullmatch(text) or int(text) > MOST_PACKS:
        raise ValueError(
            f"{SWAP_PACKS}: found {text[:40]!r}, allowed a whole number up to {MOST_PACKS}, "
            "or nothing"
        )
    return int(text)


class RecordedSource:
    """A `SampleSource` that gives the rows of a recorded file when their own time has come.

    The file is read as it is played, so a year of rows costs no memory.
    """

    def __init__(self, path: Path, start_at: float, *, places: Sequence[str] | None = None) -> None:
        """Read the header and the first usable row.

        Args:
            path: CSV file, plain or gzip.
            start_at: Monotonic instant at which the first row is read [s].
            places: Probe names to give, each of which needs its column; None for all there are.

        Raises:
            ProbeError: The file cannot be read or used, or holds no usable row.
        """
        columns = read_columns(path)
        there = tuple(place for place in PROBE_NAMES if f"{place}_c" in columns)
        missing = set(places or ()) - set(there) if there else {"air"}
        if missing:
            raise ProbeError(
                f"{path}: found columns {', '.join(columns)}, missing "
                f"{', '.join(sorted(f'{place}_c' for place in missing))}"
            )
        self.problems: list[str] = []
        """The first problems found so far, at most `PROBLEMS_KEPT`."""
        self.left_out = 0
        """Problems found so far."""
        self._places = there if places is None else tuple(places)
        self._start_at = start_at
        self._rows = read_rows(path, on_problem=self._note)
        self._next = next(self._rows, None)
        if self._next is None:
            problems = "; ".join(self.problems[:3]) or "no row follows the header"
            raise ProbeError(f"{path}: no usable row: {problems}")
        self._first = self._next.at

    def collect(self, now: float) -> list[tuple[str, Sample]]:
        """Return the samples of all rows whose time has come since the last call."""
        collected = []
        while self._next is not None:
            row = self._next
            at = self._start_at + (row.at - self._first).total_seconds()
            if not at <= now:
                break
            for place in self._places:
                temp_c = row.temp_c(place)
                if temp_c is not None:
                    raw = f"line {row.line}: {temp_c}"
                    collected.append((place, Sample(at, millidegrees(temp_c), None, raw)))
            self._next = next(self._rows, None)
        return collected

    def close(self) -> None:
        """Stop the playback. May be called twice."""
        self._next = None
        self._rows.close()

    def _note(self, problem: str) -> None:
        self.left_out += 1
        if len(self.problems) < PROBLEMS_KEPT:
            self.problems.append(problem)
