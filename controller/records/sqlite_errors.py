"""What SQLite raises through Python, a damaged file included."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

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


@contextmanager
def damaged_rows(path: Path) -> Iterator[None]:
    """Say of a database that it is damaged where its rows hold what no release writes.

    The tables refuse other types than their own, and no clock is millions of years off: a bit that
    fell over may bring both, and SQLite sees nothing wrong with it.

    Raises:
        OSError: There was such a row.
    """
    try:
        yield
    except (TypeError, ValueError, OverflowError) as error:
        raise OSError(f"{path}: a row in it cannot be read ({error}): it is damaged") from error
