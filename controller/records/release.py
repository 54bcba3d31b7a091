"""Which release of coldpin this process is."""

from __future__ import annotations

from importlib import metadata


def release() -> str:
    """Return the version that this process was started from, empty where nobody installed it."""
    try:
        return metadata.version("coldpin")
    except metadata.PackageNotFoundError:
        return ""
