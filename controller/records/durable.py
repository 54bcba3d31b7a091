"""Replace a small file so that a power cut leaves the old one or the new one, nothing between."""

from __future__ import annotations

import os
from pathlib import Path


def replace_file(path: Path, text: str) -> None:
    """Put *text* in the file's place and force it to the medium.

    Raises:
        OSError: The medium is full, read-only or gone; the old file is untouched.
    """
    fresh = path.with_name(f"{path.name}.new")
    with fresh.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    fresh.replace(path)
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
