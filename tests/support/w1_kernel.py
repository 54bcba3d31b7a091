"""What Linux does behind the 1-Wire files, in memory: conversions, snapshots and bulk triggers.

Goes between a reader and a fake tree by the two functions `FakeKernel.read` and
`FakeKernel.write`. The rules are those of Linux 6.12 w1_therm.c, its mistake included: a trigger
that failed marks every probe as ready all the same, and the next read gives the temperature of the
last conversion that did happen.
"""

from __future__ import annotations

import errno
import threading
from collections import Counter
from pathlib import Path

from controller.domain.temperatures import millidegrees
from controller.probes.scratchpad import scratchpad_text

CONVERSION_S = 0.75


class FakeClock:
    """Monotonic seconds that move only when told to; may be asked from any thread."""

    def __init__(self, now: float = 5000.0) -> None:
        self._now = now
        self._lock = threading.Lock()

    def __call__(self) -> float:
        with self._lock:
            return self._now

    def advance(self, seconds: float) -> None:
        with self._lock:
            self._now += seconds


class FakeKernel:
    """One bus with its chips."""

    def __init__(self, clock: FakeClock, temps_c: dict[str, float]) -> None:
        self.temps_c = temps_c
        """True temperature by device name."""
        self.trigger = "good"
        """``good``; ``no_presence`` (returns at once); ``signal`` (returns half-way);
        ``ignored`` (as a write of another length); ``forbidden``; ``absent``."""
        self.conversions: Counter[str] = Counter()
        """Conversions that a single read began, by device name."""
        self.triggers: list[bytes] = []
        self.snapshots_mc = {name: millidegrees(temp_c) for name, temp_c in temps_c.items()}
        self.waiting: set[str] = set()
        self._clock = clock
        self._lock = threading.Lock()

    def read(self, path: Path) -> bytes:
        """Read one of the bus's files."""
        device = path.parent.name
        with self._lock:
            if path.name == "therm_bulk_read":
                if self.trigger == "absent":
                    raise FileNotFoundError(errno.ENOENT, "No such file or directory")
                return b"1\n" if self.waiting else b"0\n"
            if path.name != "w1_slave":
                raise FileNotFoundError(errno.ENOENT, "No such file or directory")
            if device in self.waiting:
                self.waiting.discard(device)
            else:
                self.conversions[device] += 1
                self._convert(device)
            return scratchpad_text(self.snapshots_mc[device])

    def write(self, path: Path, content: bytes) -> None:
        """Write to the bus's bulk file."""
        assert path.name == "therm_bulk_read"
        if self.trigger == "forbidden":
            raise PermissionError(errno.EACCES, "Permission denied")
        if self.trigger == "absent":
            raise FileNotFoundError(errno.ENOENT, "No such file or directory")
        with self._lock:
            self.triggers.append(content)
            if content != b"trigger\n" or self.trigger == "ignored":
                return
            self.waiting = set(self.temps_c)
            if self.trigger == "good":
                self._clock.advance(CONVERSION_S)
                for device in self.temps_c:
                    self._convert(device)
            elif self.trigger == "signal":
                self._clock.advance(CONVERSION_S / 2)

    def _convert(self, device: str) -> None:
        self.snapshots_mc[device] = millidegrees(self.temps_c[device])
