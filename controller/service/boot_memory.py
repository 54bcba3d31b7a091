"""Where one instance keeps what must live as long as the boot: in memory, not on a medium."""

from __future__ import annotations

import contextlib
import hashlib
import os
import stat
import time
from pathlib import Path

from controller.domain import places
from controller.domain.places import runtime_directory

LEFT_BEHIND_S = 3600.0


def boot_memory(place: Path, *, create: bool = True) -> Path:
    """Return a writable folder that ends with the boot, created if need be.

    The runtime directory where there is one, else a folder of this user's in shared memory. Where
    there is neither, the state directory: its files outlive the boot, so they name theirs.

    Args:
        place: The instance's state directory.
        create: Whether the folder is made where it is not there yet.
    """
    runtime = runtime_directory(place)
    if runtime != place and os.access(runtime, os.W_OK):
        return runtime
    digest = hashlib.sha256(os.fsencode(place.absolute())).hexdigest()[:16]
    ours = places.SHARED_MEMORY / f"coldpin-{os.getuid()}-{digest}"
    try:
        if create:
            ours.mkdir(mode=0o700, exist_ok=True)
        info = ours.lstat()
    except OSError:
        return place
    return ours if stat.S_ISDIR(info.st_mode) and info.st_uid == os.getuid() else place


def leave_memory(folder: Path, file: str | None = None) -> None:
    """Remove a file at a good end, and the instance's folder where nothing is left in it.

    Args:
        folder: From `boot_memory`; one that is not in shared memory belongs to the service manager,
            or is the medium, and nothing in it is touched.
        file: Name of the file in it; None: there is none.
    """
    if folder.parent == places.SHARED_MEMORY:
        with contextlib.suppress(OSError):
            if file is not None:
                (folder / file).unlink(missing_ok=True)
            folder.rmdir()


def remove_left_behind() -> None:
    """Remove this user's empty folders in shared memory that nobody has used for an hour.

    A process that was killed leaves its folder. One with something in it may still say what is on,
    or for how long a pump rests, and ends with the boot.
    """
    for folder in places.SHARED_MEMORY.glob(f"coldpin-{os.getuid()}-*"):
        with contextlib.suppress(OSError):  # it is another user's, is not empty, or has just gone
            if time.time() - folder.lstat().st_mtime > LEFT_BEHIND_S:
                folder.rmdir()


def memory_of_configuration(config: Path, *, create: bool = True) -> Path:
    """Return a folder in memory for an instance whose state directory cannot be made.

    Args:
        config: Its configuration.
        create: Whether the folder is made where it is not there yet.
    """
    return boot_memory(config, create=create)
