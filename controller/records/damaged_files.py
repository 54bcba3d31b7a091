"""Databases that are damaged: what says so, and where they are put for a new one to begin."""

from __future__ import annotations

from pathlib import Path

MOST_SET_ASIDE = 5
_SIGNS = ("malformed", "not a database", "disk image")
"""Not among them: a file format that only a newer SQLite knows. That is left alone."""
_SIDE_FILES = ("-wal", "-shm", "-journal")


def is_damage(error: BaseException) -> bool:
    """Return whether an error of a database, or its cause, says that the file is damaged."""
    # SQLite quotes a damaged file in its message, and not all bytes of that are text
    return any(
        isinstance(each, UnicodeDecodeError) or any(sign in str(each) for sign in _SIGNS)
        for each in (error, error.__cause__)
        if each is not None
    )


def set_aside(path: Path) -> Path:
    """Move a damaged database away with its side files, and return where it is now.

    The name counts up and does not depend on a clock; the oldest beyond `MOST_SET_ASIDE` goes.

    Raises:
        OSError: It cannot be moved.
    """
    numbers = sorted(
        int(aside.name.rsplit("-", 1)[1])
        for aside in path.parent.glob(f"{path.name}.damaged-*")
        if aside.name.rsplit("-", 1)[1].isdigit()
    )
    for old in numbers[: max(0, len(numbers) + 1 - MOST_SET_ASIDE)]:
        for ending in ("", *_SIDE_FILES):
            path.with_name(f"{path.name}.damaged-{old}{ending}").unlink(missing_ok=True)
    number = numbers[-1] + 1 if numbers else 1
    aside = path.with_name(f"{path.name}.damaged-{number}")
    for ending in (*_SIDE_FILES, ""):  # a journal that stayed would be played into the next file
        side = path.with_name(f"{path.name}{ending}")
        if side.exists():
            side.replace(path.with_name(f"{aside.name}{ending}"))
    return aside
