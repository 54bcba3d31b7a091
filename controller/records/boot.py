"""Which boot this is, and the clock that counts from it: comparable between processes."""

from __future__ import annotations

import time
from pathlib import Path

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


def boottime() -> float:
    """Return seconds since boot, counted through suspend: comparable between processes."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def boot_id() -> str | None:
    """Return what tells this boot from every other, or None where the kernel does not say."""
    try:
        return _BOOT_ID.read_text(encoding="ascii").strip() or None
    except OSError:
        return None
