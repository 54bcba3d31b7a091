"""A command that was run with sudo writes into a chamber's folder as that folder's owner.

What root writes there the service cannot change: a request that is never answered, a password that
is "wrong", a lock that ends the service at every start. Files that the person named are still
opened with the person's rights.
"""

from __future__ import annotations

import os
import pwd
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def as_owner_of(folder: Path) -> Iterator[None]:
    """Write as the owner of a folder while this lasts, where root runs the command.

    Args:
        folder: The chamber's state directory.
    """
    if os.geteuid() != 0 or not folder.is_dir():
        yield
        return
    owner = folder.stat()
    if owner.st_uid == 0:
        yield
        return
    groups, group = os.getgroups(), os.getegid()
    try:
        name = pwd.getpwuid(owner.st_uid).pw_name
        wanted = os.getgrouplist(name, owner.st_gid)
    except KeyError:
        wanted = [owner.st_gid]
    os.setgroups(wanted)
    os.setegid(owner.st_gid)
    os.seteuid(owner.st_uid)
    try:
        yield
    finally:
        os.seteuid(0)
        os.setegid(group)
        os.setgroups(groups)


def give_to_owner(folder: Path, file: Path) -> None:
    """Give a database that root wrote, and what lies beside it, to the owner of a folder.

    For where a file that the person named is read while the chamber's is written.

    Args:
        folder: The chamber's state directory.
        file: The database; it need not be there.
    """
    if os.geteuid() != 0:
        return
    owner = folder.stat()
    for each in (file, *(file.with_name(file.name + tail) for tail in ("-wal", "-shm"))):
        if each.exists():
            os.chown(each, owner.st_uid, owner.st_gid)


def give_to_person(file: Path) -> None:
    """Give a file that root made for the person who called sudo to that person."""
    person, group = os.environ.get("SUDO_UID", ""), os.environ.get("SUDO_GID", "")
    if os.geteuid() == 0 and person.isdigit() and group.isdigit():
        os.chown(file, int(person), int(group))
