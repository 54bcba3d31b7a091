"""What the computer itself must offer, so that a hang or a full card ends with the loads off.

Source: Linux 6.12 Documentation/watchdog/watchdog-api.rst and watchdog-sysfs (state, active while
something pings it); Documentation/admin-guide/sysctl/kernel.rst (panic: seconds until a reboot, 0:
none).
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from controller.errors import OutputError
from controller.records.connecting import connect_to_read
from controller.records.conversion import short_of_room
from controller.records.schema import MIGRATIONS
from controller.records.sqlite_errors import SQLITE_ERRORS


def host_findings(
    records: Path, *, switches: bool, chip: bool = True, root: Path = Path("/")
) -> Iterator[str]:
    """Yield what is amiss with the computer, in whole sentences; nothing where all is well.

    Args:
        records: The records file; it need not be there.
        switches: Whether a real load is wired; a computer that switches nothing, or has no GPIO,
            needs nothing.
        chip: Whether to open the GPIO chip; not needed while the service holds it open.
        root: Of the file system; tests give another one.
    """
    # a configuration is often checked on a laptop, which will never switch its loads
    on_the_spot = any(root.glob("dev/gpiochip*"))
    if on_the_spot and switches:
        yield from _watchdog(root)
        yield from _panic(root)
        if chip:
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
        with closing(connect_to_read(records)) as file:
            (version,) = file.execute("PRAGMA user_version").fetchone()
        missing = short_of_room(records, version, len(MIGRATIONS))
    except (OSError, *SQLITE_ERRORS):
        return
    if missing is not None:
        yield f"The records cannot be kept by this release: {missing}."


def _text(path: Path) -> str | None:
    try:
        return path.read_text(encoding="ascii").strip()
    except (OSError, ValueError):
        return None
