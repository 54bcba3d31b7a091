"""Who publishes: the instance, the machine it runs on, and whether its plant is a real one.

The configuration's name alone is no identity: a copy of it on a laptop, or a cloned card in another
Pi, would push the real one off the broker and publish over its values.
"""

from __future__ import annotations

import hashlib
import socket
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from controller.settings.load import Settings

_MACHINE_ID = Path("/etc/machine-id")
_SERIAL = Path("/proc/device-tree/serial-number")
_INTERFACES = Path("/sys/class/net")


class RunMode(Enum):
    """What is behind the values."""

    LIVE = "live"
    """Real probes and real relays."""
    DRY = "dry"
    """Real probes; no relay is switched."""
    SIMULATED = "simulated"
    """The temperatures are made up or recorded."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """Who publishes."""

    instance: str
    """The configuration's name, as its state directory has it, but for what no topic may hold."""
    machine: str
    """Short name of the machine, the same after every start, another on every board."""
    mode: RunMode

    @property
    def client_id(self) -> str:
        """By which the broker knows the connection."""
        return f"coldpin-{self.instance}-{self.machine}-{self.mode.value}"

    @property
    def is_retained(self) -> bool:
        """Whether the broker keeps documents: values that are not real are never kept."""
        return self.mode is RunMode.LIVE

    def prefix(self, configured: str) -> str:
        """Return what every topic begins with: a prefix of their own for values that are not real.

        Args:
            configured: ``[mqtt] topic``.
        """
        return configured if self.mode is RunMode.LIVE else f"{configured}-{self.mode.value}"


def identity_of(settings: Settings, instance: str) -> Identity:
    """Return who this process is on a broker.

    Args:
        settings: The configuration.
        instance: Its name.
    """
    return Identity(instance=_topic_level(instance), machine=machine_name(), mode=mode_of(settings))


def _topic_level(name: str) -> str:
    """Return a file's name as it may stand in a topic; a broker ends the session for any other.

    Source:
        MQTT 5, sections 1.5.4 and 4.7: wildcards, the separator, half and control characters.
    """
    return "".join(c if c.isprintable() and c not in "+#/" else "-" for c in name)


def mode_of(settings: Settings) -> RunMode:
    """Return what is behind the values of a configuration."""
    probes = (settings.probes.air, settings.probes.reservoir)
    if any(probe.kind != "one-wire" for probe in probes):
        return RunMode.SIMULATED
    if all(load.driver == "dry" for load in settings.loads.each().values()):
        return RunMode.DRY
    return RunMode.LIVE


def machine_name(
    machine_id: Path = _MACHINE_ID, serial: Path = _SERIAL, interfaces: Path = _INTERFACES
) -> str:
    """Return a short name of this machine that a cloned card does not take along.

    The machine id is on the card; the board's serial number, or else the hardware address of a
    network interface, is not. Only a hash is published (machine-id(5) asks for that).

    Args:
        machine_id: Where the system keeps its id.
        serial: Where the kernel shows the board's serial number.
        interfaces: Where the kernel lists network interfaces.
    """
    board = _text(serial) or next(
        (
            _text(interface / "address")
            for interface in _sorted(interfaces)
            if (interface / "device").exists()  # a piece of hardware, no bridge or loopback
        ),
        "",
    )
    parts = (_text(machine_id), board)
    known = "\n".join(parts) if any(parts) else socket.gethostname()
    return hashlib.sha256(f"coldpin\n{known}".encode()).hexdigest()[:8]


def _sorted(folder: Path) -> list[Path]:
    try:
        return sorted(folder.iterdir())
    except OSError:
        return []


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip("\0 \n")
    except OSError:
        return ""
