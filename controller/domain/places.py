"""Where one instance keeps its own files."""

from __future__ import annotations

import os
from pathlib import Path

CONFIGURATIONS = Path("/etc/coldpin")
"""Each chamber's configuration is NAME.toml in here."""
STATES = Path("/var/lib/coldpin")
"""What a chamber's service keeps is in the folder NAME in here."""
KEPT_TIMERS = "kept-timers.json"
KEPT_ALARMS = "kept-alarms.json"
RECORDS = "records.sqlite"
SECRET_FILE = "lookout-secret.json"  # noqa: S105 - a file name


def state_directory(config: Path) -> Path:
    """Return the folder for what the instance keeps, created if need be.

    Raises:
        OSError: It cannot be created.
    """
    place = named_state_directory(config)
    place.mkdir(mode=0o750, parents=True, exist_ok=True)
    return place


def named_state_directory(config: Path) -> Path:
    """Return the folder for what the instance keeps, which need not be there.

    Under systemd that is what StateDirectory= made, for its commands and for a person's alike;
    elsewhere a folder named after the configuration file below XDG_STATE_HOME.

    Raises:
        OSError: This user has no home directory.
    """
    given = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    if given:
        return Path(given)
    of_the_service = STATES / config.stem
    if of_the_service.is_dir():
        return of_the_service
    home = os.environ.get("XDG_STATE_HOME")
    if not home:
        try:
            home = str(Path.home() / ".local" / "state")
        except RuntimeError as error:
            raise OSError(f"no home directory: {error}; set STATE_DIRECTORY") from error
    return Path(home) / "coldpin" / config.stem


def records_path(named: str | None, place: Path) -> Path:
    """Return where the records are kept.

    Args:
        named: ``[records] path``, None where the configuration names none.
        place: The instance's state directory.
    """
    return place / RECORDS if named is None else place / named
