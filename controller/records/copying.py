"""A sound copy of a database while another process writes to it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from controller.records.connecting import connect_to_read
from controller.records.sqlite_errors import SQLITE_ERRORS, sqlite_words


def copy_database(source: Path, target: Path) -> None:
    """Copy a database by SQLite's own backup, as it was at one instant.

    The writer of a WAL goes on meanwhile; one of a rollback journal waits for the end. In several
    steps the copy would begin anew at each commit between two of them, and end when none came.

    Args:
        source: A database that may be in use.
        target: Where the copy goes; replaced if there is one.

    Raises:
        OSError: It cannot be read, or the copy cannot be written or is not sound.
    """
    target.unlink(missing_ok=True)
    try:
        with (
            closing(connect_to_read(source)) as old,
            closing(sqlite3.connect(target)) as new,
        ):
            old.backup(new)
            check_sound(new)
    except SQLITE_ERRORS as error:
        raise OSError(f"{source}: {sqlite_words(error)}") from error


def check_sound(file: sqlite3.Connection) -> None:
    """Refuse a database that is not whole.

    Raises:
        sqlite3.DatabaseError: It is not.
    """
    (verdict,) = file.execute("PRAGMA integrity_check(1)").fetchone()
    if verdict != "ok":
        raise sqlite3.DatabaseError(f"the copy is not sound: {verdict}")


def sound(path: Path) -> bool:
    """Return whether a file by itself is a whole database; nothing is made or changed beside it."""
    address = f"{path.resolve().as_uri()}?mode=ro&immutable=1"
    try:
        with closing(sqlite3.connect(address, uri=True)) as file:
            check_sound(file)
    except SQLITE_ERRORS:
        return False
    return True
