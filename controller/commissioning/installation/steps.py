"""The steps of an installation and of a removal, from what the machine has and what was asked for.

Each step says what it is for; a step that has nothing to do stays in the list and says so, so that
a second run shows what is in place.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from controller.commissioning.installation.actions import (
    Action,
    Command,
    Folder,
    InstallStep,
    Link,
    Own,
    Remove,
    Write,
    unchanged,
)
from controller.commissioning.installation.boot_lines import (
    missing_lines,
    pins_of,
    probe_pin_of,
    with_lines,
)
from controller.commissioning.installation.machine import (
    BOOT_SETTINGS,
    PROGRAMS,
    UNITS,
    WANTED_PACKAGES,
    Machine,
)
from controller.domain.places import CONFIGURATIONS, REQUESTS_FOLDER, STATE_MODE, STATES

USER = "coldpin"
CURRENT = PROGRAMS / "current"
VERSIONS = PROGRAMS / "versions"
ON_PATH = Path("/usr/local/bin/coldpin")
COMPLETION = Path("/usr/local/share/bash-completion/completions/coldpin")
MANUAL_PAGE = Path("/usr/local/share/man/man1/coldpin.1")
SYSUSERS = Path("/etc/sysusers.d/coldpin.conf")
RULES = Path("/etc/udev/rules.d")
WATCHDOG = Path("/etc/systemd/system.conf.d/coldpin-watchdog.conf")
WATCHDOG_TEXT = """\
[Manager]
# The Pi's own watchdog; above 15 s its counter wraps round.
RuntimeWatchdogSec=14s
"""
BUILD_LOCK, LGPIO_LOCK = "build.lock", "lgpio.lock"
"""Beside the lock of what the program needs: what makes a package of a clone, and lgpio for a
system that has no package of it."""
OWN_UNITS = ("coldpin@.service", "coldpin-lookout@.service")
COMPLETE = ".complete"
"""Made last in a version's folder: a folder without it was left by an installation cut short."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What the person asked for."""

    source: Path
    """The clone's top, or a wheel."""
    version: str
    shipped: Path
    """Folder with the units and rules that come with this version."""
    lock: Path
    """Requirements with their hashes."""
    build: str = ""
    """Tells two sources of one version apart, as a clone before and after new commits."""
    write_boot_lines: bool = False
    watchdog: bool = False
    bulk_read: bool = False


def home_of(wanted: Wanted) -> Path:
    """Return the folder of what is to be installed."""
    return VERSIONS / (f"{wanted.version}-{wanted.build}" if wanted.build else wanted.version)


def is_in_force(wanted: Wanted) -> bool:
    """Return whether exactly this is installed, whole, and the one that runs."""
    home = home_of(wanted)
    return (
        (home / COMPLETE).exists()
        and CURRENT.is_symlink()
        and CURRENT.readlink() == home
        and ON_PATH.exists()
    )


def preparing_steps(machine: Machine, wanted: Wanted) -> Iterator[InstallStep]:
    """Yield everything up to the new version standing ready beside the one that runs.

    Nothing here touches what runs; an installation cut short leaves the old version in force.
    """
    missing = [name for name in WANTED_PACKAGES if name not in machine.packages]
    offered = [name for name in missing if name in machine.offered]
    unknown = [name for name in missing if name not in offered]
    title = f"System packages: {', '.join(offered) or ('none' if unknown else 'all there')}"
    if unknown:
        title += (
            f" (not in the package lists: {', '.join(unknown)}; sudo apt update refreshes them)"
        )
    if takes_lgpio_from_pypi(machine):
        title += "; lgpio comes with the program's packages then"
    yield InstallStep(
        title=title,
        actions=[
            Command(
                argv=("apt-get", "install", "-y", "-q", "--no-install-recommends", *offered),
                or_else="This takes a network: is this machine on it?",
            )
        ]
        if offered
        else [],
    )
    text = (wanted.shipped / "coldpin.sysusers.conf").read_text(encoding="utf-8")
    yield InstallStep(
        title=f"User {USER} and the groups {USER} and gpio",
        actions=[Write(path=SYSUSERS, text=text), Command(argv=("systemd-sysusers",))],
    )
    yield _program(machine, wanted)


