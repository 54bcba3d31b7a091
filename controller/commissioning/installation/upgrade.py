"""Changing from one version to another under a running chamber, and going back if it fails.

The new version stands ready beside the old one before anything that runs is touched, so the
chamber is without cooling for the seconds of one restart only. Records are copied before, since a
new version may convert them and an old one leaves what it does not know alone.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable, Iterable
from contextlib import closing
from pathlib import Path

from controller.commissioning.installation.actions import InstallationError, InstallStep
from controller.commissioning.installation.machine import UNITS, Machine, ProgramResult, Runner
from controller.commissioning.installation.steps import CURRENT, ON_PATH, OWN_UNITS
from controller.domain.places import REQUESTS_FOLDER, STATES
from controller.records.sqlite_errors import SQLITE_ERRORS

RECORDS, FORMER_REQUESTS = "records.sqlite", "requests.sqlite"


class Upgrade:
    """What was so before, and the way back to it."""

    def __init__(self, machine: Machine, run: Runner, say: Callable[[str], object]) -> None:
        """Note what is in force.

        Args:
            machine: What the machine has.
            run: Runs programs.
            say: Takes lines for the person.
        """
        self._machine, self._run, self._say = machine, run, say
        self._links = {path: path.readlink() for path in (CURRENT, ON_PATH) if path.is_symlink()}
        self._units = {
            path: path.read_text(encoding="utf-8")
            for path in (UNITS / name for name in OWN_UNITS)
            if path.is_file()
        }

    def do(self, steps: Iterable[InstallStep]) -> None:
        """Take the steps, start again what ran, and go back whole if one of it does not come up.

        Raises:
            InstallationError: It went back; the text says why.
        """
        copies = self._copied_records()
        former = [path for path in self._former_requests() if path.is_file()]
        try:
            for step in steps:
                for action in step.actions:
                    action.do(self._run)
            for unit in self._machine.active:
                self._say(f"    restarting {unit}, and waiting until it is ready")
                self._started_again(unit)
        except (InstallationError, OSError) as error:  # OSError: a full medium, most of all
            if self._machine.version is None:
                raise
            down = self._go_back(copies, former)
            state = (
                f"but {', '.join(down)} did not come back: switch its loads' supply off"
                if down
                else "which runs as before"
            )
            raise InstallationError(
                f"{error}\nWent back to coldpin {self._machine.version}, {state}."
            ) from None
        for copy in copies:
            copy.unlink(missing_ok=True)

    def _started_again(self, unit: str) -> None:
        result = self._run(["systemctl", "restart", unit])
        if result.status != 0:
            journal = self._run(["journalctl", "-u", unit, "-n", "8", "-o", "cat", "--no-pager"])
            raise InstallationError(f"{unit} did not come up ready:\n{_indented(journal)}")

    def _copied_records(self) -> list[Path]:
        """Copy the records of every chamber that runs, whole while it writes."""
        copies = []
        for unit in self._machine.active:
            if not unit.startswith("coldpin@"):
                continue
            records = STATES / unit.removeprefix("coldpin@").removesuffix(".service") / RECORDS
            if not records.is_file():
                continue
            free = shutil.disk_usage(records.parent).free
            if free < 2 * records.stat().st_size:
                raise InstallationError(
                    f"{free // 1_000_000} MB free beside {records}: a copy of it is made before a "
                    "new version may convert it; free some room first. Nothing was changed."
                )
            copy = _copy_of(records)
            with (
                closing(sqlite3.connect(f"file:{records}?mode=ro", uri=True)) as source,
                closing(sqlite3.connect(copy)) as target,
            ):
                source.backup(target)
            copies.append(copy)
        return copies

    def _former_requests(self) -> list[Path]:
        """Return where releases up to 0.1.0 had the requests, of every chamber that runs."""
        return [
            STATES / unit.removeprefix("coldpin@").removesuffix(".service") / FORMER_REQUESTS
            for unit in self._machine.active
            if unit.startswith("coldpin@")
        ]

    def _go_back(self, copies: Iterable[Path], former: Iterable[Path]) -> list[str]:
        """Put everything back, start what ran, and return the units that did not come up."""
        for unit in self._machine.active:
            self._run(["systemctl", "stop", unit])
        for path, target in self._links.items():
            path.unlink(missing_ok=True)
            path.symlink_to(target)
        for path in (CURRENT, ON_PATH):
            if path not in self._links:
                path.unlink(missing_ok=True)
        for path, text in self._units.items():
            path.write_text(text, encoding="utf-8")
        for copy in copies:
            _put_back(copy)
        for path in former:
            moved = path.parent / REQUESTS_FOLDER / FORMER_REQUESTS
            if moved.is_file() and not path.exists():
                moved.rename(path)
        self._run(["systemctl", "daemon-reload"])
        down = []
        for unit in self._machine.active:
            result = self._run(["systemctl", "restart", unit])
            if result.status != 0:
                down.append(unit)
                self._say(f"{unit} did not come back either:\n{_indented(result)}")
        return down


def _copy_of(records: Path) -> Path:
    return records.with_name(f"{records.name}.before-upgrade")


def _version_of(database: Path, *, nobody_writes: bool = False) -> int:
    # without a writer no side files are made, which would be root's
    how = "immutable=1" if nobody_writes else "mode=ro"
    with closing(sqlite3.connect(f"file:{database}?{how}", uri=True)) as file:
        version: int = file.execute("PRAGMA user_version").fetchone()[0]
    return version


def _put_back(copy: Path) -> None:
    """Put the copied records back where the new version has converted them; else keep the newer."""
    records = copy.with_name(RECORDS)
    try:
        converted = _version_of(records) != _version_of(copy, nobody_writes=True)
    except SQLITE_ERRORS:
        converted = True
    if not converted:
        copy.unlink()
        return
    stat = records.stat() if records.exists() else copy.parent.stat()
    for tail in ("-wal", "-shm"):
        records.with_name(records.name + tail).unlink(missing_ok=True)
    copy.replace(records)
    shutil.chown(records, stat.st_uid, stat.st_gid)
    records.chmod(0o640)


def _indented(result: ProgramResult) -> str:
    return "\n".join(f"    {line}" for line in result.output.splitlines()[-8:])
