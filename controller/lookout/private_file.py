"""A file that holds a secret: read only where others cannot."""

from __future__ import annotations

import stat
from pathlib import Path

from controller.errors import SettingsError


def read_private(path: Path) -> str:
    """Return the text of a file that others must not be able to read.

    Raises:
        SettingsError: It is not there, is no text, or others can read it.
    """
    try:
        mode = stat.S_IMODE(path.stat().st_mode)
        if mode & stat.S_IRWXO:
            problem = f"found mode {mode:04o}, allowed: nothing for others; chmod o= {path}"
            raise SettingsError(str(path), (problem,))
        return path.read_text(encoding="utf-8")
    except OSError as error:
        raise SettingsError(str(path), (f"cannot be read: {error.strerror}",)) from None
    except UnicodeDecodeError:
        raise SettingsError(str(path), ("found bytes that are no text, allowed: UTF-8",)) from None
