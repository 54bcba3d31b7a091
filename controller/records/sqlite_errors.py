"""What SQLite raises through Python, a damaged file included."""

from __future__ import annotations

import sqlite3

SQLITE_ERRORS = (sqlite3.Error, UnicodeDecodeError, MemoryError)
"""SQLite quotes a damaged file in its message, and not all bytes of that are text; and a damaged
length may ask for more memory than there is."""


def sqlite_words(error: BaseException) -> str:
    """Return what is wrong with a database, in the words of SQLite where it has any."""
    match error:
        case UnicodeDecodeError():
            return "the file is damaged"
        case MemoryError():
            return "it asks for more memory than there is; where that stays so, it is damaged"
        case _:
            return str(error)
