"""One process for one chamber, and one process for one line, whatever is deleted by hand.

An instance is locked by its state directory itself, opened for reading: that needs no file, so it
works on a medium that cannot be written, and nobody deletes it by tidying up. Each hardware line is
locked by a file in shared memory too, so that a second configuration, or a tool, that names the
same line is refused even where the driver would let it in.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import os
import pprint
import sys
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from controller.domain import places
from controller.errors import BusyError
from controller.log import Logger
from controller.service.wiring import WiredLoad

LOCK_TRIES, LOCK_AGAIN_AFTER_S = 4, 0.05
"""Whoever only asks who holds the lock holds it for an instant."""

_log = Logger("coldpin")


@dataclass(slots=True)
class Lock:
    """A lock that ends with `close`, or with the process."""

    descriptor: int
    file: Path | None = None
    """Removed at the end; None where it is nobody's to remove."""

    def close(self) -> None:
        """Let go; may be called twice."""
        if self.descriptor < 0:
            return
        if self.file is not None:
            with contextlib.suppress(OSError):
                self.file.unlink()  # while it is still locked: whoever waits looks again
        os.close(self.descriptor)
        self.descriptor = -1

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        self.close()


def lock_instance(place: Path) -> Lock:
    """Claim the instance for this process.

    Args:
        place: Its state directory.

    Raises:
        BusyError: Another process controls this chamber.
        OSError: The directory is not there or may not be read.
    """
    try:
        descriptor = os.open(place, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    except PermissionError as error:
        raise BusyError(
            f"{place} may not be opened by this user: {error}; run this as the service's user or "
            "as root"
        ) from error
    for tries_left in range(LOCK_TRIES - 1, -1, -1):
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if tries_left:
                time.sleep(LOCK_AGAIN_AFTER_S)
                continue
            holder = _holder_of(descriptor)
            os.close(descriptor)
            raise BusyError(
                f"another process (pid {holder or 'unknown'}) already controls this chamber; it "
                f"holds {place}; stop it first, nothing was touched"
            ) from None
        break
    return Lock(descriptor)


def instance_holder(place: Path) -> str | None:
    """Return the pid of the process that controls this chamber, None where there is none.

    Args:
        place: The state directory; nothing is created.

    Returns:
        The pid, or "unknown" where the kernel does not say which process it is.
    """
    try:
        descriptor = os.open(place, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return _holder_of(descriptor) or "unknown"
    except OSError:
        return None
    finally:
        os.close(descriptor)
    return None


class LineLocks:
    """The hardware lines that this process has claimed."""

    def __init__(self) -> None:
        self._locks: dict[str, Lock] = {}

    def claim(self, loads: Iterable[WiredLoad]) -> None:
        """Claim every line of these loads that is not claimed yet: all of them, or none.

        Raises:
            BusyError: Another process drives one of them.
        """
        fresh: dict[str, Lock] = {}
        try:
            for name in sorted({name for load in loads for name in _lines_of(load)}):
                lock = None if name in self._locks else _lock_line(name)
                if lock is not None:
                    fresh[name] = lock
        except BaseException:
            for lock in fresh.values():
                lock.close()
            raise
        self._locks |= fresh

    def keep_only(self, loads: Iterable[WiredLoad]) -> None:
        """Let go of every line that none of these loads uses."""
        used = {name for load in loads for name in _lines_of(load)}
        for name in self._locks.keys() - used:
            self._locks.pop(name).close()

    def close(self) -> None:
        """Let go of all."""
        for lock in self._locks.values():
            lock.close()
        self._locks.clear()


def _lines_of(load: WiredLoad) -> list[str]:
    if not load.hardware:
        return []
    lines = load.driver.lines(load.options)
    if lines:
        return [f"{load.driver_name} {line}" for line in lines]
    # tables in one order; not as JSON, since TOML has numbers and times that JSON has not
    options = pprint.pformat(load.options, width=sys.maxsize)
    return [f"{load.driver_name} {options}"]


def _lock_line(name: str) -> Lock | None:
    digest = hashlib.sha256(name.encode()).hexdigest()[:16]
    path = places.SHARED_MEMORY / f"coldpin-line-{digest}"
    while True:
        try:
            descriptor = _opened(path)
        except OSError as error:
            # the kernel and the lock of the instance still stand; no cooling is worse
            _log.warning("line_not_locked", line=name, error=str(error))
            return None
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = _holder_of(descriptor)
            os.close(descriptor)
            raise BusyError(
                f"another process (pid {holder or 'unknown'}) already drives the line {name!r}; "
                "stop it first, or give this load a line of its own; nothing was touched"
            ) from None
        with contextlib.suppress(OSError):
            if os.path.samestat(os.fstat(descriptor), path.stat()):
                return Lock(descriptor, path)
        os.close(descriptor)  # it was removed between opening and locking: take the new one


def _opened(path: Path) -> int:
    """Open a lock file for reading, creating it where nobody has; any user may then lock it."""
    with contextlib.suppress(FileNotFoundError):
        return os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
    descriptor = os.open(path, os.O_RDONLY | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o644)
    with contextlib.suppress(OSError):
        os.fchmod(descriptor, 0o644)  # whatever the umask says
    return descriptor


def _holder_of(descriptor: int) -> str | None:
    """Return the pid that the kernel names for a lock, None where it names none."""
    inode = str(os.fstat(descriptor).st_ino)
    try:
        lines = Path("/proc/locks").read_text(encoding="ascii").splitlines()
    except OSError:
        return None
    for line in lines:
        fields = line.split()
        if len(fields) > 5 and fields[1] == "FLOCK" and fields[5].rsplit(":", 1)[-1] == inode:
            return fields[4] if fields[4] not in {"0", "-1"} else None
    return None
