"""Keeps what a started process leaves in the machine's shared memory in a folder of the test."""

from __future__ import annotations

from pathlib import Path

_AT_START = """
from pathlib import Path
from controller.domain import places
places.SHARED_MEMORY = Path({0!r})
"""


def give_own_memory(site: Path, memory: Path) -> None:
    """Have each Python with a folder on its path use another one in the place of shared memory.

    A service that is killed leaves there what is on and how long a pump rests, until the boot ends.

    Args:
        site: The folder on the path, made if need be.
        memory: What stands for shared memory, made too.
    """
    memory.mkdir(exist_ok=True)
    site.mkdir(parents=True, exist_ok=True)
    (site / "sitecustomize.py").write_text(_AT_START.format(str(memory)), encoding="utf-8")
