"""``systemd/install``, ``coldpin install`` and ``coldpin uninstall``: say what they do, and do it.

    sudo systemd/install [--dry-run] [--write-boot-lines] [--watchdog] [--bulk-read]
    sudo systemd/install --uninstall [--dry-run]

It can be run again: what is in place is left alone, what is not is mended, and a newer version
takes the place of the one that runs.
"""

from __future__ import annotations

import argparse
import fcntl
import hashlib
import json
import os
import shutil
import sys
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import replace
from importlib import metadata
from pathlib import Path
from urllib.parse import unquote, urlsplit

from controller.commissioning.installation.actions import InstallationError, InstallStep
from controller.commissioning.installation.machine import (
    PROGRAMS,
    Machine,
    Runner,
    problems_of,
    read_machine,
    run_program,
)
from controller.commissioning.installation.steps import (
    COMPLETION,
    CURRENT,
    MANUAL_PAGE,
    USER,
    VERSIONS,
    Wanted,
    boot_step,
    comfort_step,
    folder_step,
    home_of,
    is_in_force,
    link_step,
    person_step,
    preparing_steps,
    removal_steps,
    rule_step,
    unit_step,
    watchdog_step,
)
from controller.commissioning.installation.upgrade import Upgrade
from controller.domain.places import CONFIGURATIONS, STATES
from controller.domain.supply import Supply
from controller.outputs.mains_rule import is_mains
from controller.records.sqlite_errors import SQLITE_ERRORS
from controller.settings.shipped import shipped_note

EX_USAGE, EX_UNAVAILABLE, EX_CONFIG = os.EX_USAGE, os.EX_UNAVAILABLE, os.EX_CONFIG
LOCK = "/run/lock/coldpin-install"
FULL_BELOW = 30_000_000
"""Less than this left free, and what failed failed by it, most likely [bytes]."""
CAUTIONS = f"""\
  A load of this chamber runs on mains voltage. The installation stops here.
  - Mains wiring is work for a licensed electrician under your local code, which comes before
    anything written by us.
  - A residual-current device, a fuse and an enclosure for a wet place must be there before a relay.
  - coldpin drives such a load only through a relay module that you recorded from its nameplate.
  Read {shipped_note("cautions.md")}, then run this again with --mains-is-wired."""


def main(arguments: Sequence[str] | None = None, run: Runner = run_program) -> int:
    """Install or remove, and return an exit status of sysexits(3).

    Args:
        arguments: What stands behind the command; None: the process's own.
        run: Runs programs.
    """
    asked = _parsed(arguments)
    machine = read_machine(run)
    _say(f"This machine: {machine.model or machine.processor}, {machine.release}")
    problems = problems_of(machine, removal=asked.uninstall)
    if problems:
        done = "removed" if asked.uninstall else "installed"
        _say(f"coldpin cannot be {done} here as it stands, and nothing was changed:")
        for problem in problems:
            _say(f"  {problem}")
        if not asked.dry_run:
            return EX_UNAVAILABLE
    os.umask(0o022)
    try:
        with _alone(dry=asked.dry_run):
            if asked.uninstall:
                return _uninstall(machine, run, dry=asked.dry_run)
            return _install(machine, _wanted(asked), run, asked)
    except InstallationError as error:
        _say(f"\nStopped: {error}")
        _say(_no_room_left())
        return EX_UNAVAILABLE
    except (OSError, *SQLITE_ERRORS) as error:  # a full or broken medium, most of all
        _say(f"\nStopped: {error}. Mend that and run this again: it goes on where it stopped.")
        return EX_UNAVAILABLE


def _no_room_left(folder: Path = PROGRAMS.parent) -> str:
    """Say that the disk is full, which programs that fail by it seldom say; else nothing."""
    free = shutil.disk_usage(next(p for p in (folder, *folder.parents) if p.exists())).free
    if free >= FULL_BELOW:
        return ""
    return f"The disk is full: {free // 1_000_000} MB free in {folder}. Free some room first."


def _parsed(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="install",
        description="Install coldpin as a service, or bring it to this version; run it as often "
        "as you like.",
    )
    parser.add_argument("--dry-run", action="store_true", help="only print what it would do")
    parser.add_argument(
        "--uninstall",
        action="store_true",
        help="outputs off, then take all away but configurations and records",
    )
    parser.add_argument(
        "--write-boot-lines",
        action="store_true",
        help="add what the boot settings lack (a copy is kept)",
    )
    parser.add_argument(
        "--watchdog", action="store_true", help="have the hardware restart a hung machine"
    )
    parser.add_argument(
        "--bulk-read",
        action="store_true",
        help="let the service start one conversion for a whole probe bus",
    )
    parser.add_argument(
        "--mains-is-wired",
        action="store_true",
        help="a licensed electrician has wired the mains loads",
    )
    parser.add_argument(
        "--wheel",
        type=Path,
        metavar="FILE",
        help="install this wheel; default: what this program came from",
    )
    return parser.parse_args(arguments)  # fmt: skip


