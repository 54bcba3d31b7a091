"""Configurations that a command was given, one by one or as a folder."""

from __future__ import annotations

from pathlib import Path

from controller.errors import SettingsError


def configurations(named: tuple[Path, ...]) -> list[Path]:
    """Return the configurations that were named, those of a folder in the order of their names.

    Raises:
        SettingsError: A folder has none.
    """
    paths: list[Path] = []
    for path in named:
        if not path.is_dir():
            paths.append(path)
            continue
        inside = [each for each in sorted(path.glob("*.toml")) if "[chamber]" in _text(each)]
        if not inside:
            raise SettingsError(str(path), ("found no configuration (*.toml with [chamber])",))
        paths += inside
    return paths


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return "[chamber]"  # said where it is read