def takes_lgpio_from_pypi(machine: Machine) -> bool:
    """Return whether lgpio comes from PyPI: no package of it, and lines that it may be needed for.

    A PC without a GPIO chip needs none; a board may get its chip's driver later.
    """
    if "python3-lgpio" in machine.packages | machine.offered:
        return False
    return bool(machine.gpio_chips) or machine.processor != "x86_64"


def _program(machine: Machine, wanted: Wanted) -> InstallStep:
    home = home_of(wanted)
    title = f"Program: coldpin {wanted.version} in {home}"
    if is_in_force(wanted):
        return InstallStep(title=f"{title}, there already")
    python = str(home / "bin/python")
    pip = (python, "-m", "pip", "install", "-q", "--disable-pip-version-check", "--no-cache-dir")
    network = (
        "The program's packages come from the network: is this machine on it? What ran before runs "
        "on; run this again, and it begins this version anew."
    )
    actions: list[Action] = [
        Remove(path=home),
        Folder(path=VERSIONS, mode=0o755),
        Command(argv=("python3", "-m", "venv", "--system-site-packages", str(home))),
        Command(
            argv=(*pip, "--require-hashes", "--ignore-installed", "-r", str(wanted.lock)),
            or_else=network,
        ),
        *_own_package(wanted, home, pip, network),
    ]
    if takes_lgpio_from_pypi(machine):
        lock = str(wanted.shipped / LGPIO_LOCK)
        build = (
            "lgpio is not in the system's package lists, and PyPI has no ready-made file of it for "
            "every Python and processor. Run sudo apt update and this again; where that changes "
            "nothing, let it be built: sudo apt install swig gcc python3-dev, then this again."
        )
        actions.append(
            Command(
                argv=(*pip, "--require-hashes", "--no-build-isolation", "-r", lock), or_else=build
            )
        )
    actions += [
        Command(argv=(str(home / "bin/coldpin"), "--version")),
        Command(argv=("chmod", "-R", "a+rX,go-w", str(home))),
        Write(path=home / COMPLETE, text=f"{wanted.version}\n"),
    ]
    return InstallStep(title=title, actions=actions)


def _own_package(
    wanted: Wanted, home: Path, pip: tuple[str, ...], network: str
) -> Iterator[Action]:
    """Yield what installs our own package; what makes one of a clone is checked by hashes too."""
    if not wanted.source.is_dir():
        yield Command(argv=(*pip, "--no-deps", str(wanted.source)))
        return
    tools, lock = home / "build-tools", str(wanted.shipped / BUILD_LOCK)
    yield Command(
        argv=(*pip, "--require-hashes", "--target", str(tools), "-r", lock), or_else=network
    )
    yield Command(
        argv=("env", f"PYTHONPATH={tools}", *pip, "--no-deps", "--no-build-isolation",
              str(wanted.source))
    )  # fmt: skip
    yield Remove(path=tools)


def folder_step(machine: Machine) -> InstallStep:
    """Return the step that makes the folders and mends what a command run as root left behind."""
    actions: list[Action] = [
        Folder(path=CONFIGURATIONS, mode=0o755),
        Folder(path=STATES, mode=0o755, owner=USER, group=USER),
    ]
    for name in machine.instances:
        actions += [
            Command(argv=("chgrp", USER, str(CONFIGURATIONS / f"{name}.toml"))),
            Command(argv=("chmod", "u=rw,g=r,o=", str(CONFIGURATIONS / f"{name}.toml"))),
            Folder(path=STATES / name, mode=STATE_MODE, owner=USER, group=USER),
            Own(path=STATES / name, owner=USER),
            Folder(path=STATES / name / REQUESTS_FOLDER, mode=0o2770, owner=USER, group=USER),
        ]
    chambers = f", chambers: {', '.join(machine.instances)}" if machine.instances else ""
    return InstallStep(title=f"Folders {CONFIGURATIONS} and {STATES}{chambers}", actions=actions)


