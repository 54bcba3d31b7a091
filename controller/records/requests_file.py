"""The requests file: what people ask of the control process, and its answers.

A small SQLite file in rollback-journal mode, forced to the medium at every commit, so that a
request survives a power cut. Commands write rows; the control process alone answers them. A row
without an answer is read again after a restart, so whatever it asks for must bear being done twice:
a stage, an acknowledgement or a reset does, a swap is a note of something that happened, and a
pause is counted from the moment at which it was asked for.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from controller.domain.codec import UnreadableError
from controller.domain.requests import (
    REFUSED_BEGINS,
    Answer,
    LoggedSwap,
    LogSwap,
    Payload,
    ReportSwapDue,
    Request,
    RequestKind,
    UnreadableRequest,
    Withdraw,
    kind_of,
    payload_text,
    read_payload,
)
from controller.records import requests_place
from controller.records.boot import boot_id, boottime
from controller.records.requests_place import BUSY_S, in_use
from controller.records.sqlite_errors import SQLITE_ERRORS, sqlite_words

REQUESTS = requests_place.REQUESTS
VERSION = 1
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


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedAt:
    """When a request is made, on both clocks."""

    utc_ms: int
    """Wall clock [ms since 1970, UTC]."""
    boot_id: str
    """This boot; empty: not known."""
    boot_ms: int
    """Boot-time clock [ms]."""

    @classmethod
    def now(cls) -> AskedAt:
        """Return this instant."""
        return cls(
            utc_ms=time.time_ns() // 1_000_000,
            boot_id=boot_id() or "",
            boot_ms=round(boottime() * 1000),
        )


def ask(
    path: Path,
    payload: Payload,
    *,
    who: str,
    instead_of: int | None = None,
    at: AskedAt | None = None,
) -> int:
    """Write a request and return its number.

    Args:
        path: The requests file; created if need be.
        payload: What is asked for.
        who: Who asks.
        instead_of: Number of a logged swap that this one takes the place of: that one is taken back
            in the same transaction. None: of none.
        at: When; None: now.

    Raises:
        OSError: The file cannot be written.
    """
    at = AskedAt.now() if at is None else at
    payloads = (payload,) if instead_of is None else (Withdraw(request=instead_of), payload)
    with _opened(path) as file:
        numbers = [_inserted(file, each, who, at) for each in payloads]
    return numbers[-1]


def report_swap_due(path: Path, *, due: bool, for_s: float) -> None:
    """Report to the control process whether packs are due, instead of what was reported before.

    Args:
        path: The requests file; created if need be.
        due: Whether they are.
        for_s: How long this holds [s]; after that nothing is known.

    Raises:
        OSError: The file cannot be written.
    """
    at = AskedAt.now()
    payload = ReportSwapDue(due=due, until_boot_ms=at.boot_ms + round(for_s * 1000))
    with _opened(path) as file:
        # the old row goes last: were its number given to the new one, an answer on its way to
        # the old would be written beside the new, which nobody would then read
        number = _inserted(file, payload, "lookout", at)
        file.execute(
            "DELETE FROM requests WHERE kind = ? AND id < ?", (RequestKind.FORECAST.value, number)
        )


def log_past_swap(path: Path, *, at: datetime, packs: int, who: str) -> None:
    """Log a swap of the past, as if it had been logged when it happened; nobody has to answer.

    Args:
        path: The requests file; created if need be.
        at: When the packs went in, aware.
        packs: How many.
        who: Who logs it.

    Raises:
        OSError: The file cannot be written.
    """
    utc_ms = round(at.timestamp() * 1000)
    with _opened(path) as file:
        asked_at = AskedAt(utc_ms=utc_ms, boot_id="", boot_ms=0)
        number = _inserted(file, LogSwap(packs=packs, at=at), who, asked_at)
        file.execute(_ANSWER, ("imported", utc_ms, number))


def forget_past_swaps(path: Path, *, who: str) -> int:
    """Take back the swaps of the past that somebody logged; return how many.

    Args:
        path: The requests file; it need not be there.
        who: Who logged them.

    Raises:
        OSError: The file cannot be written.
    """
    if not in_use(path).exists():
        return 0
    with _opened(path) as file:
        cursor = file.execute(
            "DELETE FROM requests WHERE kind = ? AND who = ? AND answer = 'imported'",
            (RequestKind.SWAP.value, who),
        )
        return cursor.rowcount


def _inserted(file: sqlite3.Connection, payload: Payload, who: str, at: AskedAt) -> int:
    """Put a row in and return its number."""
    cursor = file.execute(
        "INSERT INTO requests (kind, payload, who, asked_utc_ms, boot_id, asked_boot_ms)"
        " VALUES (?, ?, ?, ?, ?, ?)",
        (kind_of(payload).value, payload_text(payload), who, at.utc_ms, at.boot_id, at.boot_ms),
    )
    assert cursor.lastrowid is not None
    return cursor.lastrowid


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
            (RequestKind.PAUSE.value, most),
        ).fetchall()
        rows += file.execute(
            f"{_SELECT} WHERE answer IS NULL AND kind <> ? ORDER BY id LIMIT ?",
            (RequestKind.PAUSE.value, most),
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
        file.executemany(_ANSWER, [(text, utc_ms, number) for number, text in answers])


def newest(path: Path, kind: RequestKind) -> Request | None:
    """Return the newest request of a kind, answered or not.

    Raises:
        OSError: The file cannot be read.
    """
    return next(iter(_read(path, "WHERE kind = ? ORDER BY id DESC LIMIT 1", kind.value)), None)


def swaps(path: Path) -> list[LoggedSwap]:
    """Return the swaps that people logged and that count, in the order of logging.

    One that was taken back or refused does not.

    Raises:
        OSError: The file cannot be read.
    """
    requests = _read(
        path, "WHERE kind IN (?, ?) ORDER BY id", RequestKind.SWAP.value, RequestKind.WITHDRAW.value
    )
    withdrawn = {
        request.payload.request for request in requests if isinstance(request.payload, Withdraw)
    }
    return [
        LoggedSwap(
            at=request.payload.at.astimezone(UTC),
            packs=request.payload.packs,
            logged_at=datetime.fromtimestamp(request.asked_utc_ms / 1000, UTC),
            frozen_through=request.payload.frozen_through.certain,
            who=request.who,
            request=request.id,
            note=request.payload.note,
        )
        for request in requests
        if isinstance(request.payload, LogSwap)
        and request.id not in withdrawn
        and not (request.answer and request.answer.text.startswith(REFUSED_BEGINS))
    ]


def last_swap(path: Path) -> LoggedSwap | None:
    """Return the swap whose packs went in last, None where none was logged.

    Raises:
        OSError: The file cannot be read.
    """
    return max(swaps(path), key=lambda swap: (swap.at, swap.packs), default=None)


def asked_since(path: Path, since: datetime) -> list[Request]:
    """Return what people asked for since an instant, oldest first.

    Args:
        path: The requests file.
        since: Aware.

    Raises:
        OSError: The file cannot be read.
    """
    return _read(
        path,
        "WHERE asked_utc_ms >= ? AND kind <> ? AND boot_id <> '' ORDER BY id",
        round(since.timestamp() * 1000),
        RequestKind.FORECAST.value,
    )


def request_of(path: Path, number: int) -> Request | None:
    """Return a request by its number, None where there is none that can be understood.

    Raises:
        OSError: The file cannot be read.
    """
    return next(iter(_read(path, "WHERE id = ?", number)), None)


_SELECT = (
    "SELECT id, kind, payload, who, asked_utc_ms, boot_id, asked_boot_ms, answer, answered_utc_ms"
    " FROM requests"
)
_ANSWER = "UPDATE requests SET answer = ?, answered_utc_ms = ? WHERE id = ? AND answer IS NULL"
"""The first answer stands."""
_INSERT_UNKNOWN = (
    "INSERT INTO requests"
    " (kind, payload, who, asked_utc_ms, boot_id, asked_boot_ms, answer, answered_utc_ms)"
    " SELECT ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8 WHERE NOT EXISTS (SELECT 1 FROM requests"
    " WHERE kind = ?1 AND payload = ?2 AND asked_utc_ms = ?4)"
)


def _read(path: Path, which: str, *values: int | str) -> list[Request]:
    """Return the requests that can be understood; none where there is no file yet.

    Args:
        path: The requests file.
        which: The rest of the statement after `_SELECT`.
        values: For its question marks.

    Raises:
        OSError: The file cannot be read.
    """
    if not in_use(path).exists():
        return []
    with _opened(path) as file:
        rows = file.execute(f"{_SELECT} {which}", values).fetchall()
    requests = (_request_or_why(row) for row in rows)
    return [request for request in requests if isinstance(request, Request)]


def _request_or_why(row: tuple[Any, ...]) -> Request | UnreadableRequest:
    number, kind, text, who, asked_utc_ms, boot_id, asked_boot_ms, answer, answered_utc_ms = row
    try:
        known = RequestKind(kind)
    except ValueError:
        return UnreadableRequest(number, f"this release knows no request {str(kind)[:40]!r}")
    try:
        payload = read_payload(known, text)
    except UnreadableError as error:
        return UnreadableRequest(number, f"its particulars are damaged ({error})")
    return Request(
        id=number,
        payload=payload,
        who=who,
        asked_utc_ms=asked_utc_ms,
        boot_id=boot_id,
        asked_boot_ms=asked_boot_ms,
        answer=None if answer is None else Answer(text=answer, at_utc_ms=answered_utc_ms or 0),
    )


def settle(place: Path) -> None:
    """Make the folder of the requests file, and move a file of an earlier release into it.

    For the start of the service, which holds the instance's lock. Requests that an earlier
    release was given after the move, because somebody went back to it, are taken over.

    Args:
        place: The state directory.

    Raises:
        OSError: Something cannot be read or written; what there was is still in use.
    """
    path, former = place / REQUESTS, place / requests_place.FORMER_REQUESTS
    requests_place.make_folder(path)
    if not former.exists():
        return
    try:
        with closing(sqlite3.connect(former, timeout=BUSY_S, isolation_level=None)) as file:
            _require_known(file, former)
            if path.exists():
                _merge(file, path)
                former.unlink()
                return
            file.execute("BEGIN EXCLUSIVE")  # nobody is in the middle of something
            former.rename(path)
            file.execute("ROLLBACK")
    except SQLITE_ERRORS as error:
        raise OSError(f"{former}: {sqlite_words(error)}") from error
    requests_place.set_mode(path)


def _merge(former: sqlite3.Connection, path: Path) -> None:
    rows = former.execute(f"{_SELECT} ORDER BY id").fetchall()
    with _opened(path) as file:
        file.executemany(_INSERT_UNKNOWN, [row[1:] for row in rows])


@contextmanager
def _opened(path: Path) -> Iterator[sqlite3.Connection]:
    """Open the file for one transaction, creating what is in it at the first time.

    Raises:
        OSError: Whatever SQLite says, in one kind of error.
    """
    path = in_use(path)
    try:
        if not path.exists():
            requests_place.make_file(path)
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
    except SQLITE_ERRORS as error:
        raise OSError(f"{path}: {sqlite_words(error)}") from error


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
