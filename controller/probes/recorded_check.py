"""Whether a CSV file as a whole is a history, said in words about that file."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import tzinfo
from pathlib import Path

from controller.probes.recorded import NO_OFFSET, NOT_LATER, read_rows

MOSTLY = 0.5
"""A file of which more rows than this are bad is refused as a whole [share]."""
HOTTEST_AIR_C, HOTTEST_WATER_C = 45.0, 35.0
"""Air and reservoir of a fruiting chamber lie below this; common practice, no source [°C]."""
FEW_ROWS = 3


@dataclass(slots=True)
class _Counts:
    good: int = 0
    bad: int = 0
    no_offset: int = 0
    not_later: int = 0
    too_hot: dict[str, int] = field(default_factory=lambda: {"air_c": 0, "reservoir_c": 0})
    examples: list[str] = field(default_factory=list)

    def note(self, problem: str) -> None:
        """Count a bad row by what is wrong with it."""
        self.bad += 1
        self.no_offset += NO_OFFSET in problem
        self.not_later += NOT_LATER in problem
        if len(self.examples) < FEW_ROWS:
            self.examples.append(problem)


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
        counts.good += 1
        on_row()
        counts.too_hot["air_c"] += row.air_c is not None and row.air_c > HOTTEST_AIR_C
        counts.too_hot["reservoir_c"] += (
            row.reservoir_c is not None and row.reservoir_c > HOTTEST_WATER_C
        )
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
        problems.append(
            f"{counts.bad} of {total} rows cannot be used; the first: {'; '.join(counts.examples)}"
        )
    problems += [
        f"{hot} of {counts.good} values of {column} are above {limit_c:g} °C: that column looks "
        "like °F; convert each value, (°F - 32) / 1.8"
        for column, limit_c in (("air_c", HOTTEST_AIR_C), ("reservoir_c", HOTTEST_WATER_C))
        if (hot := counts.too_hot[column]) > MOSTLY * counts.good
    ]
    return tuple(problems)
