"""Where one instance keeps what must live as long as the boot: in memory, not on a medium."""

from __future__ import annotations

import hashlib
import os
import stat
from pathlib import Path

from controller.domain.places import runtime_directory

SHARED_MEMORY = Path("/dev/shm")  # noqa: S108 - the folder below is ours alone, or not used
"""In memory on every Linux, also without a service manager, and writable in the unit's sandbox."""


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
    ours = SHARED_MEMORY / f"coldpin-{os.getuid()}-{digest}"
    try:
        if create:
            ours.mkdir(mode=0o700, exist_ok=True)
        info = ours.lstat()
    except OSError:
        return place
    return ours if stat.S_ISDIR(info.st_mode) and info.st_uid == os.getuid() else place


def memory_of_configuration(config: Path, *, create: bool = True) -> Path:
    """Return a folder in memory for an instance whose state directory cannot be made.

    Args:
        config: Its configuration.
        create: Whether the folder is made where it is not there yet.
    """
    return boot_memory(config, create=create)
