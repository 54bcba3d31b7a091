"""The records database: its tables, its version, and how an older file becomes a newer one.

Instants are milliseconds on the boot-time clock of a run. What they are on the wall follows from
the run's newest pair of both clocks, so rows written before a Pi's clock was set right fall into
place afterwards, and the order of rows never depends on a clock that jumps.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from controller.records.conversion import require_room
from controller.records.sqlite_errors import SQLITE_ERRORS, sqlite_words

PAGE_BYTES = 1024
"""Pages of a new database: a commit of a row or two writes whole pages, and a card wears by them.
`python -m tests.benchmarks.card` prints 11 kB a commit with these, 24 kB with SQLite's own 4096."""

MIGRATIONS: tuple[tuple[str, str], ...] = (
    (
        "the first tables",
        """
        CREATE TABLE runs (
            id INTEGER PRIMARY KEY,
            boot_id TEXT NOT NULL,
            chamber TEXT NOT NULL,
            started_ms INTEGER NOT NULL
        ) STRICT;
        CREATE TABLE clocks (
            run INTEGER NOT NULL REFERENCES runs (id),
            at_ms INTEGER NOT NULL,
            utc_ms INTEGER NOT NULL
        ) STRICT;
        CREATE TABLE readings (
            id INTEGER PRIMARY KEY,
            run INTEGER NOT NULL,
            at_ms INTEGER NOT NULL,
            air_mc INTEGER,
            reservoir_mc INTEGER,
            room_mc INTEGER,
            coil_outlet_mc INTEGER,
            pump INTEGER NOT NULL,
            fan INTEGER NOT NULL
        ) STRICT;
        CREATE TABLE events (
            id INTEGER PRIMARY KEY,
            run INTEGER NOT NULL,
            at_ms INTEGER NOT NULL,
            kind TEXT NOT NULL,
            name TEXT NOT NULL,
            detail TEXT NOT NULL
        ) STRICT;
        """,
    ),
    (
        "readings by their time",
        """
        CREATE INDEX readings_by_time ON readings (run, at_ms);
        CREATE INDEX events_by_time ON events (run, at_ms);
        """,
    ),
    (
        "old readings thinned to five minutes",
        """
        CREATE TABLE thinned (
            run INTEGER NOT NULL,
            at_ms INTEGER NOT NULL,
            air_min_mc INTEGER, air_mc INTEGER, air_max_mc INTEGER,
            reservoir_min_mc INTEGER, reservoir_mc INTEGER, reservoir_max_mc INTEGER,
            room_min_mc INTEGER, room_mc INTEGER, room_max_mc INTEGER,
            coil_outlet_min_mc INTEGER, coil_outlet_mc INTEGER, coil_outlet_max_mc INTEGER,
            pump_share REAL NOT NULL,
            fan_share REAL NOT NULL,
            starts INTEGER NOT NULL,
            pump_at_end INTEGER NOT NULL,
            PRIMARY KEY (run, at_ms)
        ) STRICT, WITHOUT ROWID
        """,
    ),
    (
        "first runs",
        """
        CREATE TABLE first_runs (
            id INTEGER PRIMARY KEY,
            at_utc_ms INTEGER NOT NULL,
            who TEXT NOT NULL,
            signed INTEGER NOT NULL,
            document TEXT NOT NULL
        ) STRICT
        """,
    ),
    (
        "which probe gave the readings of a place",
        """
        CREATE TABLE probes (
            run INTEGER NOT NULL,
            at_ms INTEGER NOT NULL,
            place TEXT NOT NULL,
            probe_id TEXT NOT NULL,
            PRIMARY KEY (run, at_ms, place)
        ) STRICT, WITHOUT ROWID
        """,
    ),
    (
        "imports",
        """
        CREATE TABLE imports (
            run INTEGER PRIMARY KEY,
            name TEXT NOT NULL,
            source TEXT NOT NULL,
            imported_utc_ms INTEGER NOT NULL,
            switches_known INTEGER NOT NULL
        ) STRICT
        """,
    ),
    (
        "hours summed, and events by kind without phases, which come by the thousand",
        """
        CREATE TABLE hours (
            run INTEGER NOT NULL,
            first_ms INTEGER NOT NULL,
            last_ms INTEGER NOT NULL,
            stage TEXT NOT NULL,
            cut_out_mc INTEGER NOT NULL,
            cut_in_mc INTEGER NOT NULL,
            last_air_mc INTEGER,
            last_pump REAL NOT NULL,
            starts INTEGER NOT NULL,
            first_on INTEGER,
            first_change_ms INTEGER,
            broken INTEGER NOT NULL,
            last_on INTEGER,
            since_ms INTEGER,
            shortest_run_ms INTEGER, longest_run_ms INTEGER, shortest_rest_ms INTEGER,
            recorded_ms INTEGER NOT NULL, air_lost_ms INTEGER NOT NULL,
            in_band_ms INTEGER NOT NULL,
            above_mk_ms INTEGER NOT NULL, below_mk_ms INTEGER NOT NULL,
            air_mc_ms INTEGER NOT NULL,
            pump_ms REAL NOT NULL,
            gaps TEXT NOT NULL,
            air_low_mc INTEGER, air_high_mc INTEGER, air_sum INTEGER, air_known_ms INTEGER,
            reservoir_low_mc INTEGER, reservoir_high_mc INTEGER,
            reservoir_sum INTEGER, reservoir_known_ms INTEGER,
            room_low_mc INTEGER, room_high_mc INTEGER, room_sum INTEGER, room_known_ms INTEGER,
            coil_outlet_low_mc INTEGER, coil_outlet_high_mc INTEGER,
            coil_outlet_sum INTEGER, coil_outlet_known_ms INTEGER,
            PRIMARY KEY (run, first_ms)
        ) STRICT, WITHOUT ROWID;
        CREATE TABLE hours_until (
            run INTEGER PRIMARY KEY,
            ahead_ms INTEGER NOT NULL,
            until_ms INTEGER NOT NULL
        ) STRICT;
        CREATE INDEX events_but_phases ON events (run, kind, at_ms) WHERE kind <> 'phase'
        """,
    ),
)
"""Named steps in order; a file's version is the number of steps that it has taken."""


