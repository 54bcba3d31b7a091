"""Databases opened for reading, by whoever may read them."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from controller.records.sqlite_errors import SQLITE_ERRORS


def connect_to_read(path: Path) -> sqlite3.Connection:
    """Open for reading, also where the writer has gone and its side files cannot be made anew.

    Raises:
        sqlite3.Error: It cannot be opened, or is no database.
        UnicodeDecodeError: The same, and the reason is no text.
        MemoryError: The same, or there is no memory.
    """
    address = path.resolve().as_uri()
    file = sqlite3.connect(f"{address}?mode=ro", uri=True)
    try:
        file.execute("PRAGMA query_only = ON")
        file.execute("SELECT 1 FROM sqlite_schema LIMIT 1").fetchone()
    except SQLITE_ERRORS as error:
        file.close()
        waits = path.with_name(f"{path.name}-wal").exists()
        if waits or not isinstance(error, sqlite3.OperationalError):
            raise
        # nobody writes: nothing can change while it is read
        return sqlite3.connect(f"{address}?immutable=1", uri=True)
    return file
