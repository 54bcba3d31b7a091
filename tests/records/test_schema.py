"""Every program that may write the records opens them in the same way."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from controller.domain.first_run import FirstRun
from controller.history.importing import take_back
from controller.records.first_runs import keep_first_run
from controller.records.schema import opened_for_writing, transaction

RUN = FirstRun(
    chamber="loft", config_sha256="0" * 64, steps=(), at=datetime(2026, 7, 1, tzinfo=UTC),
    who="Ann", signed=True,
)  # fmt: skip


def test_the_error_that_ended_a_transaction_is_the_one_that_is_raised(tmp_path: Path) -> None:
    """SQLite takes some back by itself; that there is nothing left to take back is no reason."""
    with closing(opened_for_writing(tmp_path / "r.sqlite", timeout_s=1.0)) as file:
        file.execute(
            "CREATE TRIGGER fails BEFORE INSERT ON clocks"
            " BEGIN SELECT RAISE(ROLLBACK, 'disk image is malformed'); END"
        )
        with pytest.raises(sqlite3.IntegrityError, match="malformed"):
            write_both(file)
        assert not file.in_transaction
        assert file.execute("SELECT COUNT(*) FROM runs").fetchone() == (0,)


def write_both(file: sqlite3.Connection) -> None:
    with transaction(file):
        file.execute("INSERT INTO runs VALUES (1, 'b', 'c', 0)")
        file.execute("INSERT INTO clocks VALUES (1, 0, 0)")


def layout(path: Path) -> list[tuple[object, ...]]:
    """Return what is fixed when a database is made, and its version."""
    with closing(sqlite3.connect(path)) as file:
        return [
            file.execute(f"PRAGMA {name}").fetchone()
            for name in ("page_size", "auto_vacuum", "journal_mode", "user_version")
        ]


def test_whoever_comes_first_makes_the_same_file(tmp_path: Path) -> None:
    """Small pages spare the card for as long as the file lives, also where a first run made it."""
    first_run, service = tmp_path / "a", tmp_path / "b"
    keep_first_run(first_run, RUN)
    opened_for_writing(service, timeout_s=1.0).close()

    assert layout(first_run) == layout(service)
    assert layout(service)[:2] == [(1024,), (2,)]


@pytest.mark.parametrize("write", [lambda path: keep_first_run(path, RUN),
                                   lambda path: take_back(path, "an import")])  # fmt: skip
def test_a_file_of_a_later_release_is_not_changed(tmp_path: Path, write: object) -> None:
    """By commands as little as by the service: not a byte, its journal mode included."""
    path = tmp_path / "records.sqlite"
    with closing(sqlite3.connect(path)) as file:
        file.execute("CREATE TABLE runs (id)")
        file.execute("PRAGMA user_version = 99")
    before = path.read_bytes()

    with pytest.raises(OSError, match="found records of version 99"):
        write(path)  # type: ignore[operator]

    assert path.read_bytes() == before
