"""Files that cannot be used, in plain words."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import click

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


class OutputFile(click.Path):
    """A file that a command writes, refused before any work is done for it."""

    def __init__(self) -> None:
        super().__init__(path_type=Path, dir_okay=False)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        """Return the path.

        Raises:
            click.BadParameter: It is a folder, or its own folder is not there or not writable.
        """
        file = Path(os.fsdecode(super().convert(value, param, ctx)))
        require_folder(file)
        in_the_way = file if file.exists() else file.absolute().parent
        if not os.access(in_the_way, os.W_OK):
            self.fail(f"cannot write {file}: {why_not_allowed(in_the_way)}", param, ctx)
        return file


def require_folder(file: Path) -> None:
    """Refuse a file that could not be written in the end, before any work is done for it.

    Raises:
        click.BadParameter: Its folder is not there.
    """
    folder = file.absolute().parent
    if not folder.is_dir():
        raise click.BadParameter(f"found no folder {folder}; make it first, or name another file")


def not_written(file: object, error: OSError, *, option: str) -> click.BadParameter:
    """Return what to raise where a file could not be written in the end: a full disk, mostly."""
    return click.BadParameter(f"cannot write {file}: {error.strerror}", param_hint=option)


def reason_of(error: OSError) -> str:
    """Return what went wrong with a file, and what to do where it is a matter of rights."""
    if isinstance(error, PermissionError):
        return why_not_allowed(error.filename)
    if error.strerror and error.filename:
        return f"{error.filename}: {error.strerror}"
    return error.strerror or str(error)
