"""Where the requests file lies, and who may write it.

It has a folder of its own that the group may write, since a person in the group may ask and
SQLite's journal is made beside the file; the rest of what an instance keeps the group only reads.
"""

from __future__ import annotations

import os
from pathlib import Path

from controller.domain.places import REQUESTS_FOLDER

REQUESTS = f"{REQUESTS_FOLDER}/requests.sqlite"
"""The file, from the state directory."""
FORMER_REQUESTS = "requests.sqlite"
"""Where releases up to 0.1.0 had it; used where the service has not moved it yet."""
BUSY_S = 5.0
FILE_MODE, FOLDER_MODE = 0o660, 0o770


def in_use(path: Path) -> Path:
    """Return the requests file, or the former place of it where that one is still in use.

    Args:
        path: State directory and `REQUESTS`.
    """
    former = path.parent.parent / FORMER_REQUESTS
    if path.parent.name == REQUESTS_FOLDER and not path.exists() and former.exists():
        return former
    return path


def make_folder(path: Path) -> None:
    """Make the folder of a requests file where there is none, for the owner and its group.

    Raises:
        OSError: It cannot be made.
    """
    folder = path.parent
    if folder.is_dir():
        return
    # by the umask and not by chmod: the sandbox forbids to set the bit that makes files in here
    # the group's, while a folder inherits it
    before = os.umask(0o777 & ~FOLDER_MODE)
    try:
        folder.mkdir(FOLDER_MODE, exist_ok=True)
    finally:
        os.umask(before)
    _give_to_owner_of(folder.parent, folder)


def make_file(path: Path) -> None:
    """Make the file empty, so that its mode does not depend on who asks first.

    Raises:
        OSError: It cannot be made.
    """
    make_folder(path)
    os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, FILE_MODE))
    _give_to_owner_of(path.parent, path)
    set_mode(path)


def set_mode(path: Path) -> None:
    """Let owner and group write a file, where this user may say so."""
    if path.stat().st_uid in {os.geteuid(), 0}:
        path.chmod(FILE_MODE)


def _give_to_owner_of(folder: Path, path: Path) -> None:
    """Give what root made to whom the folder belongs."""
    if os.geteuid() == 0:
        owner = folder.stat()
        os.chown(path, owner.st_uid, owner.st_gid)


def why_unseen(path: Path, place: Path) -> str | None:
    """Return why the service cannot answer what is written here, None where it can.

    Args:
        path: State directory and `REQUESTS`.
        place: The state directory, whose owner the service is.
    """
    file, service = in_use(path).stat(), place.stat()
    by_owner = file.st_uid == service.st_uid and file.st_mode & 0o600 == 0o600
    by_group = file.st_gid == service.st_gid and file.st_mode & 0o060 == 0o060
    if by_owner or by_group or service.st_uid == 0:
        return None
    return (
        f"{in_use(path)} belongs to user {file.st_uid}, mode {file.st_mode & 0o777:04o}: the "
        f"service (user {service.st_uid}) cannot use it and will not answer. Mend it with: "
        f"sudo chown -R --reference={place} {in_use(path).parent}"
    )
