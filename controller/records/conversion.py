"""Whether the card has room for a conversion of the records, asked before one begins.

A conversion runs in the thread that writes the records, so that neither the service's start nor
its loop waits for it, however large the file is (`python -m tests.benchmarks.conversion` prints how
long one takes).
"""

from __future__ import annotations

import errno
import os
from dataclasses import dataclass
from pathlib import Path

ROOM_FACTOR = 2
"""A conversion writes each page once more at most, in the file and in its log."""


@dataclass(frozen=True, slots=True)
class ShortOfRoom:
    """What a conversion needs and the card has not [bytes]."""

    needed: int
    free: int

    def __str__(self) -> str:
        """Say what is needed and what was found."""
        return (
            f"converting them needs {_mib(self.needed)} of room, found {_mib(self.free)}: make "
            "room on the card"
        )


def short_of_room(records: Path, version: int, newest: int) -> ShortOfRoom | None:
    """Return what is missing for the conversion of a file; None where nothing is.

    Args:
        records: The records file.
        version: Its version; a new file (0) and one of this release need no conversion.
        newest: The version of this release.

    Raises:
        OSError: The file or its medium cannot be asked.
    """
    if version in {0, newest}:
        return None
    needed = ROOM_FACTOR * records.stat().st_size
    medium = os.statvfs(records.parent)  # shutil would cost the control process half a megabyte
    free = medium.f_bavail * medium.f_frsize
    return ShortOfRoom(needed, free) if free < needed else None


def require_room(records: Path, version: int, newest: int) -> None:
    """Ask for the room that the conversion of a file needs.

    Raises:
        OSError: There is not so much; nothing was changed.
    """
    missing = short_of_room(records, version, newest)
    if missing is not None:
        raise OSError(errno.ENOSPC, str(missing))


def _mib(count: int) -> str:
    return f"{count / (1 << 20):.0f} MiB"