def rule_step(machine: Machine, wanted: Wanted) -> InstallStep:
    """Return the step that gives pins and probes to the service, as far as the system does not.

    The rules are put in force each time: an installation cut short may have left them written only.
    """
    names = []
    if not machine.is_raspberry_os:  # there the system's own rule gives the pins to the group
        names.append("60-coldpin-gpio.rules")
    if wanted.bulk_read:
        names.append("61-coldpin-one-wire.rules")
    if not names:
        return InstallStep(title="Rules for pins: the system's own")
    return InstallStep(
        title="Rules for pins and probes: " + ", ".join(names),
        actions=[
            *_changed({RULES / name: wanted.shipped / name for name in names}),
            Command(argv=("udevadm", "control", "--reload")),
            Command(argv=("udevadm", "trigger", "--subsystem-match=gpio", "--action=add")),
        ],
    )


def unit_step(wanted: Wanted) -> InstallStep:
    """Return the step that puts the units in place."""
    files = {UNITS / name: wanted.shipped / name for name in OWN_UNITS}
    if wanted.bulk_read:
        files[UNITS / "coldpin@.service.d/bulk-read.conf"] = wanted.shipped / "bulk-read.conf"
    changed = _changed(files)
    reload = [Command(argv=("systemctl", "daemon-reload"))] if changed else []
    return InstallStep(
        title="Units" + ("" if changed else ", there already"), actions=[*changed, *reload]
    )


def _changed(files: dict[Path, Path]) -> list[Write]:
    """Return the writing of those files whose sources say something else."""
    texts = {path: source.read_text(encoding="utf-8") for path, source in files.items()}
    return [
        Write(path=path, text=text) for path, text in texts.items() if not unchanged(path, text)
    ]


def link_step(wanted: Wanted, *, in_force: bool) -> InstallStep:
    """Return the step after which `coldpin` is this version.

    Args:
        wanted: What is to be installed.
        in_force: Whether it was so before any step was taken.
    """
    if in_force:
        return InstallStep(title=f"coldpin {wanted.version} on the path, there already")
    return InstallStep(
        title=f"coldpin {wanted.version} on the path",
        actions=[
            Link(path=CURRENT, target=home_of(wanted)),
            Link(path=ON_PATH, target=CURRENT / "bin/coldpin"),
        ],
    )


def comfort_step(run_output: dict[Path, str]) -> InstallStep:
    """Return the step for completion in the shell and the manual page.

    Args:
        run_output: Their texts by path, as the installed program printed them.
    """
    return InstallStep(
        title="Completion in the shell, and the manual page (man coldpin)",
        actions=[Write(path=path, text=text) for path, text in run_output.items() if text],
    )


def person_step(machine: Machine) -> InstallStep:
    """Return the step that lets the person read and ask without sudo."""
    if machine.person is None:
        return InstallStep(title="No user joins the group coldpin, since sudo was not used")
    return InstallStep(
        title=f"{machine.person} may use status, swap, pause and ack without sudo "
        f"(group {USER}; takes effect at the next login)",
        actions=[Command(argv=("usermod", "-aG", USER, machine.person))],
    )


