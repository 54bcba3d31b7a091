"""Where the files that ship are, from a checkout and from an installed package alike."""

from __future__ import annotations

from pathlib import Path


def shipped_config(name: str) -> Path:
    """Return the path of a file or folder that ships in config/."""
    return _shipped("config", name)


def shipped_note(name: str) -> Path:
    """Return the path of a page that ships in hardware-notes/, for a person who is to read it."""
    return _shipped("hardware-notes", name)


def _shipped(folder: str, name: str) -> Path:
    """Return where it is: in the package of a wheel, else beside it, as in a clone."""
    package = Path(__file__).parents[1]
    inside = package / folder / name
    return inside if inside.exists() else package.parent / folder / name
