"""Events in the order in which they were written, from where somebody else has got to.

The records keep every event anyway, so what has not been passed on yet needs no queue beside them:
a place in them is enough, kept in a small file of its own. An event's id is made of its run and its
row and never changes, so whoever gets one twice can tell.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from controller.domain.json_text import json_text, read_json
from controller.records.durable import replace_file
from controller.records.fetching import fetched
from controller.records.schema import AHEAD_MS
from controller.records.sqlite_errors import damaged_rows

_FILE_OF = "SELECT boot_id, started_ms FROM runs ORDER BY id LIMIT 1"
_NEWEST = "SELECT COALESCE(MAX(id), 0) FROM events"
_AFTER = f"""
    SELECT e.id, e.at_ms, e.kind, e.name, e.detail, r.boot_id, r.started_ms,
           {AHEAD_MS}
    FROM events e JOIN runs r ON r.id = e.run WHERE e.id > ? ORDER BY e.id LIMIT ?
"""  # noqa: S608 - a constant of the schema


@dataclass(frozen=True, slots=True, kw_only=True)
class FedEvent:
    """An event and where it stands."""

    row: int
    id: str
    """Never that of another event, not even of a restored or a new database."""
    at: datetime | None
    """Aware, UTC; None where the clock was never known."""
    kind: str
    name: str
    detail: str


class EventFeed:
    """One reader's place among the events of one database."""

    def __init__(self, records: Path, kept: Path) -> None:
        """Take up the place that was kept.

        Args:
            records: The database.
            kept: The file for the place.
        """
        self._records = records
        self._kept = kept
        self._file, self._row = _read(kept)

    def next(self, *, after: int | None = None, most: int = 100) -> list[FedEvent]:
        """Return events not passed on yet.

        The first time, what happened before is left alone; a database that is not the one of last
        time is read from its beginning.

        Args:
            after: Row to begin after, where some are under way already; None: the place kept.
            most: How many at most.

        Raises:
            OSError: The records cannot be read.
        """
        if not self._records.is_file():
            return []  # nothing has happened yet
        try:
            self._settle()
        except OSError as error:
            if "no such table" in str(error):  # the file is being made just now
                return []
            raise
        start = self._row if after is None else max(after, self._row)
        with damaged_rows(self._records):
            return [_event(row) for row in fetched(self._records, _AFTER, (start, most))]

    @property
    def row(self) -> int:
        """The last row that was passed on."""
        return self._row

    def passed_on(self, row: int) -> None:
        """Keep that everything up to a row has arrived.

        Raises:
            OSError: It cannot be kept; those events will come again.
        """
        if row > self._row:
            self._row = row
            self._keep()

    def _settle(self) -> None:
        """Find out whether this is the database that the place belongs to."""
        rows = fetched(self._records, _FILE_OF, ())
        file = "" if not rows else f"{rows[0][0]}-{rows[0][1]}"
        if file == self._file or not file:
            return
        if self._file:
            self._row = 0
        else:
            self._row = int(fetched(self._records, _NEWEST, ())[0][0])
        self._file = file
        self._keep()

    def _keep(self) -> None:
        replace_file(self._kept, json_text({"file": self._file, "row": self._row}))


def _read(path: Path) -> tuple[str, int]:
    try:
        kept = read_json(path.read_text(encoding="utf-8"))
        return str(kept["file"]), int(kept["row"])
    except (OSError, ValueError, KeyError, TypeError, OverflowError):
        return "", 0


def _event(row: tuple[object, ...]) -> FedEvent:
    number, at_ms, kind, name, detail, boot, started_ms, ahead_ms = row
    at = None
    if isinstance(ahead_ms, int) and isinstance(at_ms, int):
        at = datetime.fromtimestamp((at_ms + ahead_ms) / 1000, UTC)
    return FedEvent(
        row=int(str(number)),
        id=f"{str(boot)[:8]}-{started_ms}-{number}",
        at=at,
        kind=str(kind),
        name=str(name),
        detail=str(detail),
    )
