"""Packages that only some commands need: looked for before any work is done, and named."""

from __future__ import annotations

from importlib.util import find_spec

from controller.errors import MissingPackageError

PACKAGES = {
    "lookout": (
        "apprise",
        "jinja2",
        "multipart",
        "prometheus_client",
        "starlette",
        "uvicorn",
    ),
    "mqtt": ("paho",),
    "fit": ("numpy", "scipy"),
}
"""What each extra of `pyproject.toml` brings, by the names under which it is imported."""
SPARED = {"lookout": ("segno",)}
"""What an extra brings too, and its commands do without where it is not there."""


def need(extra: str, *, what: str) -> None:
    """Go on only where the packages of an extra are installed; none of them is loaded.

    Args:
        extra: A name from `PACKAGES`.
        what: The command or option that needs it, as the person typed it.

    Raises:
        MissingPackageError: A package is not there; says which, and how to get it.
    """
    missing = [name for name in PACKAGES[extra] if not _is_there(name)]
    if missing:
        one = len(missing) == 1
        raise MissingPackageError(
            f"{what}: found no {'package' if one else 'packages'} {', '.join(missing)}; install "
            f"{'it' if one else 'them'} with pip install 'coldpin[{extra}]', or in a clone "
            f"'.[{extra}]'"
        )


def _is_there(name: str) -> bool:
    try:
        return find_spec(name) is not None
    except ValueError:  # its import was made to fail on purpose
        return False
