"""What the computer itself must offer, so that a hang or a full card ends with the loads off.

Source: Linux 6.12 Documentation/watchdog/watchdog-api.rst and watchdog-sysfs (state, active while
something pings it); Documentation/admin-guide/sysctl/kernel.rst (panic: seconds until a reboot, 0:
none).
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing
from pathlib import Path

from controller.errors import OutputError
from controller.records.schema import MIGRATIONS
from controller.service.wiring import WiredLoad

ROOM_FACTOR = 2
"""A conversion of the records writes each page once more, in the file and in its log."""


def host_findings(
    loads: Iterable[WiredLoad], records: Path, *, root: Path = Path("/")
) -> Iterator[str]:
    """Yield what is amiss with the computer, in whole sentences; nothing where all is well.

    Args:
        loads: As they are wired; a computer without GPIO, or that switches nothing, needs nothing.
        records: The records file; it need not be there.
        root: Of the file system; tests give another one.
    """
    # a configuration is often checked on a laptop, which will never switch its loads
    on_the_spot = any(root.glob("dev/gpiochip*"))
    if on_the_spot and any(load.hardware for load in loads):
        yield from _watchdog(root)
        yield from _panic(root)
        yield from _chip()
    yield from _room(records)


def _watchdog(root: Path) -> Iterator[str]:
    states = sorted(root.glob("sys/class/watchdog/watchdog*/state"))
    if not any(_text(state) == "active" for state in states):
        yield (
            "The hardware watchdog is not in use: a computer that hangs leaves the loads as they "
            "are. Set RuntimeWatchdogSec=14s in /etc/systemd/system.conf and reboot."
        )


def _panic(root: Path) -> Iterator[str]:
    after = _text(root / "proc/sys/kernel/panic")
    if after is None or after == "0":
        yield (
            "A kernel panic does not reboot the computer: the loads stay as they are. Set "
            "kernel.panic = 10 in /etc/sysctl.d/90-coldpin.conf and reboot."
        )


def _chip() -> Iterator[str]:
    from controller.outputs.gpio import open_chip  # noqa: PLC0415 - needs the pin library

    try:
        open_chip()
    except OutputError as error:
        yield f"The GPIO chip cannot be opened: {error}"


def _room(records: Path) -> Iterator[str]:
    """Warn of a conversion of the records that the card has no room for."""
    try:
        size = records.stat().st_size
        with closing(sqlite3.connect(f"{records.absolute().as_uri()}?mode=ro", uri=True)) as file:
            (version,) = file.execute("PRAGMA user_version").fetchone()
        free = shutil.disk_usage(records.parent).free
    except (OSError, sqlite3.Error):
        return
    if version < len(MIGRATIONS) and free < ROOM_FACTOR * size:
        yield (
            f"The records will be converted at the next start and need {ROOM_FACTOR * size >> 20} "
            f"MiB of room, found {free >> 20} MiB: make room on the card first."
        )


def _text(path: Path) -> str | None:
    try:
        return path.read_text(encoding="ascii").strip()
    except (OSError, ValueError):
        return None
