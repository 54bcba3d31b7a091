"""Packages that only some commands need: looked for before any work is done, and named."""

from __future__ import annotations

import re
from importlib import metadata

from controller.errors import MissingPackageError

SPARED = frozenset({"segno"})
"""What an extra brings, and its commands do without where it is not there."""


def need(extra: str, *, what: str) -> None:
    """Go on only where the packages of an extra are installed; none of them is loaded.

    Args:
        extra: Its name in `pyproject.toml`.
        what: The command or option that needs it, as the person typed it.

    Raises:
        MissingPackageError: A package is not there; says which, and how to get it.
    """
    if lacking := missing(extra):
        one = len(lacking) == 1
        raise MissingPackageError(
            f"{what}: found no {'package' if one else 'packages'} {', '.join(lacking)}; install "
            f"{'it' if one else 'them'} with pip install 'coldpin[{extra}]', or in a clone "
            f"'.[{extra}]'"
        )


def packages_of(extra: str) -> tuple[str, ...]:
    """Return the packages without which the commands of an extra do not work.

    Args:
        extra: Its name in `pyproject.toml`; what is installed keeps that list.
    """
    wanted = re.compile(rf"(?P<name>[\w.-]+)[^;]*; extra == ['\"]{re.escape(extra)}['\"]")
    matches = [wanted.fullmatch(line) for line in metadata.requires("coldpin") or ()]
    return tuple(each["name"] for each in matches if each and each["name"] not in SPARED)


def missing(extra: str) -> list[str]:
    """Return the packages of an extra that are not installed; none of them is loaded.

    Args:
        extra: Its name in `pyproject.toml`.
    """
    return [name for name in packages_of(extra) if not _is_there(name)]


def _is_there(name: str) -> bool:
    try:
        metadata.distribution(name)
    except metadata.PackageNotFoundError:
        return False
    return True
