"""The requests file: what people ask of the control process, and its answers.

A small SQLite file in rollback-journal mode, forced to the medium at every commit, so that a
request survives a power cut. Commands write rows; the control process alone answers them. A row
without an answer is read again after a restart, so whatever it asks for must bear being done twice:
a stage, an acknowledgement or a reset does, a swap is a note of something that happened, and a
pause is counted from the moment at which it was asked for.
"""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import Enum
from pathlib import Path
from typing import Any

from controller.records.boot import boot_id, boottime

REQUESTS = "requests.sqlite"
VERSION = 1
BUSY_S = 5.0
_SCHEMA = """
CREATE TABLE requests (
    id INTEGER PRIMARY KEY,
    kind TEXT NOT NULL,
    payload TEXT NOT NULL,
    who TEXT NOT NULL,
    asked_utc_ms INTEGER NOT NULL,
    boot_id TEXT NOT NULL,
    asked_boot_ms INTEGER NOT NULL,
    answer TEXT,
    answered_utc_ms INTEGER
) STRICT;
CREATE INDEX requests_unanswered ON requests (id) WHERE answer IS NULL;
"""


class Kind(Enum):
    """What can be asked for."""

    SWAP = "swap"
    STAGE = "stage"
    PAUSE = "pause"
    RESUME = "resume"
    ACKNOWLEDGE = "ack"
    RESET = "reset"
    FORECAST = "forecast"
    """The lookout's word on whether packs are due; there is only ever the newest one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """One row."""

    id: int
    kind: Kind
    payload: dict[str, Any]
    who: str
    asked_utc_ms: int
    boot_id: str
    """Boot in which it was asked."""
    asked_boot_ms: int
    """When it was asked, on the boot-time clock of that boot."""
    answer: str | None


@dataclass(frozen=True, slots=True)
class UnreadableRequest:
    """A row that waits for an answer and cannot be understood."""

    id: int
    why: str


def ask(
    path: Path,
    kind: Kind,
    payload: dict[str, Any],
    *,
    who: str,
    utc_ms: int,
    boot_id: str,
    boot_ms: int,
) -> int:
    """Write a request and return its number.

    Args:
        path: The requests file; created if need be.
        kind: What is asked for.
        payload: Its particulars.
        who: Who asks.
        utc_ms: Wall clock [ms since 1970, UTC].
        boot_id: This boot.
        boot_ms: Boot-time clock [ms].

    Raises:
        OSError: The file cannot be written.
    """
    with _opened(path) as file:
        cursor = file.execute(
            "INSERT INTO requests (kind, payload, who, asked_utc_ms, boot_id, asked_boot_ms)"
            " VALUES (?, ?, ?, ?, ?, ?)",
            (kind.value, json.dumps(payload), who, utc_ms, boot_id, boot_ms),
        )
        number = cursor.lastrowid
    assert number is not None
    return number


def ask_now(path: Path, kind: Kind, payload: dict[str, Any], *, who: str) -> int:
    """Write a request with the clocks as they are now, and return its number.

    Raises:
        OSError: The file cannot be written.
    """
    return ask(
        path,
        kind,
        payload,
        who=who,
        utc_ms=time.time_ns() // 1_000_000,
        boot_id=boot_id() or "",
        boot_ms=round(boottime() * 1000),
    )


def tell_swap_due(path: Path, *, due: bool, for_s: float) -> None:
    """Tell the control process whether packs are due, in the place of what was told before.

    Args:
        path: The requests file; created if need be.
        due: Whether they are.
        for_s: How long this holds [s]; after that nothing is known.

    Raises:
        OSError: The file cannot be written.
    """
    boot_ms = round(boottime() * 1000)
    payload = json.dumps({"due": due, "until_boot_ms": boot_ms + round(for_s * 1000)})
    with _opened(path) as file:
        # the old row goes last: were its number given to the new one, an answer on its way to
        # the old would be written beside the new, which nobody would then read
        cursor = file.execute(
            "INSERT INTO requests (kind, payload, who, asked_utc_ms, boot_id, asked_boot_ms)"
            " VALUES (?, ?, 'lookout', ?, ?, ?)",
            (
                Kind.FORECAST.value,
                payload,
                time.time_ns() // 1_000_000,
                boot_id() or "",
                boot_ms,
            ),
        )
        file.execute(
            "DELETE FROM requests WHERE kind = ? AND id < ?",
            (Kind.FORECAST.value, cursor.lastrowid),
        )


def swap_payload(
    packs: int, at: datetime, *, note: str = "", frozen_through: str = "unknown"
) -> dict[str, Any]:
    """Return the particulars of a swap.

    Args:
        packs: How many went in.
        at: When, aware.
        note: Anything worth remembering.
        frozen_through: ``yes``, ``no`` or ``unknown``.
    """
    return {
        "packs": packs,
        "at": at.isoformat(timespec="seconds"),
        "note": note,
        "frozen_through": frozen_through,
    }


def note_past_swap(path: Path, *, at: datetime, packs: int, who: str) -> None:
    """Note a swap of the past, as if it had been noted when it happened; nobody has to answer.

    Args:
        path: The requests file; created if need be.
        at: When the packs went in, aware.
        packs: How many.
        who: Who notes it.

    Raises:
        OSError: The file cannot be written.
    """
    utc_ms = round(at.timestamp() * 1000)
    payload = json.dumps({"packs": packs, "at": at.isoformat()})
    with _opened(path) as file:
        file.execute(
            "INSERT INTO requests (kind, payload, who, asked_utc_ms, boot_id, asked_boot_ms,"
            " answer, answered_utc_ms) VALUES (?, ?, ?, ?, '', 0, 'imported', ?)",
            (Kind.SWAP.value, payload, who, utc_ms, utc_ms),
        )


def unanswered(path: Path, *, most: int) -> list[Request | UnreadableRequest]:
    """Return requests that wait, oldest first; every pause is among them, however many wait.

    Args:
        path: The requests file.
        most: How many are returned at most besides the pauses.

    Raises:
        OSError: The file cannot be read.
    """
    with _opened(path) as file:
        rows = file.execute(
            f"{_SELECT} WHERE answer IS NULL AND kind = ? ORDER BY id LIMIT ?",
            (Kind.PAUSE.value, most),
        ).fetchall()
        rows += file.execute(
            f"{_SELECT} WHERE answer IS NULL AND kind <> ? ORDER BY id LIMIT ?",
            (Kind.PAUSE.value, most),
        ).fetchall()
    return [_request_or_why(row) for row in sorted(rows, key=lambda row: row[0])]


def answer_all(path: Path, answers: Iterable[tuple[int, str]], *, utc_ms: int) -> None:
    """Write the answers beside their requests; the first answer to each stands.

    Args:
        path: The requests file.
        answers: Number of the request and the text.
        utc_ms: Wall clock [ms since 1970, UTC].

    Raises:
        OSError: The file cannot be written.
    """
    with _opened(path) as file:
        file.executemany(
            "UPDATE requests SET answer = ?, answered_utc_ms = ? WHERE id = ? AND answer IS NULL",
            [(text, utc_ms, number) for number, text in answers],
        )


def newest(path: Path, kind: Kind) -> Request | None:
    """Return the newest request of a kind, answered or not.

    Raises:
        OSError: The file cannot be read.
    """
    if not path.exists():
        return None
    with _opened(path) as file:
        row = file.execute(
            f"{_SELECT} WHERE kind = ? ORDER BY id DESC LIMIT 1", (kind.value,)
        ).fetchone()
    return next(_request(row), None) if row else None


@dataclass(frozen=True, slots=True, kw_only=True)
class NotedSwap:
    """A swap as somebody noted it."""

    at: datetime
    """When the packs went in, aware."""
    packs: int
    noted: datetime
    """When it was noted, aware."""
    through: bool | None
    """Whether the packs were frozen through, where the person said so."""


def swaps(path: Path) -> list[NotedSwap]:
    """Return the swaps that people noted, in the order of noting.

    Raises:
        OSError: The file cannot be read.
    """
    if not path.exists():
        return []
    with _opened(path) as file:
        rows = file.execute(f"{_SELECT} WHERE kind = 'swap' ORDER BY id").fetchall()
    found = []
    for row in rows:
        for request in _request(row):
            told = request.payload
            with suppress(ValueError, TypeError, OverflowError):
                found.append(
                    NotedSwap(
                        at=datetime.fromisoformat(str(told.get("at"))).astimezone(UTC),
                        packs=int(told.get("packs", 0)),
                        noted=datetime.fromtimestamp(request.asked_utc_ms / 1000, UTC),
                        through={"yes": True, "no": False}.get(str(told.get("frozen_through"))),
                    )
                )
    return found


def asked_since(path: Path, since: datetime) -> list[Request]:
    """Return what people asked for since an instant, oldest first.

    Args:
        path: The requests file.
        since: Aware.

    Raises:
        OSError: The file cannot be read.
    """
    if not path.exists():
        return []
    with _opened(path) as file:
        rows = file.execute(
            f"{_SELECT} WHERE asked_utc_ms >= ? AND kind <> ? AND boot_id <> '' ORDER BY id",
            (round(since.timestamp() * 1000), Kind.FORECAST.value),
        ).fetchall()
    return [request for row in rows for request in _request(row)]


def answer_to(path: Path, number: int) -> str | None:
    """Return the answer to a request, None while there is none.

    Raises:
        OSError: The file cannot be read.
    """
    with _opened(path) as file:
        row = file.execute("SELECT answer FROM requests WHERE id = ?", (number,)).fetchone()
    return None if row is None else row[0]


_SELECT = (
    "SELECT id, kind, payload, who, asked_utc_ms, boot_id, asked_boot_ms, answer FROM requests"
)


def _request(row: tuple[Any, ...]) -> Iterator[Request]:
    """Yield the request of a row; one that cannot be understood yields nothing."""
    request = _request_or_why(row)
    if isinstance(request, Request):
        yield request


def _request_or_why(row: tuple[Any, ...]) -> Request | UnreadableRequest:
    number, kind, payload, who, asked_utc_ms, boot_id, asked_boot_ms, text = row
    try:
        known = Kind(kind)
    except ValueError:
        return UnreadableRequest(number, f"this release knows no request {str(kind)[:40]!r}")
    try:
        particulars = json.loads(payload)
    except (ValueError, RecursionError) as error:
        return UnreadableRequest(number, f"its particulars are damaged ({error})")
    if not isinstance(particulars, dict):
        return UnreadableRequest(number, "its particulars are not an object")
    return Request(
        id=number,
        kind=known,
        payload=particulars,
        who=who,
        asked_utc_ms=asked_utc_ms,
        boot_id=boot_id,
        asked_boot_ms=asked_boot_ms,
        answer=text,
    )


@contextmanager
def _opened(path: Path) -> Iterator[sqlite3.Connection]:
    """Open the file for one transaction, creating what is in it at the first time.

    Raises:
        OSError: Whatever SQLite says, in one kind of error.
    """
    try:
        with closing(sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)) as file:
            _require_known(file, path)  # before anything that could change a newer file
            file.execute("PRAGMA journal_mode = DELETE")
            file.execute("PRAGMA synchronous = FULL")
            file.execute("BEGIN IMMEDIATE")
            if _require_known(file, path) == 0:
                for statement in _SCHEMA.split(";"):
                    file.execute(statement)
                file.execute(f"PRAGMA user_version = {VERSION}")
            yield file
            file.execute("COMMIT")
    except sqlite3.Error as error:
        raise OSError(f"{path}: {error}") from error


def _require_known(file: sqlite3.Connection, path: Path) -> int:
    """Return the version of the file, 0 for one that is new.

    Raises:
        OSError: A newer release wrote it; it is left alone.
    """
    (version,) = file.execute("PRAGMA user_version").fetchone()
    if version > VERSION:
        raise OSError(
            f"{path} was written by a newer release (version {version}, this one reads {VERSION}); "
            "it is left alone: install that release again, or move the file away"
        )
    return int(version)
