"""A tool that switches loads runs as the service does: its user, its sandbox, its last resort.

Where root calls it for an installed chamber, the service manager makes a unit for as long as the
tool lasts, with the settings of the chamber's own unit and the person's terminal. However the tool
ends, the unit's ExecStopPost= puts the loads off, as it does behind the service.

Source: systemd-run(1), --pty, --pipe, --wait and --property=; systemd.unit(5), specifiers.
"""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

from controller.domain.places import CONFIGURATIONS, named_state_directory
from controller.errors import BusyError, ControllerError, SettingsError
from controller.service.locks import instance_holder

INSIDE = "COLDPIN_TOOL_UNIT"
"""In the environment of a tool that such a unit runs."""
MANAGER = Path("/run/systemd/system")
OF_THE_SERVICE = frozenset({
    "Type", "NotifyAccess", "ExecStart", "ExecStartPre", "ExecStartPost", "ExecReload", "Restart",
    "RestartSec", "RestartPreventExitStatus", "TimeoutStartSec", "WatchdogSec", "StandardInput",
    "StandardOutput", "StandardError",
})  # fmt: skip
"""Settings of the unit that a tool with a terminal does not share."""


def run_in_unit(config: Path, tool: Sequence[str]) -> int | None:
    """Run a tool in a unit of its own and return its exit status.

    Args:
        config: The chamber's configuration.
        tool: The command and its options, without the configuration.

    Returns:
        None where there is nothing to be done: not root, no service manager, a chamber that is not
        installed, or inside such a unit already. The caller then runs the tool itself.

    Raises:
        SettingsError: This user may not write into the chamber's folder.
        BusyError: The chamber's service runs.
        ControllerError: The manager does not say what the chamber's unit is.
    """
    installed = config.absolute().parent == CONFIGURATIONS
    if INSIDE in os.environ or not installed:
        return None
    place = named_state_directory(config)
    if place.is_dir() and not os.access(place, os.W_OK):
        # before anything is switched: nothing that is answered, and no rest, could be kept
        problem = f"put sudo in front: {place} takes what you answer, and only its owner may write"
        raise SettingsError(str(config), (problem,))
    if os.geteuid() != 0 or not MANAGER.is_dir():
        return None
    manager = shutil.which("systemd-run")
    if manager is None:
        return None
    name = config.stem
    if (holder := instance_holder(place)) is not None:
        # before a unit is made: its last resort would switch off what the service switches
        raise BusyError(
            f"the service (pid {holder}) already controls this chamber; stop it first: "
            f"sudo systemctl stop coldpin@{name}. Nothing was touched"
        )
    text = _unit_text(name)
    if text is None:
        return None
    unit = f"coldpin-tool-{name}.service"
    streams = (sys.stdin, sys.stdout, sys.stderr)
    terminal = all(stream is not None and stream.isatty() for stream in streams)
    argv = [
        manager, "--quiet", "--collect", "--wait", "--pty" if terminal else "--pipe",
        f"--unit={unit}", f"--description=coldpin {tool[0]} {name}", f"--setenv={INSIDE}=1",
        *(f"--property={each}" for each in properties_of(text, name)),
        _program_of(text), tool[0], str(config), *tool[1:],
    ]  # fmt: skip
    try:
        return subprocess.run(argv, check=False).returncode  # noqa: S603 - our own words
    finally:  # an interrupted systemd-run leaves its unit running
        _systemctl("stop", unit)


def properties_of(text: str, name: str) -> list[str]:
    """Return the settings of a unit's [Service] section that a tool shares, as KEY=VALUE.

    Args:
        text: The unit and its drop-ins.
        name: The instance, for the specifiers.
    """
    return [
        f"{key}={value.replace('%i', name).replace('%t', '/run').replace('%%', '%')}"
        for key, value in _settings(text)
        if key not in OF_THE_SERVICE
    ]


def _settings(text: str) -> list[tuple[str, str]]:
    entries: list[tuple[str, str]] = []
    section = ""
    for line in text.splitlines():
        stripped = line.strip()
        if stripped.startswith("["):
            section = stripped
        elif section == "[Service]" and "=" in stripped and stripped[0] not in "#;":
            key, value = (each.strip() for each in stripped.split("=", 1))
            entries.append((key, value))
    return entries


def _program_of(text: str) -> str:
    starts = [value for key, value in _settings(text) if key == "ExecStart" and value]
    if not starts:
        raise ControllerError("found no ExecStart= in the chamber's unit: run the installer again")
    return shlex.split(starts[-1])[0]


def _unit_text(name: str) -> str | None:
    shown = _systemctl("cat", f"coldpin@{name}.service")
    return shown.stdout if shown.returncode == 0 else None


def _systemctl(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(  # noqa: S603 - our own words
        ["systemctl", *words],  # noqa: S607 - the person's path is root's here
        capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL,
    )  # fmt: skip
