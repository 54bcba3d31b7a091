"""A 1-Wire tree of ordinary files, laid out as Linux lays it out, for tests to break.

Devices are folders below their bus and links below the root that a config names, as in Linux's
``/sys/devices`` and ``/sys/bus/w1/devices``. A file changes in one step, so a reader never meets
half a text. `W1Tree.block` puts a pipe that nobody writes to in place of a probe's file: a reader
then hangs in the kernel as it would on a hung bus, until `W1Tree.release`.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from itertools import count
from pathlib import Path

from controller.domain.temperatures import millidegrees
from controller.probes.scratchpad import scratchpad_text

AIR = "28-0a1b2c3d4e01"
RESERVOIR = "28-0a1b2c3d4e02"
ROOM = "28-0a1b2c3d4e03"
COIL_OUTLET = "28-0a1b2c3d4e04"
"""Invented ids."""


class W1Tree:
    """Builds and changes a fake tree below a folder that a test owns."""

    def __init__(self, base: Path, *, buses: int = 1) -> None:
        self.root = base / "bus/w1/devices"
        """What a config names as the 1-Wire root."""
        self._devices = base / "devices"
        self._pipes = base / "pipes"
        self._numbers = count()
        self._blocked: dict[str, list[Path]] = {}
        for folder in (self.root, self._devices, self._pipes):
            folder.mkdir(parents=True)
        for number in range(1, buses + 1):
            self.bus_folder(number).mkdir()
            self._replace(self.bus_folder(number) / "w1_master_slaves", b"not found.\n")
            (self.root / f"w1_bus_master{number}").symlink_to(self.bus_folder(number))

    def bus_folder(self, bus: int = 1) -> Path:
        """Return the folder of a bus."""
        return self._devices / f"w1_bus_master{bus}"

    def file(self, probe_id: str) -> Path:
        """Return the file that holds a probe's text."""
        return self.root / probe_id / "w1_slave"

    def add_probe(self, probe_id: str, text: bytes | None = None, *, bus: int = 1) -> Path:
        """Attach a device; without a text it is a genuine chip at 20 °C."""
        folder = self.bus_folder(bus) / probe_id
        folder.mkdir()
        (self.root / probe_id).symlink_to(folder)
        self._list_slaves(bus)
        self.write(probe_id, scratchpad_text(20_000) if text is None else text)
        return self.file(probe_id)

    def write(self, probe_id: str, text: bytes) -> None:
        """Let a probe's file hold exactly these bytes."""
        self._replace(self.file(probe_id), text)

    def set(self, probe_id: str, temp_c: float) -> None:
        """Let a probe read as a genuine chip at a temperature [°C]."""
        self.write(probe_id, scratchpad_text(millidegrees(temp_c)))

    def set_number(self, probe_id: str, name: str, value: int) -> None:
        """Let one of a probe's other files (``conv_time``, ``resolution``) hold a number."""
        self._replace(self.root / probe_id / name, f"{value}\n".encode())

    def remove(self, probe_id: str) -> None:
        """Take a device off the tree, as Linux does after some missed searches."""
        link = self.root / probe_id
        folder = link.resolve()
        link.unlink()
        shutil.rmtree(folder)
        self._list_slaves(int(folder.parent.name.removeprefix("w1_bus_master")))

    def add_ghost(self, name: str) -> None:
        """Add a device folder without a text file, as bus noise and other chips do."""
        (self.root / name).mkdir()

    def block(self, probe_id: str) -> None:
        """Let every read of a probe hang from now on."""
        pipe = self._pipes / f"{probe_id}-{next(self._numbers)}"
        os.mkfifo(pipe)
        staged = self._devices / f"staged-{next(self._numbers)}"
        os.link(pipe, staged)
        staged.replace(self.file(probe_id))
        self._blocked.setdefault(probe_id, []).append(pipe)

    def release(self, probe_id: str, text: bytes = b"") -> None:
        """Let reads that hang come back with a text; what the file holds now is not changed."""
        for pipe in self._blocked.get(probe_id, []):
            with contextlib.suppress(OSError):  # nobody waits
                writer = os.open(pipe, os.O_WRONLY | os.O_NONBLOCK)
                os.write(writer, text)
                os.close(writer)

    def release_all(self) -> None:
        """Let every read that hangs come back empty; for the end of a test."""
        for probe_id in self._blocked:
            self.release(probe_id)

    def set_bulk(self, state: int | None, *, bus: int = 1) -> Path:
        """Let the bulk file of a bus hold a state, or be absent with None; return its path."""
        path = self.bus_folder(bus) / "therm_bulk_read"
        if state is None:
            path.unlink(missing_ok=True)
        else:
            self._replace(path, f"{state}\n".encode())
        return path

    def _list_slaves(self, bus: int) -> None:
        folder = self.bus_folder(bus)
        names = sorted(path.name for path in folder.iterdir() if path.is_dir())
        listed = "".join(f"{name}\n" for name in names) or "not found.\n"
        self._replace(folder / "w1_master_slaves", listed.encode())

    def _replace(self, path: Path, content: bytes) -> None:
        staged = self._devices / f"staged-{next(self._numbers)}"
        staged.write_bytes(content)
        staged.replace(path)
