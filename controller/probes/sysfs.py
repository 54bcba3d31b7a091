"""The two things done with a file of the kernel: read it once, write it once.

Every access of the 1-Wire drivers goes through these, so tests can put a slow, blocking or
forbidding file in their place.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

ReadFile = Callable[[Path], bytes]
WriteFile = Callable[[Path, bytes], None]

LARGEST = 4096
"""One memory page, the most an attribute file can give. Source: Linux sysfs documentation."""


def read_file(path: Path) -> bytes:
    """Return what a kernel file holds, at most one page of it.

    Raises:
        OSError: The file is gone, not permitted, or the device does not answer.
    """
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        content = b""
        while len(content) < LARGEST:
            more = os.read(descriptor, LARGEST - len(content))
            if not more:
                break
            content += more
        return content
    finally:
        os.close(descriptor)


def write_file(path: Path, content: bytes) -> None:
    """Write to a kernel file in one unbuffered call; never create or empty a file.

    Raises:
        OSError: The file is not there, not permitted, or took only a part.
    """
    descriptor = os.open(path, os.O_WRONLY | os.O_CLOEXEC)
    try:
        written = os.write(descriptor, content)
    finally:
        os.close(descriptor)
    if written != len(content):
        raise OSError(f"{path}: took {written} of {len(content)} bytes")
