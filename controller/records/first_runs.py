"""Records of commissioning: what was checked before the first crop, by whom, with what outcome."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from controller.domain.codec import UnreadableError
from controller.domain.first_run import FIRST_RUN_CODEC, FirstRun
from controller.domain.json_text import json_text, read_json
from controller.records.fetching import fetched_if_kept
from controller.records.schema import one_transaction

_LAST = "SELECT at_utc_ms, who, signed, document FROM first_runs ORDER BY id DESC LIMIT 1"


def keep_first_run(path: Path, run: FirstRun) -> None:
    """Put a first run into the records of an instance that does not run.

    Args:
        path: The database; created if need be.
        run: What was checked, by whom.

    Raises:
        OSError: The database cannot be written.
    """
    at_ms = round(run.at.timestamp() * 1000)
    with one_transaction(path) as file:
        file.execute(
            "INSERT INTO first_runs (at_utc_ms, who, signed, document) VALUES (?, ?, ?, ?)",
            (at_ms, run.who, int(run.signed), FIRST_RUN_CODEC.text(run)),
        )


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
    try:
        checked = read_json(text)
        if isinstance(checked, dict):  # the columns count: 0.1.0 kept these three in them alone
            at = datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(timespec="seconds")
            checked |= {"at": at, "who": who, "signed": bool(signed)}
        return FIRST_RUN_CODEC.read(json_text(checked))
    except UnreadableError:
        raise
    except (TypeError, ValueError, OverflowError) as error:
        raise UnreadableError(f"a first run in {path} is damaged: {error}") from None
