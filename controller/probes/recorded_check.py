"""Whether a CSV file as a whole is a history, said in words about that file."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import tzinfo
from pathlib import Path

from controller.probes.recorded import LEFT_OUT, NO_OFFSET, NOT_LATER, RecordedRow, read_rows

MOSTLY = 0.5
"""A file of which more rows than this are bad is refused as a whole [share]."""
HOTTEST_C = {"air_c": 45.0, "reservoir_c": 35.0, "room_c": 45.0}
"""Air, reservoir and room of a fruiting chamber lie below this; common practice, no source [°C]."""
FEW_ROWS = 3


@dataclass(slots=True)
class _Counts:
    good: int = 0
    bad: int = 0
    no_offset: int = 0
    not_later: int = 0
    too_hot: dict[str, int] = field(default_factory=lambda: dict.fromkeys(HOTTEST_C, 0))
    measured: dict[str, int] = field(default_factory=lambda: dict.fromkeys(HOTTEST_C, 0))
    examples: list[str] = field(default_factory=list)

    def note(self, problem: str) -> None:
        """Count a bad row by what is wrong with it."""
        self.bad += 1
        self.no_offset += NO_OFFSET in problem
        self.not_later += NOT_LATER in problem
        if len(self.examples) < FEW_ROWS:
            self.examples.append(problem.removesuffix(f"; {LEFT_OUT}"))

    def measure(self, row: RecordedRow) -> None:
        """Count the readings of a good row, and those that no chamber has."""
        self.good += 1
        for column, hottest_c in HOTTEST_C.items():
            value_c = row.temp_c(column.removesuffix("_c"))
            self.measured[column] += value_c is not None
            self.too_hot[column] += value_c is not None and value_c > hottest_c


def file_problems(
    path: Path, *, zone: tzinfo | None, on_row: Callable[[], object] = lambda: None
) -> tuple[str, ...]:
    """Return what makes a file unusable as a whole, one line each; nothing where it can be used.

    Args:
        path: CSV file, plain or gzip.
        zone: Zone of times without an offset; None: such rows are bad.
        on_row: Called for each good row.

    Raises:
        ProbeError: The file cannot be read or its header cannot be used.
    """
    counts = _Counts()
    for row in read_rows(path, on_problem=counts.note, zone=zone):
        counts.measure(row)
        on_row()
    total = counts.good + counts.bad
    if not total:
        return ("found a header and no rows",)
    problems = []
    if counts.no_offset > MOSTLY * total:
        problems.append(
            f"{counts.no_offset} of {total} times have no offset from UTC, as in "
            "2026-07-01T14:00:00+02:00; add it, or use --local-times if they are in the zone of "
            "[site] time_zone"
        )
    elif counts.not_later > MOSTLY * total:
        problems.append(
            f"{counts.not_later} of {total} rows are not later than the row before: sort the rows "
            "by time, the oldest first"
        )
    elif counts.bad > MOSTLY * total:
        problems += [f"{counts.bad} of {total} rows cannot be used, such as", *counts.examples]
    problems += [
        f"{hot} of {counts.measured[column]} values of {column} are above {HOTTEST_C[column]:g} °C:"
        " that column looks like °F; convert each value, (°F - 32) / 1.8"
        for column, hot in counts.too_hot.items()
        if hot > MOSTLY * counts.measured[column]
    ]
    return tuple(problems)
