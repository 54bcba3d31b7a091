"""One conversion for all probes of a bus, where the kernel offers it and confirms it.

Linux converts all probes of a bus at one write to ``therm_bulk_read``. It marks them ready even
when the conversion never began, and then hands out the temperature of long ago as if it were new.
So a snapshot is taken only when the write lasted about as long as a conversion does and the file
then says that snapshots wait; in every other case what may wait is thrown away first and each
probe converts by itself.

Source: Linux 6.12 w1_therm.c (trigger_bulk_read, w1_therm_add_slave) and its ABI document: exactly
``trigger`` and a line end count, everything else is ignored and still reports success; the file
belongs to root, exists on one bus only, and reads -1 while converting, 1 while a snapshot waits,
0 otherwise. DS28EA00 takes no part.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from pathlib import Path

from controller.domain.probe_ids import DS28EA00
from controller.probes.reader_threads import Pending
from controller.probes.sysfs import ReadFile, WriteFile, read_file, write_file

TRIGGER = b"trigger\n"
BULK_FILE = "therm_bulk_read"
_MASTER = re.compile(r"w1_bus_master\d+")

CONVERSION_S = {9: 0.09375, 10: 0.1875, 11: 0.375, 12: 0.75}
"""Longest conversion by resolution in bits [s]. Source: DS18B20 data sheet, table 2."""

LEAST_SHARE = 0.9
"""Share of the conversion time that a write must have lasted. Our choice: the kernel waits the
whole time and a failed trigger returns at once, so anything between tells them apart."""

MISSES_ALLOWED = 3
RETRY_S = 600.0
"""A bus that cannot, or failed so often in a row, is asked again after this time [s]: the file
appears with the first probe, and a person may grant access. Our choice."""


def find_buses(root: Path, ids: Mapping[str, str]) -> dict[str, dict[str, str]]:
    """Return which probes hang on which bus: probe names and ids by the bus's folder name.

    Linux lists a device as a link into its bus's folder. A probe that is unplugged now is taken to
    hang on the only bus there is; with several buses it is left out, and so is a DS28EA00. Nothing
    here waits for the bus: a file that lists a bus's devices would, when the bus hangs.

    Args:
        root: Folder with one folder a device.
        ids: Device name by probe name.
    """
    try:
        masters = {path.name for path in root.iterdir() if _MASTER.fullmatch(path.name)}
    except OSError:
        return {}
    buses: dict[str, dict[str, str]] = {}
    for name, probe_id in ids.items():
        home = _home(root / probe_id)
        candidates = {home} if home in masters else masters
        if len(candidates) == 1 and int(probe_id[:2], 16) != DS28EA00:
            buses.setdefault(min(candidates), {})[name] = probe_id
    return buses


def _home(device: Path) -> str:
    try:
        return device.resolve().parent.name
    except (OSError, RuntimeError):  # RuntimeError: a link that leads to itself, up to Python 3.12
        return ""


class BulkRead:
    """The bulk conversion of one bus; lives in the bus's own thread."""

    def __init__(
        self,
        root: Path,
        bus: str,
        members: Mapping[str, str],
        *,
        clock: Callable[[], float],
        on_notice: Callable[[str], None],
        read: ReadFile = read_file,
        write: WriteFile = write_file,
    ) -> None:
        """Name the bus; nothing is read or written.

        Args:
            root: Folder with one folder a device.
            bus: Name of the bus's folder in it.
            members: Device name by probe name, of our probes on this bus.
            clock: Monotonic seconds.
            on_notice: Told, once each, why probes are read one by one.
            read: How a file is read.
            write: How a file is written.
        """
        self.names = tuple(members)
        self._root = root
        self._file = root / bus / BULK_FILE
        self._ids = tuple(members.values())
        self._clock = clock
        self._on_notice = on_notice
        self._logged: set[str] = set()
        self._read = read
        self._write = write
        self._conversion_s: float | None = None
        self._misses = 0
        self._retry_at = clock()

    def trigger(self) -> Pending:
        """Let all probes of the bus convert, and say how each must be read after it.

        Blocks for one conversion time, or for as long as the kernel keeps the write.
        """
        # One probe gains nothing from it, and the snapshot's risk is not worth taking.
        asked = len(self._ids) > 1 and self._clock() >= self._retry_at
        if asked and self._confirmed():
            return Pending.SNAPSHOT
        return self._waiting()

    def _confirmed(self) -> bool:
        if self._conversion_s is None:
            self._conversion_s = max(self._conversion_time_s(probe_id) for probe_id in self._ids)
        started = self._clock()
        try:
            self._write(self._file, TRIGGER)
        except OSError as problem:
            self._rest(f"cannot be used ({problem.strerror or problem})")
            return False
        lasted_s = self._clock() - started
        state = self._state()
        if state == "1" and lasted_s >= LEAST_SHARE * self._conversion_s:
            self._misses = 0
            return True
        self._conversion_s = None  # a changed resolution changes it: look again
        self._misses += 1
        if self._misses >= MISSES_ALLOWED:
            self._misses = 0
            self._rest("was not confirmed by the kernel several times in a row")
        return False

    def _rest(self, why: str) -> None:
        self._retry_at = self._clock() + RETRY_S
        if why not in self._logged:
            self._logged.add(why)
            self._on_notice(f"{self._file}: bulk conversion {why}; probes are read one by one")

    def _waiting(self) -> Pending:
        """Say whether an old snapshot may wait, left by us, another program or an earlier run."""
        state = self._state()
        return Pending.NOTHING if state in ("0", None) else Pending.OLD_SNAPSHOT

    def _state(self) -> str | None:
        """Return what the bulk file says; None when there is none, empty when it cannot be read."""
        try:
            return self._read(self._file).decode("ascii", "replace").strip()
        except FileNotFoundError:
            return None
        except OSError:
            return ""

    def _conversion_time_s(self, probe_id: str) -> float:
        device = self._root / probe_id
        measured_ms = self._number(device / "conv_time")
        if measured_ms is not None and measured_ms > 0:
            return measured_ms / 1000
        bits = self._number(device / "resolution")
        return CONVERSION_S.get(bits if bits is not None else 12, CONVERSION_S[12])

    def _number(self, path: Path) -> int | None:
        try:
            return int(self._read(path))
        except (OSError, ValueError):
            return None
