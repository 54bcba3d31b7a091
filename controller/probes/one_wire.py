"""Probes on a 1-Wire bus, through w1thermsensor and the text files of the Linux kernel.

The library knows the chip families and where their files lie. The bytes are read and judged here,
because the library believes the word YES, ends in an index error on a cut-off file and passes on
127.94 °C (w1thermsensor 2.3.0, core.py). It is imported in this module only, and only when a probe
or a survey is asked for, so that a laptop without a bus never meets it.
"""

from __future__ import annotations

import contextlib
import errno
import os
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

from controller.domain.probe_ids import family_of, id_problem, is_ghost
from controller.errors import ProbeError
from controller.probes.bulk_read import BulkRead, find_buses
from controller.probes.reader_threads import ThreadedReader
from controller.probes.samples import Fault, Sample
from controller.probes.scratchpad import CLONE_POWER_ON_MC, judge_text
from controller.probes.sysfs import ReadFile, WriteFile, read_file, write_file

ROOT = Path("/sys/bus/w1/devices")
"""Where Linux lists what hangs on its 1-Wire buses."""

DOUBT_NEAR_MK = 1_000
DOUBT_MEMORY_S = 600.0
"""A copy's exact power-on pattern is believed only while a reading of the same probe at most this
far from it [mK] is at most this old [s]. Our choice: a real 25 °C is reached in small steps, a
chip that lost its supply lands on it from anywhere."""

_ABSENT = frozenset({errno.ENOENT, errno.ENOTDIR, errno.ENODEV, errno.ENXIO})
_LONGEST_RAW = 120


@cache
def _library() -> Any:
    # Importing it would otherwise run modprobe, wait a second and raise where there is no bus.
    os.environ["W1THERMSENSOR_NO_KERNEL_MODULE"] = "1"
    import w1thermsensor  # noqa: PLC0415 - see the module's docstring

    return w1thermsensor


@lru_cache(maxsize=8)
def _sensor_class(root: Path) -> Any:
    """Return the library's class bound to one tree, without touching the library's own class."""
    library = _library()

    class TreeSensor(library.W1ThermSensor):  # type: ignore[misc, name-defined]
        BASE_DIRECTORY = root

        def exists(self) -> bool:
            return True  # a probe unplugged now may come back; every read finds out for itself

    return TreeSensor


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """What a look at the bus found."""

    ids: tuple[str, ...]
    """Thermometers, sorted; whether they answer, a read tells."""
    ghosts: int
    """Names of family 00 or without a serial number: noise that the bus search took for chips."""
    problem: str | None = None
    """Why nothing could be listed, None when the tree was there."""


def survey(root: Path) -> Survey:
    """List the thermometers below a 1-Wire tree; never raises, an absent tree is an empty one."""
    try:
        names = os.listdir(root)  # noqa: PTH208 - names only: a folder may vanish meanwhile
    except OSError as problem:
        return Survey(ids=(), ghosts=0, problem=f"{root}: {problem.strerror or problem}")
    families = {f"{int(sensor.value):02x}" for sensor in _library().Sensor}
    ids = []
    ghosts = 0
    for name in names:
        family = family_of(name)
        if family is None:
            continue
        if is_ghost(name):
            ghosts += 1
        elif family in families:
            ids.append(name)
    return Survey(ids=tuple(sorted(ids)), ghosts=ghosts)


def list_ids(root: Path) -> tuple[str, ...]:
    """Return the ids of the thermometers below a 1-Wire tree, sorted."""
    return survey(root).ids