def _wanted(asked: argparse.Namespace) -> Wanted:
    """Return what is to be installed, and where its files are.

    Raises:
        InstallationError: It is not known what to install.
    """
    package = Path(__file__).parents[2]
    project = package.parent / "pyproject.toml"
    shipped = next(
        (path for path in (package / "systemd", package.parent / "systemd") if path.is_dir()), None
    )
    if shipped is None:
        raise InstallationError("the folder systemd is missing: use a whole clone or a wheel")
    source: Path | None = asked.wheel
    version = ""
    if source is None and project.is_file():
        source = project.parent
        version = tomllib.loads(project.read_text(encoding="utf-8"))["project"]["version"]
    elif source is None:
        source = _own_wheel()
    is_wheel = source is not None and source.is_file() and source.name.count("-") >= 2
    if source is None or not (version or is_wheel):
        raise InstallationError(
            f"found no wheel to install{f' at {source}' if source else ''}; "
            "name it: coldpin install --wheel coldpin-VERSION-py3-none-any.whl"
        )
    return Wanted(
        source=source.resolve(),
        version=version or source.name.split("-")[1],
        build=_build_of(source),
        shipped=shipped,
        lock=shipped / "requirements.lock",
        write_boot_lines=asked.write_boot_lines,
        watchdog=asked.watchdog,
        bulk_read=asked.bulk_read,
    )


def _build_of(source: Path) -> str:
    """Return a short sum of what a source consists of: a clone's version may stand still."""
    parts = [source]
    if source.is_dir():
        folders = (source / name for name in ("controller", "systemd", "config", "hardware-notes"))
        parts = [path for folder in folders for path in sorted(folder.rglob("*"))]
        parts.append(source / "pyproject.toml")
    digest = hashlib.sha256()
    for path in parts:
        if path.is_file() and "__pycache__" not in path.parts:
            digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()[:8]


def _own_wheel() -> Path | None:
    """Return the file that this program was installed from, where pip noted it and it is there."""
    try:
        noted = metadata.distribution("coldpin").read_text("direct_url.json")
    except metadata.PackageNotFoundError:
        return None
    url = urlsplit(json.loads(noted)["url"]) if noted else None
    return Path(unquote(url.path)) if url is not None and url.scheme == "file" else None


class _alone:  # noqa: N801 - used as a function
    """Let only one installation run at a time.

    What it starts holds the lock too: an installation that was killed may leave pip at work, and
    two of them would write into one folder.
    """

    def __init__(self, *, dry: bool) -> None:
        self._dry = dry
        self._file: int | None = None

    def __enter__(self) -> None:
        if self._dry:
            return
        self._file = os.open(LOCK, os.O_RDWR | os.O_CREAT, 0o600)
        os.set_inheritable(self._file, True)
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(self._file)
            raise InstallationError(
                "another installation runs; wait for its end, then run this again"
            ) from None

    def __exit__(self, *_: object) -> None:
        if self._file is not None:
            os.close(self._file)


def _install(machine: Machine, wanted: Wanted, run: Runner, asked: argparse.Namespace) -> int:
    dry = asked.dry_run
    before = f" (now: {machine.version})" if machine.version else ""
    _say(f"{'Would install' if dry else 'Installing'} coldpin {wanted.version}{before}\n")
    configurations = _configurations(machine)
    if _has_mains(configurations) and not asked.mains_is_wired:
        _say(CAUTIONS)
        if not dry:
            return EX_CONFIG
    in_force, former = is_in_force(wanted), CURRENT.resolve()
    _take(preparing_steps(machine, wanted), run, dry=dry)
    _take([folder_step(machine), rule_step(machine, wanted)], run, dry=dry)
    if not dry:
        _judge(machine, wanted, run)
    changing = [unit_step(wanted), link_step(wanted, in_force=in_force)]
    if dry:
        _take(changing, run, dry=True)
        _say("\n".join(f"  would restart {unit}" for unit in machine.active))
    else:
        for step in changing:
            _say(f"  {step.title}")
        if any(step.actions for step in changing):
            Upgrade(machine, run, _say).do(changing)
    texts = {} if dry else _comfort(wanted, run)
    rest = [comfort_step(texts), person_step(machine), boot_step(machine, wanted, configurations),
            watchdog_step(machine, wanted)]  # fmt: skip
    _take(rest, run, dry=dry)
    if not dry:
        _remove_old_versions({home_of(wanted), former})
        _say_what_next(replace(machine, version=wanted.version))
    return 0


