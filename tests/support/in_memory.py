"""Temporary files of the tests in memory, where the machine has room for them."""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path

MEMORY = Path("/dev/shm")
ROOM_BYTES = 1 << 30
"""A run writes an eighth of it."""


def write_in_memory() -> None:
    """Let this process, and those that it starts, make their temporary files in memory.

    Records and what is kept are written through to the medium, thousands of times in a run, and a
    disk takes milliseconds for each. What is asked of a medium itself, such as one that is full, is
    shown on a mount of the test's own. A place that the environment names is taken instead.
    """
    if "TMPDIR" in os.environ or not os.access(MEMORY, os.W_OK | os.X_OK):
        return
    if shutil.disk_usage(MEMORY).free >= ROOM_BYTES:
        os.environ["TMPDIR"] = str(MEMORY)
        tempfile.tempdir = None  # looked up once, perhaps before this
