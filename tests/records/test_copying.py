"""A copy of a database is whole, or nobody takes it for one."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from controller.records.copying import copy_database, sound


def database(path: Path, *, rows: int = 1000, damaged: bool = False) -> Path:
    """Write a database of many pages; a damaged one serves every row, and contradicts itself.

    Source: https://www.sqlite.org/pragma.html#pragma_integrity_check: it looks for NULL values in
    columns that are declared NOT NULL. No page of it is unreadable, so nothing else tells.
    """
    with closing(sqlite3.connect(path)) as file:
        file.execute("CREATE TABLE readings (air_c)")
        file.executemany("INSERT INTO readings VALUES (?)", [(float(n),) for n in range(rows)])
        if damaged:
            file.execute("INSERT INTO readings VALUES (NULL)")
            file.execute("PRAGMA writable_schema = ON")
            file.execute("UPDATE sqlite_schema SET sql = 'CREATE TABLE readings (air_c NOT NULL)'")
        file.commit()
    return path


def rows_of(path: Path) -> list[float]:
    with closing(sqlite3.connect(path)) as file:
        return [air_c for (air_c,) in file.execute("SELECT air_c FROM readings ORDER BY rowid")]


def test_a_copy_has_every_row_and_replaces_what_was_there(tmp_path: Path) -> None:
    """More pages than one step copies, over a file that is no database."""
    source, target = database(tmp_path / "a.sqlite", rows=40_000), tmp_path / "b.sqlite"
    target.write_bytes(b"garbage" * 1000)

    copy_database(source, target)

    assert rows_of(target) == [float(n) for n in range(40_000)]
    assert sound(target)


def test_a_database_that_contradicts_itself_is_not_sound(tmp_path: Path) -> None:
    """All of it can be read; a copy of it would be trusted after the original is gone."""
    good = database(tmp_path / "good.sqlite")
    damaged = database(tmp_path / "damaged.sqlite", damaged=True)

    assert len(rows_of(damaged)) == 1001
    assert sound(good)
    assert not sound(damaged)
    with pytest.raises(OSError, match=r"damaged\.sqlite: .*the copy is not sound: NULL value in"):
        copy_database(damaged, tmp_path / "copy.sqlite")


@pytest.mark.parametrize(
    "content", [b"garbage" * 1000, b"SQLite format 3\x00" + bytes(8176)], ids=["noise", "zeroed"]
)
def test_what_is_no_database_is_not_sound(tmp_path: Path, content: bytes) -> None:
    """An answer, and no error."""
    path = tmp_path / "records.sqlite"
    path.write_bytes(content)

    assert not sound(path)
    with pytest.raises(OSError, match=r"records\.sqlite: "):
        copy_database(path, tmp_path / "copy.sqlite")


def test_a_writer_does_not_keep_a_copy_from_its_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A commit each time SQLite lets others in: what came after the beginning is left out.

    Source: https://www.sqlite.org/c3ref/backup_finish.html: the copy begins anew where another
    connection writes between two of its steps.
    """
    source, target = database(tmp_path / "a.sqlite", rows=40_000), tmp_path / "b.sqlite"
    with closing(sqlite3.connect(source)) as writer:
        writer.execute("PRAGMA journal_mode = WAL")
        real, commits = sqlite3.connect, 0

        def write_between(*_: object) -> None:
            nonlocal commits
            commits += 1
            assert commits < 100
            writer.execute("INSERT INTO readings VALUES (?)", (-1.0,))
            writer.commit()

        class Watched(sqlite3.Connection):
            def backup(self, target: sqlite3.Connection, **how: object) -> None:  # type: ignore[override]
                super().backup(target, **{**how, "progress": write_between})  # type: ignore[arg-type]

        monkeypatch.setattr(
            sqlite3, "connect", lambda *given, **more: real(*given, factory=Watched, **more)
        )
        copy_database(source, target)

    assert commits
    assert rows_of(target) == [float(n) for n in range(40_000)]


def test_a_file_is_judged_by_itself(tmp_path: Path) -> None:
    """The log beside it may be of another database and stays as it is; no missing file is made."""
    path = database(tmp_path / "records.sqlite")
    with closing(sqlite3.connect(path)) as file:
        file.execute("PRAGMA journal_mode = WAL")
    (tmp_path / "records.sqlite-wal").write_bytes(b"garbage" * 1000)
    before = {each.name: each.read_bytes() for each in tmp_path.iterdir()}

    assert sound(path)
    assert not sound(tmp_path / "missing.sqlite")
    assert {each.name: each.read_bytes() for each in tmp_path.iterdir()} == before
