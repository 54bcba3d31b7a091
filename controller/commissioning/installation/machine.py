"""What this machine is and has, as far as an installation must know it."""

from __future__ import annotations

import os
import platform
import shutil
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from controller.domain.places import CONFIGURATIONS, configurations_in

PROGRAMS = Path("/opt/coldpin")
"""Where the program lives: outside home folders, which its service cannot see."""
UNITS = Path("/etc/systemd/system")
BOOT_SETTINGS = Path("/boot/firmware/config.txt")
ONE_WIRE_BUS = Path("/sys/bus/w1/devices")
OLDEST_PYTHON = (3, 11)
OLDEST_SYSTEMD = 252
ROOM_MB = 400
"""What a new version takes, packages and downloads included, with some to spare [MB]."""
PROCESSORS = ("aarch64", "armv7l", "x86_64")
"""Processors that the packages have ready-made wheels for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProgramResult:
    """What a program said and how it ended."""

    status: int
    output: str = ""


Runner = Callable[[Sequence[str]], ProgramResult]
"""Runs a program and waits for it; never raises because of how it ends."""


def run_program(argv: Sequence[str]) -> ProgramResult:
    """Run a program in a fixed environment; 127 where there is none of that name."""
    environment = {
        "PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
        "LANG": "C.UTF-8",
        "HOME": "/root",
        "DEBIAN_FRONTEND": "noninteractive",
    }
    try:
        ended = subprocess.run(  # noqa: S603 - no shell; every word is ours or a checked name
            list(argv),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            errors="replace",
            check=False,
            env=environment,
            cwd="/",
            close_fds=False,  # the lock of the installation lasts as long as what it started
        )
    except OSError as error:
        return ProgramResult(status=127, output=str(error))
    return ProgramResult(status=ended.returncode, output=ended.stdout)


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """One machine; every path in it is absolute."""

    is_root: bool
    person: str | None
    """Who called sudo; None: nobody, or root itself."""
    model: str
    """As the board calls itself; empty where it does not."""
    release: str
    """The system's own name, such as ``Debian GNU/Linux 12 (bookworm)``."""
    is_raspberry_os: bool
    processor: str
    python: tuple[int, int]
    systemd: int | None
    """Its version; None: it does not run here."""
    packages: frozenset[str]
    """Which of the packages that matter are installed."""
    offered: frozenset[str]
    """Which of them the system's archive knows."""
    free_mb: int
    """Room where the program goes [MB]."""
    gpio_chips: tuple[str, ...]
    has_one_wire: bool
    boot_settings: str | None
    """Text of the boot settings; None: there is no such file."""
    watchdog: str
    """``RuntimeWatchdogSec=`` in force; ``0`` or ``off``: none."""
    instances: tuple[str, ...]
    """Chambers with a configuration here."""
    active: tuple[str, ...]
    """Units of ours that run now."""
    version: str | None
    """Which version is installed; None: none."""


WANTED_PACKAGES = ("python3-venv", "python3-lgpio")


def read_machine(run: Runner = run_program, root: Path = Path("/")) -> Machine:
    """Return what this machine is and has; nothing is changed.

    Args:
        run: Runs programs.
        root: Where the file system begins; a folder made up for a test.
    """

    def at(path: Path) -> Path:
        return root / path.relative_to("/")

    def text(path: str) -> str:
        try:
            return at(Path(path)).read_text(encoding="utf-8", errors="replace").rstrip("\0\n")
        except OSError:
            return ""

    boot = at(BOOT_SETTINGS)
    release = dict(
        line.split("=", 1) for line in text("/etc/os-release").splitlines() if "=" in line
    )
    programs = at(PROGRAMS)
    existing = next(path for path in (programs, *programs.parents) if path.exists())
    return Machine(
        is_root=os.geteuid() == 0,
        person=_person(),
        model=text("/proc/device-tree/model"),
        release=release.get("PRETTY_NAME", "unknown system").strip('"'),
        is_raspberry_os=at(Path("/etc/rpi-issue")).exists(),
        processor=platform.machine(),
        python=sys.version_info[:2],
        systemd=_systemd_version(run),
        packages=frozenset(
            name
            for name in WANTED_PACKAGES
            if "ok installed" in run(["dpkg-query", "-W", "-f=${Status}", name]).output
        ),
        offered=frozenset(
            name
            for name in WANTED_PACKAGES
            if "Package:" in run(["apt-cache", "show", name]).output
        ),
        free_mb=shutil.disk_usage(existing).free // 1_000_000,
        gpio_chips=tuple(sorted(path.name for path in at(Path("/dev")).glob("gpiochip*"))),
        has_one_wire=at(ONE_WIRE_BUS).is_dir(),
        boot_settings=boot.read_text(encoding="utf-8") if boot.is_file() else None,
        watchdog=run(["systemctl", "show", "-P", "RuntimeWatchdogUSec"]).output.strip() or "0",
        instances=tuple(path.stem for path in configurations_in(at(CONFIGURATIONS))),
        active=_active_units(run),
        version=_installed_version(run, programs),
    )


def _person() -> str | None:
    name = os.environ.get("SUDO_USER", "")
    return None if name in {"", "root"} else name


def _systemd_version(run: Runner) -> int | None:
    if not Path("/run/systemd/system").is_dir():
        return None
    words = run(["systemctl", "--version"]).output.split()
    return int(words[1]) if len(words) > 1 and words[1].isdigit() else None


def _active_units(run: Runner) -> tuple[str, ...]:
    listed = run([
        "systemctl", "list-units", "--plain", "--no-legend", "--state=active,activating",
        "coldpin@*.service", "coldpin-lookout@*.service",
    ])  # fmt: skip
    if listed.status != 0:
        return ()
    names = (line.split()[0] for line in listed.output.splitlines() if line.split())
    return tuple(sorted(name for name in names if name.startswith("coldpin")))


def _installed_version(run: Runner, programs: Path) -> str | None:
    for program in (programs / "current/bin/coldpin", programs / "bin/coldpin"):
        if program.exists():
            ran = run([str(program), "--version"])
            first = ran.output.partition("\n")[0]  # the others say which version runs
            return first.split()[-1] if ran.status == 0 and first.split() else "unknown"
    return None


def problems_of(machine: Machine, *, removal: bool = False) -> list[str]:
    """Return what stands against an installation or a removal here, each with what to do.

    Args:
        machine: What it has.
        removal: Whether coldpin is to be removed, which takes no room and no newer system.
    """
    problems = []
    if not machine.is_root:
        problems.append("not root: run it again with sudo in front")
    if machine.systemd is None:
        needs = "there is no service to remove" if removal else "coldpin's service needs it"
        problems.append(f"no systemd here: {needs}")
    if removal:
        return problems
    if machine.systemd is not None and machine.systemd < OLDEST_SYSTEMD:
        problems.append(
            f"systemd {machine.systemd} is too old, {OLDEST_SYSTEMD} is the least: "
            "use Raspberry Pi OS bookworm or later"
        )
    if machine.python < OLDEST_PYTHON:
        python = ".".join(map(str, machine.python))
        problems.append(
            f"Python {python} is too old, 3.11 is the least: use Raspberry Pi OS bookworm or later"
        )
    if machine.processor not in PROCESSORS:
        problems.append(
            f"processor {machine.processor}: allowed: {', '.join(PROCESSORS)}, since the packages "
            "have no ready-made files for others"
        )
    if machine.free_mb < ROOM_MB:
        problems.append(
            f"{machine.free_mb} MB free where {PROGRAMS} is, {ROOM_MB} MB are needed: "
            "free some room first (sudo apt clean is a start)"
        )
    return problems