class OneWireProbe:
    """One thermometer on the bus."""

    def __init__(self, root: Path, probe_id: str, *, read: ReadFile = read_file) -> None:
        """Name the probe; nothing is read, and it need not be on the bus yet.

        Args:
            root: Folder with one folder a device, as `ROOT`.
            probe_id: The device's name in it.
            read: How a file is read; tests put obstacles here.

        Raises:
            ProbeError: No thermometer can have this id.
        """
        problem = id_problem(probe_id)
        if problem is not None:
            raise ProbeError(f"probe id: {problem}")
        self.id = probe_id.lower()
        self._family = int(self.id[:2], 16)
        sensor = _sensor_class(root)(_library().Sensor(self._family), self.id[3:])
        self.path = Path(sensor.sensorpath)
        self._read = read
        self._last_mc: int | None = None
        self._last_at = 0.0

    def read(self, clock: Callable[[], float]) -> Sample:
        """Read once, as long as it takes; what went wrong is the sample's fault, never raised.

        Args:
            clock: Gives the instant at which the reading was complete [s].
        """
        try:
            text = self._read(self.path)
        except OSError as problem:
            fault = Fault.ABSENT if problem.errno in _ABSENT else Fault.UNREADABLE
            return Sample(clock(), None, fault, f"{self.path}: {problem.strerror or problem}")
        at = clock()
        raw = _shown(text)
        judged = judge_text(text, self._family)
        if judged.value_mc is None:
            return Sample(at, None, judged.fault, raw)
        if judged.doubtful and not self._recently_near(at):
            return Sample(at, None, Fault.POWER_ON, raw)
        self._last_mc, self._last_at = judged.value_mc, at
        return Sample(at, judged.value_mc, None, raw)

    def drain(self) -> None:
        """Read once and throw it away, so that a snapshot left by a bulk conversion is gone."""
        with contextlib.suppress(OSError):  # the read that follows tells what is wrong
            self._read(self.path)

    def _recently_near(self, at: float) -> bool:
        return (
            self._last_mc is not None
            and abs(self._last_mc - CLONE_POWER_ON_MC) <= DOUBT_NEAR_MK
            and at - self._last_at <= DOUBT_MEMORY_S
        )


def _shown(text: bytes) -> str:
    """Return the text on one line, readable whatever bytes it holds, cut to a fair length."""
    shown = " ".join(text[:_LONGEST_RAW].decode("ascii", "backslashreplace").split())
    if not shown.isprintable():  # no bus may move the cursor of whoever reads the log
        shown = shown.encode("unicode_escape").decode("ascii")
    return shown[:_LONGEST_RAW]


def open_one_wire(
    root: Path,
    ids: Mapping[str, str],
    *,
    every_s: float,
    deadline_s: float,
    bulk: bool = True,
    clock: Callable[[], float] = time.monotonic,
    on_notice: Callable[[str], None],
    read: ReadFile = read_file,
    write: WriteFile = write_file,
    wake: Callable[[], None] | None = None,
) -> ThreadedReader:
    """Start reading the probes of one 1-Wire tree.

    Which probe hangs on which bus is looked up once, here.

    Args:
        root: Folder with one folder a device, as `ROOT`.
        ids: Device name by probe name.
        every_s: Time between the starts of two reads [s].
        deadline_s: Time after which a read's value is not trusted any more [s].
        bulk: Whether all probes of a bus convert at once where Linux can; else each by itself.
        clock: Monotonic seconds.
        on_notice: Told, once each, why a bus cannot convert all its probes at once. Called from
            a thread of the reader.
        read: How a file is read.
        write: How a file is written.
        wake: Called from a probe's thread when there is something to collect.

    Raises:
        ProbeError: No thermometer can have one of the ids.
    """
    probes = {name: OneWireProbe(root, probe_id, read=read) for name, probe_id in ids.items()}
    members = {name: probe.id for name, probe in probes.items()} if bulk else {}
    buses = [
        BulkRead(root, bus, names, clock=clock, on_notice=on_notice, read=read, write=write)
        for bus, names in find_buses(root, members).items()
    ]
    return ThreadedReader(
        probes, clock=clock, every_s=every_s, deadline_s=deadline_s, buses=buses, wake=wake
    )
