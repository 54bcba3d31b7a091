"""Files that cannot be used, in plain words."""

from __future__ import annotations

from pathlib import Path

from controller.domain.places import why_not_allowed
from controller.errors import InputFileError


def require_readable(file: Path) -> None:
    """Go on only where this user can read a file.

    Args:
        file: As the person named it.

    Raises:
        InputFileError: It is not there, or this user may not read it, which is not the same.
    """
    try:
        with file.open("rb"):
            return
    except PermissionError:
        problem = why_not_allowed(file)
    except FileNotFoundError:
        problem = "there is no such file; is the name right, and the folder?"
    except OSError as error:
        problem = f"it cannot be opened: {error.strerror}"
    raise InputFileError(str(file), (problem,))


def reason_of(error: OSError) -> str:
    """Return what went wrong with a file, and what to do where it is a matter of rights."""
    if isinstance(error, PermissionError):
        return why_not_allowed(error.filename)
    return str(error)
