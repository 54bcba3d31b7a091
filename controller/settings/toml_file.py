"""Read a TOML file, or say in one line why it cannot be one of ours."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.domain.places import why_not_allowed
from controller.errors import SettingsError
from controller.settings.toml_advice import toml_advice

LARGEST_FILE_BYTES = 1_000_000
"""What we read is a few kilobytes, a long list some ten; more is another file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Purpose:
    """What a file ought to be, in the words of its problems."""

    what: str
    usually: str
    """What is allowed where a file is far too large."""
    see: str
    """Where a person sees how it is done."""
    may_be_empty: bool = False


CONFIGURATION = Purpose(
    what="a configuration",
    usually="a configuration of a few kilobytes",
    see="the examples in config/",
)


def read_toml(path: Path, purpose: Purpose = CONFIGURATION) -> dict[str, Any]:
    """Return the document in the file.

    Args:
        path: The file; a byte-order mark at its beginning, as some editors leave, is passed over.
        purpose: What it ought to be.

    Raises:
        SettingsError: It is not readable, too large, empty where it must not be, not text or not
            TOML.
    """

    def refuse(problem: str) -> SettingsError:
        return SettingsError(str(path), (problem,))

    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_FILE_BYTES + 1)
    except IsADirectoryError:
        raise refuse("found a directory, allowed: a TOML file; name the file in it") from None
    except PermissionError:
        raise refuse(why_not_allowed(path)) from None
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have
        why = getattr(error, "strerror", None) or error
        raise refuse(f"cannot be read ({why}) at {path}; name a readable file") from None
    if len(content) > LARGEST_FILE_BYTES:
        raise refuse(
            f"found more than {LARGEST_FILE_BYTES} bytes, allowed: {purpose.usually}; "
            "this is probably another file"
        )
    if not content.strip() and not purpose.may_be_empty:
        raise refuse("found an empty file; start from an example in config/")
    try:
        return tomllib.loads(content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise refuse(
            f"found bytes that are not UTF-8 text at byte {error.start}, allowed: TOML"
        ) from None
    except ValueError as error:  # tomllib's own error, and Python's limit on the digits of a number
        advice = toml_advice(content.decode("utf-8-sig"), str(error))
        raise refuse(f"{advice}; see {purpose.see}") from None
    except RecursionError:
        raise refuse(f"is nested too deeply to be {purpose.what}") from None
