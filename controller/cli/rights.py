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


def why_not_readable(path: Path) -> str:
    """Return what a person may do who is not allowed to read a chamber's file."""
    return (
        f"you are not allowed to read {path}. Put sudo in front, or join the group coldpin once: "
        "sudo usermod -aG coldpin YOUR-NAME, then log out and in again"
    )