AHEAD_MS = """(SELECT c.utc_ms - c.at_ms FROM clocks c WHERE c.run = r.id
    ORDER BY c.at_ms DESC LIMIT 1)"""
"""Part of a query with ``runs r``: what leads from the clock of a run to UTC [ms], by the run's
newest pair of both clocks; NULL where there is none."""


def opened_for_writing(path: Path, *, timeout_s: float) -> sqlite3.Connection:
    """Open the database, made anew or brought to this release's version, in autocommit mode.

    Args:
        path: The database; created if need be.
        timeout_s: How long to wait for another process that has it locked [s].

    Raises:
        ValueError: The file was written by a later release; nothing in it is changed.
        sqlite3.Error: It cannot be opened or written.
        OSError: The card has no room for the conversion; nothing in the file is changed.
    """
    file = sqlite3.connect(path, isolation_level=None, timeout=timeout_s)
    try:
        version = require_known(file)  # before anything that could change a newer file
        require_room(path, version, len(MIGRATIONS))
        file.execute(f"PRAGMA page_size = {PAGE_BYTES}")  # these two take hold in a new file
        file.execute("PRAGMA auto_vacuum = INCREMENTAL")
        file.execute("PRAGMA journal_mode = WAL")
        file.execute("PRAGMA synchronous = FULL")
        migrate(file)
    except BaseException:
        file.close()
        raise
    return file


@contextmanager
def one_transaction(path: Path) -> Iterator[sqlite3.Connection]:
    """Write into the records of an instance that does not run: all of it or, after an error, none.

    Args:
        path: The database; created if need be.

    Raises:
        OSError: The database cannot be written, or a later release wrote it.
    """
    try:
        with closing(opened_for_writing(path, timeout_s=5.0)) as file, transaction(file):
            yield file
    except (*SQLITE_ERRORS, ValueError) as error:
        raise OSError(f"{path}: {sqlite_words(error)}") from error


@contextmanager
def transaction(file: sqlite3.Connection) -> Iterator[None]:
    """Keep all that is written within or, after an error, none of it.

    Args:
        file: A connection in autocommit mode.
    """
    file.execute("BEGIN IMMEDIATE")
    try:
        yield
        file.execute("COMMIT")
    except BaseException:
        with suppress(sqlite3.Error):  # SQLite ends some by itself; the first error is the reason
            file.execute("ROLLBACK")
        raise


def migrate(file: sqlite3.Connection) -> None:
    """Bring a database to this release's version, each step in a transaction of its own.

    Args:
        file: A connection in autocommit mode.

    Raises:
        ValueError: The file was written by a later release.
    """
    version = require_known(file)
    for number in range(version, len(MIGRATIONS)):
        _, statements = MIGRATIONS[number]
        with transaction(file):
            for statement in statements.split(";"):
                file.execute(statement)
            file.execute(f"PRAGMA user_version = {number + 1}")


def require_known(file: sqlite3.Connection) -> int:
    """Return the version of a database without changing anything.

    Raises:
        ValueError: The file was written by a later release.
    """
    (version,) = file.execute("PRAGMA user_version").fetchone()
    if version > len(MIGRATIONS):
        raise ValueError(
            f"found records of version {version}, this release knows {len(MIGRATIONS)}; "
            "use the release that wrote them, or move the file away"
        )
    return int(version)