def boot_step(machine: Machine, wanted: Wanted, configurations: list[str]) -> InstallStep:
    """Return the step about the boot settings: proposed, and written only when asked for."""
    if machine.boot_settings is None:
        return InstallStep(
            title=f"No {BOOT_SETTINGS} here: probes' bus and pin levels at boot are yours to see to"
        )
    pins = sorted({pin for text in configurations for pin in pins_of(text)}, key=lambda p: p.number)
    buses = {pin for text in configurations if (pin := probe_pin_of(text)) is not None}
    lines = missing_lines(machine.boot_settings, pins, buses)
    if not lines:
        return InstallStep(title="Boot settings: probes' bus and pin levels are set")
    shown = "".join(f"\n      {line}" for line in lines)
    if not wanted.write_boot_lines:
        return InstallStep(
            title=f"Boot settings lack these lines, under [all] in {BOOT_SETTINGS}:{shown}\n"
            "    Run this again with --write-boot-lines, or add them yourself; then reboot."
        )
    return InstallStep(
        title=f"Boot settings (the file before is kept beside it; reboot afterwards):{shown}",
        actions=[
            Write(path=Path(f"{BOOT_SETTINGS}.before-coldpin"), text=machine.boot_settings,
                  mode=0o755),
            Write(path=BOOT_SETTINGS, text=with_lines(machine.boot_settings, lines), mode=0o755),
        ],
    )  # fmt: skip


def watchdog_step(machine: Machine, wanted: Wanted) -> InstallStep:
    """Return the step about the hardware watchdog."""
    if machine.watchdog not in {"0", "off", "infinity"}:
        return InstallStep(title=f"Hardware watchdog: {machine.watchdog}")
    if not wanted.watchdog:
        return InstallStep(
            title="Hardware watchdog: off (run this again with --watchdog to set it)"
        )
    return InstallStep(
        title="Hardware watchdog: 14 s, from the next boot on",
        actions=[Write(path=WATCHDOG, text=WATCHDOG_TEXT)],
    )


def removal_steps(machine: Machine, root: Path = Path("/")) -> Iterator[InstallStep]:
    """Yield what takes the program away; configuration and records stay.

    Args:
        machine: What the machine has.
        root: Where the file system begins; a folder made up for a test.
    """
    units = sorted(
        set(machine.active)
        | {f"{kind}@{name}.service" for name in machine.instances
           for kind in ("coldpin", "coldpin-lookout")}
    )  # fmt: skip
    yield InstallStep(
        title="Services stopped, and no longer started at boot",
        actions=[Command(argv=("systemctl", "disable", "--now", unit)) for unit in units],
    )
    yield InstallStep(
        title="Outputs off",
        actions=[
            Command(
                argv=("runuser", "-u", USER, "--", str(ON_PATH), "off",
                      str(CONFIGURATIONS / f"{name}.toml")),
                or_else=f"The outputs of {name} may be on: pull the plug of its pump's supply.",
            )
            for name in machine.instances
        ]
        if machine.version
        else [],
    )  # fmt: skip
    yield InstallStep(
        title="Units, rules, program",
        actions=[
            *(Remove(path=UNITS / name) for name in OWN_UNITS),
            *(Remove(path=UNITS / f"{name}.d") for name in OWN_UNITS),
            *(Remove(path=UNITS / f"{unit}.d") for unit in units),
            *(Remove(path=RULES / f"{rules}.rules")
              for rules in ("60-coldpin-gpio", "61-coldpin-one-wire")),
            *(Remove(path=path) for path in (SYSUSERS, WATCHDOG, COMPLETION, MANUAL_PAGE, ON_PATH)),
            Remove(path=PROGRAMS),
            Command(argv=("systemctl", "daemon-reload")),
            Command(argv=("systemctl", "reset-failed")),
        ],
    )  # fmt: skip
    kept = [str(folder) for folder in (CONFIGURATIONS, STATES)
            if (root / folder.relative_to("/")).exists()]  # fmt: skip
    yield InstallStep(
        title=(
            f"Kept: {' and '.join(kept)}, and the user {USER}, whose files they are; "
            if kept
            else f"Kept: the user {USER}; "
        )
        + "the lines in the boot settings, for as long as a relay hangs on those pins"
    )
