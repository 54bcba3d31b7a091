"""Rows of a database for the readers of this folder, each query on a connection of its own."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Any

from controller.records.connecting import connect_to_read
from controller.records.sqlite_errors import SQLITE_ERRORS, sqlite_words

Fetch = Callable[[str, tuple[int | str, ...]], list[tuple[Any, ...]]]
"""Returns the rows of a query with its values; none where its table is not there."""


def fetch_of(path: Path) -> Fetch:
    """Return what fetches rows of a database; each call raises what `fetched` does."""
    return partial(fetched_if_kept, path)


def fetched(path: Path, query: str, values: tuple[int | str, ...]) -> list[tuple[Any, ...]]:
    """Return the rows of a query.

    Raises:
        OSError: The file is not there or not readable as records.
    """
    if not path.is_file():
        raise OSError(f"there are no records yet at {path}; coldpin keeps them while it runs")
    try:
        with closing(connect_to_read(path)) as file:
            return file.execute(query, values).fetchall()
    except SQLITE_ERRORS as error:
        raise OSError(f"{path}: {sqlite_words(error)}") from error


def fetched_if_kept(path: Path, query: str, values: tuple[int | str, ...]) -> list[tuple[Any, ...]]:
    """Return the rows of a query; none where an earlier release made the file without its table.

    Raises:
        OSError: The file is not there or not readable as records.
    """
    try:
        return fetched(path, query, values)
    except OSError as error:
        if "no such table" in str(error):
            return []
        raise
