"""A sound copy of a database while another process writes to it."""

from __future__ import annotations

import sqlite3
import time
from contextlib import closing
from pathlib import Path

from controller.records.connecting import connect_to_read
from controller.records.sqlite_errors import SQLITE_ERRORS, sqlite_words

PAGES_AT_ONCE = 64
PAUSE_S = 0.002
"""Between two steps, so that the writer is never held up for longer than one of them."""


def copy_database(source: Path, target: Path) -> None:
    """Copy a database page by page by SQLite's own backup, in small steps.

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
            old.backup(
                new, pages=PAGES_AT_ONCE, progress=lambda *_: time.sleep(PAUSE_S), sleep=0.05
            )
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
    """Return whether a file is a whole database."""
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?immutable=1", uri=True)) as file:
            check_sound(file)
    except SQLITE_ERRORS:
        return False
    return True
