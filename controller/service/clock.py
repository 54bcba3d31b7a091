"""The only place where the service learns the time."""

from __future__ import annotations

import time
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Protocol
from zoneinfo import ZoneInfo

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


class Clock(Protocol):
    """What the loop may ask about time."""

    def monotonic(self) -> float:
        """Return seconds from any origin; never goes back, whatever the wall clock does."""
        ...

    def local(self) -> datetime:
        """Return the chamber's time of day, aware; may jump when the clock is set."""
        ...


class SystemClock:
    """The machine's clocks."""

    def __init__(self, zone: tzinfo | None = None) -> None:
        self._zone = zone

    def monotonic(self) -> float:
        """Return CLOCK_MONOTONIC [s]."""
        return time.monotonic()

    def local(self) -> datetime:
        """Return the wall clock in the chamber's zone, or the machine's."""
        return datetime.now(self._zone).astimezone(self._zone)


def zone_named(name: str | None) -> tzinfo | None:
    """Return the IANA zone, or None for the machine's own."""
    return None if name is None else ZoneInfo(name)


def boottime() -> float:
    """Return seconds since boot, counted through suspend: comparable between processes."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def boot_id() -> str | None:
    """Return what tells this boot from every other, or None where the kernel does not say."""
    try:
        return _BOOT_ID.read_text(encoding="ascii").strip() or None
    except OSError:
        return None
