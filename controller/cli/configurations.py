"""Configurations that a command was given, one by one or as a folder."""

from __future__ import annotations

from pathlib import Path

from controller.domain.places import configurations_in
from controller.errors import SettingsError


def configurations(named: tuple[Path, ...]) -> list[Path]:
    """Return the configurations that were named, each once, those of a folder by their names.

    Raises:
        SettingsError: A folder has none.
    """
    paths: dict[Path, Path] = {}
    for path in named:
        if not path.is_dir():
            paths.setdefault(path.absolute(), path)
            continue
        inside = configurations_in(path)
        if not inside:
            raise SettingsError(str(path), ("found no configuration (*.toml with [chamber])",))
        paths |= {each.absolute(): each for each in inside if each.absolute() not in paths}
    return list(paths.values())
