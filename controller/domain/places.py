"""Where one instance keeps its own files, and the lock that keeps a second one out."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path
from typing import IO

from controller.errors import BusyError

LOCK = "instance.lock"
KEPT_TIMERS = "kept-timers.json"
RECORDS = "records.sqlite"
SECRET_FILE = "lookout-secret.json"  # noqa: S105 - a file name


def state_directory(config: Path) -> Path:
    """Return the folder for what the instance keeps, created if need be.

    Under systemd that is what StateDirectory= made, for its commands and for a person's alike;
    elsewhere a folder named after the configuration file below XDG_STATE_HOME.

    Raises:
        OSError: It cannot be created.
    """
    given = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    if given:
        return Path(given)
    of_the_service = Path("/var/lib/coldpin") / config.stem
    if of_the_service.is_dir():
        return of_the_service
    home = os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state"
    place = Path(home) / "coldpin" / config.stem
    place.mkdir(parents=True, exist_ok=True)
    return place


def records_path(named: str | None, place: Path) -> Path:
    """Return where the records are kept.

    Args:
        named: ``[records] path``, None where the configuration names none.
        place: The instance's state directory.
    """
    return place / RECORDS if named is None else place / named


def lock_instance(place: Path) -> IO[str]:
    """Claim the instance for this process; the lock ends with the process or with the file.

    Raises:
        BusyError: Another process controls this chamber.
    """
    file = (place / LOCK).open("a+", encoding="ascii")
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        file.seek(0)
        holder = file.read().strip() or "unknown"
        file.close()
        raise BusyError(
            f"another process (pid {holder}) already controls this chamber; it holds "
            f"{place / LOCK}; stop it first, nothing was touched"
        ) from None
    file.truncate(0)
    file.write(f"{os.getpid()}\n")
    file.flush()
    return file
