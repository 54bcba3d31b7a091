"""Where one instance keeps its own files."""

from __future__ import annotations

import os
from pathlib import Path

CONFIGURATIONS = Path("/etc/coldpin")
"""Each chamber's configuration is NAME.toml in here."""
STATES = Path("/var/lib/coldpin")
"""What a chamber's service keeps is in the folder NAME in here."""
RUNTIME = Path("/run/coldpin")
"""Where systemd puts the runtime directories of the instances."""
SHARED_MEMORY = Path("/dev/shm")  # noqa: S108 - what is made in it is one user's own
"""In memory on every Linux, also without a service manager, and writable in the unit's sandbox."""
STATE_MODE = 0o2750
"""Of that folder: the group reads, and what is made in it is the group's."""
REQUESTS_FOLDER = "requests"
"""In that folder, and the only one in it that the group may write."""
KEPT_TIMERS = "kept-timers.json"
KEPT_ALARMS = "kept-alarms.json"
KEPT_WARMING = "kept-warming.json"
RECORDS = "records.sqlite"
SECRET_FILE = "lookout-secret.json"  # noqa: S105 - a file name


def configurations_in(folder: Path) -> list[Path]:
    """Return the configurations of chambers in a folder, in the order of their names.

    Other files lie there too: relay modules, figures of a fit.
    """
    return [path for path in sorted(folder.glob("*.toml")) if "[chamber]" in _text(path)]


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return "[chamber]"  # whoever reads it says why it cannot be read


def state_directory(config: Path) -> Path:
    """Return the folder for what the instance keeps, created if need be.

    Made by root below a folder of the service, it belongs to the service as that one does.

    Raises:
        OSError: It cannot be created.
    """
    place = named_state_directory(config)
    if not place.is_dir():
        place.mkdir(mode=0o750, parents=True, exist_ok=True)
        owner = place.parent.stat()
        if os.geteuid() == 0 and owner.st_uid != 0:
            os.chown(place, owner.st_uid, owner.st_gid)
            place.chmod(STATE_MODE)
    return place


def named_state_directory(config: Path) -> Path:
    """Return the folder for what the instance keeps, which need not be there.

    For a configuration in `CONFIGURATIONS` that is what StateDirectory= of its unit makes, whether
    the service ever ran or not, for its commands and for a person's alike; elsewhere a folder named
    after the configuration file below XDG_STATE_HOME.

    Raises:
        OSError: This user has no home directory.
    """
    given = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    if given:
        return Path(given)
    of_the_service = STATES / config.stem
    installed = config.absolute().parent == CONFIGURATIONS and STATES.is_dir()
    if installed or of_the_service.is_dir():
        return of_the_service
    home = os.environ.get("XDG_STATE_HOME")
    if not home:
        try:
            home = str(Path.home() / ".local" / "state")
        except RuntimeError as error:
            raise OSError(f"no home directory: {error}; set STATE_DIRECTORY") from error
    return Path(home) / "coldpin" / config.stem


def runtime_directory(state: Path) -> Path:
    """Return where the status file of an instance lies.

    Args:
        state: The instance's state directory, used where there is no runtime directory.
    """
    given = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
    if given:
        return Path(given)
    under_systemd = RUNTIME / state.name
    return under_systemd if under_systemd.is_dir() else state


def records_path(named: str | None, place: Path) -> Path:
    """Return where the records are kept.

    Args:
        named: ``[records] path``, None where the configuration names none.
        place: The instance's state directory.
    """
    return place / RECORDS if named is None else place / named


def foreign_instance(named: str | None, config: Path) -> str | None:
    """Return the other instance in whose folder the records would be, None where there is none.

    Args:
        named: ``[records] path``, None where the configuration names none.
        config: The configuration, whose file name is the instance's.
    """
    if named is None or not Path(named).is_relative_to(STATES):
        return None
    path = Path(os.path.normpath(named)).relative_to(STATES)
    owner = path.parts[0] if len(path.parts) > 1 else None
    return None if owner == config.stem else owner


def why_not_allowed(path: object) -> str:
    """Return what a person may do who is not allowed to use a file.

    Args:
        path: The file; None where it is not known. Under systemd it is the service that asks.
    """
    # systemd.exec(5): both are set for a unit that has a state directory
    if path is not None and {"STATE_DIRECTORY", "INVOCATION_ID"} <= os.environ.keys():
        return (
            f"the service may not read {path}. Let its group: sudo chgrp coldpin {path}, then "
            f"sudo chmod g+r {path}"
        )
    if path is not None and not _is_a_chambers(Path(str(path))):
        return (
            f"you are not allowed to use {path}. Put sudo in front, without -u, "
            "or lay the file where you may read and write"
        )
    return (
        f"you are not allowed to use {path or 'it'}. Put sudo in front, or join the group coldpin "
        "once: sudo usermod -aG coldpin YOUR-NAME, then log out and in again"
    )


def _is_a_chambers(path: Path) -> bool:
    return any(path.is_relative_to(folder) for folder in (CONFIGURATIONS, STATES, RUNTIME))
