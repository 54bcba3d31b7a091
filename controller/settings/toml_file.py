"""Read a TOML file, or say in one line why it cannot be one of ours."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from controller.errors import SettingsError

LARGEST_FILE_BYTES = 1_000_000
"""A configuration is a few kilobytes; more is not one."""


def read_toml(path: Path) -> dict[str, Any]:
    """Return the document in the file.

    Raises:
        SettingsError: It is not readable, too large, empty, not text or not TOML.
    """

    def refuse(problem: str) -> SettingsError:
        return SettingsError(str(path), (problem,))

    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_FILE_BYTES + 1)
    except IsADirectoryError:
        raise refuse("found a directory, allowed: a TOML file; name the file in it") from None
    except OSError as error:
        raise refuse(f"cannot be read: {error.strerror or error}; name a readable file") from None
    if len(content) > LARGEST_FILE_BYTES:
        raise refuse(
            f"found more than {LARGEST_FILE_BYTES} bytes, allowed: a configuration of a few "
            "kilobytes; this is probably another file"
        )
    if not content.strip():
        raise refuse("found an empty file; start from an example in config/")
    try:
        return tomllib.loads(content.decode("utf-8"))
    except UnicodeDecodeError as error:
        raise refuse(
            f"found bytes that are not UTF-8 text at byte {error.start}, allowed: TOML"
        ) from None
    except tomllib.TOMLDecodeError as error:
        raise refuse(f"is not TOML: {error}; see the examples in config/") from None
    except RecursionError:
        raise refuse("is nested too deeply to be a configuration") from None
