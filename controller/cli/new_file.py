"""Files that `coldpin new` and `coldpin plan` read and write, each as a whole."""

from __future__ import annotations

import contextlib
import os
import shutil
import stat
from pathlib import Path

import click

from controller.domain.places import CONFIGURATIONS
from controller.errors import InputFileError


def read_content(path: Path) -> str:
    """Return the text of a file.

    Raises:
        InputFileError: It cannot be read.
    """
    try:
        return path.read_text(encoding="utf-8-sig")
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise InputFileError(str(path), (f"cannot be read: {why}",)) from None


def exact_content(path: Path) -> str:
    """Return the text of a file with the ends of its lines and its byte-order mark as they are.

    Raises:
        InputFileError: It cannot be read.
    """
    try:
        return path.read_bytes().decode("utf-8")
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise InputFileError(str(path), (f"cannot be read: {why}",)) from None


def replace_content(file: Path, text: str) -> None:
    """Write a file as a whole, or leave what is there.

    Raises:
        OSError: It cannot be written.
    """
    fresh = file.with_name(f".{file.name}.part")
    try:
        fresh.write_text(text, encoding="utf-8", newline="")
        _give_rights(fresh, file)
        fresh.replace(file)
    except OSError:
        with contextlib.suppress(OSError):
            fresh.unlink()
        raise


def _give_rights(fresh: Path, file: Path) -> None:
    """Give a new file owner and mode of the one it replaces, or those of its place.

    In the configuration folder the service's group reads, whatever the umask, and nobody else does.
    """
    is_root = os.geteuid() == 0
    if file.exists():
        before = file.stat()
        if is_root:
            os.chown(fresh, before.st_uid, before.st_gid)
        fresh.chmod(stat.S_IMODE(before.st_mode))
    elif is_root and file.absolute().parent == CONFIGURATIONS:
        with contextlib.suppress(LookupError):  # coldpin is not installed here
            shutil.chown(fresh, group="coldpin")
            fresh.chmod(0o640)


def write_whole(file: Path, text: str) -> None:
    """Write a file as `replace_content` does, for a command that ends where it cannot.

    Raises:
        click.UsageError: It cannot be written.
    """
    try:
        replace_content(file, text)
    except OSError as error:
        raise click.UsageError(f"cannot write {file}: {error.strerror}") from None