def _uninstall(machine: Machine, run: Runner, *, dry: bool) -> int:
    _say("Would remove coldpin\n" if dry else "Removing coldpin\n")
    _take(removal_steps(machine), run, dry=dry)
    return 0


def _take(steps: Iterable[InstallStep], run: Runner, *, dry: bool) -> None:
    for step in steps:
        _say(f"  {step.title}")
        for action in step.actions:
            if dry:
                _say(f"      {action.shown()}")
            else:
                action.do(run)


def _configurations(machine: Machine) -> list[str]:
    texts = []
    for name in machine.instances:
        try:
            texts.append((CONFIGURATIONS / f"{name}.toml").read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError):
            continue  # `coldpin check` says what is wrong with it
    return texts


def _judge(machine: Machine, wanted: Wanted, run: Runner) -> None:
    """Let the new version judge every configuration before it takes over.

    Raises:
        InstallationError: It refuses one.
    """
    program = home_of(wanted) / "bin/coldpin"
    for name in machine.instances:
        path = CONFIGURATIONS / f"{name}.toml"
        result = run(["runuser", "-u", USER, "--", str(program), "check", str(path)])
        if result.status == EX_CONFIG:
            raise InstallationError(
                f"coldpin {wanted.version} cannot use {path}:\n{result.output}"
                "Mend it and run this again. What ran runs on, as it was."
            )


def _has_mains(configurations: Iterable[str]) -> bool:
    for text in configurations:
        try:
            loads = tomllib.loads(text).get("loads", {})
        except tomllib.TOMLDecodeError:
            continue
        for load in loads.values() if isinstance(loads, dict) else ():
            supply = load.get("supply") if isinstance(load, dict) else None
            try:
                if isinstance(supply, str) and is_mains(Supply.parse(supply)):
                    return True
            except ValueError:
                continue
    return False


def _comfort(wanted: Wanted, run: Runner) -> dict[Path, str]:
    home = home_of(wanted)
    texts = {}
    for path, argv in (
        (COMPLETION, ["env", "_COLDPIN_COMPLETE=bash_source", f"{home}/bin/coldpin"]),
        (
            MANUAL_PAGE,
            [f"{home}/bin/python", "-m", "controller.cli.manual_page"],
        ),
    ):
        result = run(argv)
        texts[path] = result.output if result.status == 0 else ""
    return texts


def _remove_old_versions(kept: set[Path]) -> None:
    """Keep the version in force and the one before it; take the rest and half-made ones away."""
    for folder in VERSIONS.iterdir() if VERSIONS.is_dir() else ():
        if folder not in kept:
            shutil.rmtree(folder, ignore_errors=True)


def _say_what_next(machine: Machine) -> None:
    _say(f"\ncoldpin {machine.version} is in {PROGRAMS}; `coldpin --help` lists its commands.")
    if not machine.instances:
        _say(
            "Next, with the loads unplugged from their supply, describe your chamber:\n"
            f"  sudo coldpin new --wire {CONFIGURATIONS}/loft.toml      (loft: any name of yours)\n"
            "Then try it, step by step; at its end this starts the service and the page:\n"
            "  sudo coldpin first-run loft"
        )
    for name in machine.instances:
        unit = f"coldpin@{name}"
        if f"{unit}.service" in machine.active:
            _say(f"{name}: running, {STATES / name} as it was.")
        else:
            _say(f"{name}: not running. sudo systemctl enable --now {unit} coldpin-lookout@{name}")
    _say_what_lacks(machine)


def _say_what_lacks(machine: Machine) -> None:
    if not machine.gpio_chips:
        _say(
            "No GPIO chip here (/dev/gpiochip*): relays on pins cannot be switched, "
            'and the service of a configuration with driver = "gpio" ends with status 69.'
        )
    if not machine.has_one_wire:
        _say("The probes' bus is not there yet: it takes the boot lines above, and a reboot.")


def _say(text: str) -> None:
    if text:
        print(text, flush=True)  # noqa: T201 - a person runs this


if __name__ == "__main__":
    sys.exit(main())
