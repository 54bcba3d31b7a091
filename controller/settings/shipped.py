"""Where the files of config/ are, from a checkout and from an installed package alike."""

from __future__ import annotations

from pathlib import Path


def shipped_config(name: str) -> Path:
    """Return the path of a file or folder that ships in config/.

    A wheel carries config/ inside the package; an editable install and a checkout have it beside.
    """
    package = Path(__file__).parents[1]
    inside = package / "config" / name
    return inside if inside.exists() else package.parent / "config" / name
