"""The system's time zone, as it is now, and UTC where nothing can be made of it."""

from __future__ import annotations

import os
import time
from datetime import datetime

_STAND_IN = "<UTC>0"
"""In TZ while the system's own zone cannot be used."""


def follow_system_zone() -> bool:
    """Take the system's zone as it is now for local times; return whether it can be used.

    A person may change it while a service runs. A damaged file of it, or an odd TZ, may be a day or
    more off, which no `datetime` holds; local times are UTC then. This reads a file.
    """
    if os.environ.get("TZ") == _STAND_IN:
        del os.environ["TZ"]  # it may have been mended
    time.tzset()
    try:
        datetime.now().astimezone()
    except (ValueError, OverflowError, OSError):
        os.environ["TZ"] = _STAND_IN
        time.tzset()
        return False
    return True
