"""What an installation does to a machine, as values that can be printed before they are done."""

from __future__ import annotations

import errno
import os
import shlex
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from controller.commissioning.installation.machine import Runner

RETRY = "Retrying (Retry("
"""In each of pip's lines about another attempt, of which only the outcome counts."""


class InstallationError(Exception):
    """Something that an installation must not go on after; its text says what to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """Run a program; a status other than 0 ends the installation."""

    argv: tuple[str, ...]
    or_else: str = ""
    """What to tell the person when it fails."""

    def shown(self) -> str:
        """Return what it does, as a dry run prints it."""
        return shlex.join(self.argv)

    def do(self, run: Runner) -> None:
        """Do it.

        Raises:
            InstallationError: It failed; the text has the end of what it printed.
        """
        result = run(self.argv)
        if result.status != 0:
            lines = [line for line in result.output.splitlines() if RETRY not in line]
            last = "\n".join(f"    {line}" for line in lines[-8:])
            advice = f"\n{self.or_else}" if self.or_else else ""
            if os.strerror(errno.ENOSPC) in result.output:
                advice = "\nThe disk is full. Free some room, then run this again."
            raise InstallationError(f"{self.shown()}: status {result.status}\n{last}{advice}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Write:
    """Write a file whole, with its mode, whatever the umask."""

    path: Path
    text: str
    mode: int = 0o644
    group: str | None = None

    def shown(self) -> str:
        """Return what it does, as a dry run prints it."""
        return (
            f"write {self.path} (mode {self.mode:04o}{f', group {self.group}' * bool(self.group)})"
        )

    def do(self, _run: Runner) -> None:
        """Do it."""
        self.path.parent.mkdir(parents=True, exist_ok=True)
        fresh = self.path.with_name(f".{self.path.name}.new")
        fresh.unlink(missing_ok=True)
        with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
            file.write(self.text)
            file.flush()
            os.fsync(file.fileno())
        if self.group is not None:
            shutil.chown(fresh, group=self.group)
        fresh.chmod(self.mode)
        fresh.replace(self.path)


@dataclass(frozen=True, slots=True, kw_only=True)
class Folder:
    """Make a folder, or mend its owner and mode, whatever the umask."""

    path: Path
    mode: int
    owner: str = "root"
    group: str = "root"

    def shown(self) -> str:
        """Return what it does, as a dry run prints it."""
        return f"folder {self.path} (mode {self.mode:04o}, {self.owner}:{self.group})"

    def do(self, _run: Runner) -> None:
        """Do it."""
        self.path.mkdir(parents=True, exist_ok=True)
        shutil.chown(self.path, self.owner, self.group)
        self.path.chmod(self.mode)


@dataclass(frozen=True, slots=True, kw_only=True)
class Own:
    """Give every file of a folder to its owner; links are left alone."""

    path: Path
    owner: str

    def shown(self) -> str:
        """Return what it does, as a dry run prints it."""
        return f"give all below {self.path} to {self.owner}"

    def do(self, _run: Runner) -> None:
        """Do it."""
        for folder, _, names in os.walk(self.path):
            for path in (Path(folder), *(Path(folder) / name for name in names)):
                if not path.is_symlink():
                    shutil.chown(path, self.owner, self.owner)


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """Point a link at something, in one step: there is no moment without it."""

    path: Path
    target: Path

    def shown(self) -> str:
        """Return what it does, as a dry run prints it."""
        return f"link {self.path} -> {self.target}"

    def do(self, _run: Runner) -> None:
        """Do it."""
        self.path.parent.mkdir(parents=True, exist_ok=True)
        fresh = self.path.with_name(f".{self.path.name}.new")
        fresh.unlink(missing_ok=True)
        fresh.symlink_to(self.target)
        fresh.replace(self.path)


@dataclass(frozen=True, slots=True, kw_only=True)
class Remove:
    """Remove a file, link or folder, if it is there."""

    path: Path

    def shown(self) -> str:
        """Return what it does, as a dry run prints it."""
        return f"remove {self.path}"

    def do(self, _run: Runner) -> None:
        """Do it."""
        if self.path.is_dir() and not self.path.is_symlink():
            shutil.rmtree(self.path)
        else:
            self.path.unlink(missing_ok=True)


Action = Command | Write | Folder | Own | Link | Remove


@dataclass(frozen=True, slots=True, kw_only=True)
class InstallStep:
    """One thing that a person can understand, and what it takes."""

    title: str
    actions: Sequence[Action] = ()
    """Empty: there is nothing to do."""


def unchanged(path: Path, text: str) -> bool:
    """Return whether a file says this already."""
    try:
        return path.read_text(encoding="utf-8") == text
    except OSError:
        return False
