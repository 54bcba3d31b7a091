"""Records of commissioning: what was checked before the first crop, by whom, with what outcome."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from controller.domain.first_run import FIRST_RUN_CODEC, FirstRun
from controller.domain.json_text import json_text
from controller.records.reader import fetched_if_kept
from controller.records.schema import migrate

_LAST = "SELECT at_utc_ms, who, signed, document FROM first_runs ORDER BY id DESC LIMIT 1"


def keep_first_run(path: Path, run: FirstRun) -> None:
    """Put a first run into the records of an instance that does not run.

    Args:
        path: The database; created if need be.
        run: What was checked, by whom.

    Raises:
        OSError: The database cannot be written.
    """
    try:
        with closing(sqlite3.connect(path, isolation_level=None, timeout=5.0)) as file:
            file.execute("PRAGMA auto_vacuum = INCREMENTAL")  # takes hold in a new file only
            file.execute("PRAGMA journal_mode = WAL")
            migrate(file)
            file.execute(
                "INSERT INTO first_runs (at_utc_ms, who, signed, document) VALUES (?, ?, ?, ?)",
                (
                    round(run.at.timestamp() * 1000),
                    run.who,
                    int(run.signed),
                    FIRST_RUN_CODEC.text(run),
                ),
            )
    except (sqlite3.Error, ValueError) as error:
        raise OSError(f"{path}: {error}") from error


def last_first_run(path: Path) -> FirstRun | None:
    """Return the newest first run, None where there is none.

    Args:
        path: The database.

    Raises:
        OSError: It is there and cannot be read.
        UnreadableError: The first run in it is damaged.
    """
    if not path.is_file():
        return None
    rows = fetched_if_kept(path, _LAST, ())
    if not rows:
        return None
    at_ms, who, signed, text = rows[0]
    checked = json.loads(text)
    if isinstance(checked, dict):  # the columns count: 0.1.0 kept these three in them alone
        at = datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(timespec="seconds")
        checked |= {"at": at, "who": who, "signed": bool(signed)}
    return FIRST_RUN_CODEC.read(json_text(checked))
