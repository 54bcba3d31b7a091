"""The runs of a file, and the one order in which all readers take what they recorded.

Everything goes by its instant, UTC. Of one instant, an own run comes before an imported history and
of two such the one that began first; within a run, as it was written. So what an imported row says
counts from that instant on, and so does the last of several changes of stage or band.

Two own runs may lie within each other too: on a machine without a clock, the first one's may have
been ahead and never put right.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol, TypeVar

from controller.records.fetching import Fetch
from controller.records.schema import AHEAD_MS

FOREVER_MS = 2**62
"""Beyond every instant [ms]."""


@dataclass(frozen=True, slots=True)
class RecordedRun:
    """One run of the service, or an imported history."""

    number: int
    ahead_ms: int
    """What leads from its clock to UTC [ms]."""
    switches_known: bool = True
    """Whether pump and fan were recorded."""
    order: int = 0
    """Of one instant, the run with the lower one comes first."""


def recorded_runs(fetch: Fetch) -> list[RecordedRun]:
    """Return the runs whose clock is known, those that began first first.

    Raises:
        OSError: The file is not there or not readable as records.
    """
    began = fetch(_RUNS, ())
    imports = {run: bool(known) for run, known in fetch(_IMPORTS, ())}
    own_first = sorted(began, key=lambda row: row[0] in imports)
    order = {run: place for place, (run, _) in enumerate(own_first)}
    return [
        RecordedRun(run, ahead_ms, imports.get(run, True), order[run]) for run, ahead_ms in began
    ]


class TimeSpan(Protocol):
    """What a run has from one instant to another [ms since 1970]."""

    @property
    def run(self) -> RecordedRun:
        """Whose it is."""

    @property
    def first_ms(self) -> int:
        """Where it begins."""

    @property
    def last_ms(self) -> int:
        """Its last instant."""


SpanT = TypeVar("SpanT", bound=TimeSpan)


def within_each_other(spans: Sequence[SpanT]) -> Iterator[list[SpanT]]:
    """Yield spans in the order of time, those that overlap together.

    A group's are in the order in which the rows of one instant go (`RecordedRun.order`).
    """
    group: list[SpanT] = []
    last_ms = -FOREVER_MS
    for span in sorted(spans, key=lambda span: (span.first_ms, span.last_ms)):
        if group and span.first_ms > last_ms:
            yield sorted(group, key=_order)
            group = []
        group.append(span)
        last_ms = max(last_ms, span.last_ms)
    if group:
        yield sorted(group, key=_order)


def _order(span: TimeSpan) -> int:
    return span.run.order


_RUNS = f"""
    SELECT r.id, {AHEAD_MS} AS ahead_ms
    FROM runs r WHERE ahead_ms IS NOT NULL ORDER BY r.started_ms + ahead_ms, r.id
"""  # noqa: S608 - a constant of the schema
_IMPORTS = "SELECT run, switches_known FROM imports"
