"""Reads every probe in a thread of its own and hands the samples over without ever waiting.

The loop's call to `ThreadedReader.collect` is the only scheduler: it picks up what has been read
and asks the idle threads for more. All bookkeeping stays in the caller's thread; the probes'
threads meet it through queues alone. A read that never returns keeps its thread, and nothing else:
no second read of that probe is begun, so threads cannot grow in number.
"""

from __future__ import annotations

import contextlib
import signal
import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Mapping, Sequence
from enum import Enum
from queue import SimpleQueue
from typing import Protocol

from controller.log import Logger
from controller.probes.samples import Fault, Sample

_log = Logger(__name__)

FORGIVEN_SHARE = 0.1
"""A tick that comes early by this share of the reading interval still reads. Our choice."""

# A signal that lands on a reading thread ends the kernel's wait and leaves an empty read (Linux
# 6.12 w1_therm.c), and a bulk conversion that was cut short. The main thread takes them all.
_NOT_FOR_READERS = (
    signal.SIGHUP,
    signal.SIGINT,
    signal.SIGTERM,
    signal.SIGALRM,
    signal.SIGCHLD,
    signal.SIGUSR1,
    signal.SIGUSR2,
)


class Pending(Enum):
    """What waits in the probes of a bus, and hence how each must be read."""

    SNAPSHOT = "a fresh one: take it"
    OLD_SNAPSHOT = "one of unknown age: throw it away, then convert"
    NOTHING = "convert"


class ReadableProbe(Protocol):
    """One place of temperature that may take its time."""

    def read(self, clock: Callable[[], float]) -> Sample:
        """Read once, stamped with the instant of completion."""
        ...

    def drain(self) -> None:
        """Throw away what a bulk conversion may have left."""
        ...


class Bus(Protocol):
    """Probes that convert together."""

    @property
    def names(self) -> tuple[str, ...]:
        """Return the probe names, as the reader knows them."""
        ...

    def trigger(self) -> Pending:
        """Let all probes convert; may block."""
        ...


class _Slot:
    """What the collecting thread knows of one probe."""

    __slots__ = ("asked_at", "due_at", "jobs", "reported_late")

    def __init__(self) -> None:
        self.jobs: SimpleQueue[Pending | None] = SimpleQueue()
        self.asked_at: float | None = None  # None: idle
        self.due_at: float | None = None  # None: at once
        self.reported_late = False


class ThreadedReader:
    """A `SampleSource` over probes that block."""

    def __init__(
        self,
        probes: Mapping[str, ReadableProbe],
        *,
        clock: Callable[[], float] = time.monotonic,
        every_s: float,
        deadline_s: float,
        buses: Sequence[Bus] = (),
        wake: Callable[[], None] | None = None,
    ) -> None:
        """Start one idle thread for each probe and each bus.

        Args:
            probes: Probe by name.
            clock: Monotonic seconds, the same that the caller of `collect` uses.
            every_s: Time between the starts of two reads of one probe [s], above zero.
            deadline_s: Time after which a read's value is thrown away, because it may be an old
                one [s], above zero. Where a bus is bulk-capable it must cover two conversions.
            buses: Groups that convert together; a probe belongs to one at most.
            wake: Called from a probe's thread when there is something to collect, for a caller
                that would rather wait than ask again.

        Raises:
            ValueError: A time is not above zero.
        """
        if not (every_s > 0 and deadline_s > 0):
            raise ValueError(
                f"every_s and deadline_s must be above zero, found {every_s} and {deadline_s}"
            )
        self.complaints: Counter[tuple[str, str]] = Counter()
        """Exceptions that probes should have kept to themselves, by probe and type."""
        self._clock = clock
        self._every_s = every_s
        self._deadline_s = deadline_s
        self._wake = wake
        self._closed = False
        self._slots = {name: _Slot() for name in probes}
        # One outstanding read a probe leaves one sample a probe; the bound is a second lock.
        self._mail: deque[tuple[str, Sample]] = deque(maxlen=2 * max(1, len(probes)))
        self._buses: list[tuple[tuple[str, ...], SimpleQueue[list[str] | None]]] = []
        for name, probe in probes.items():
            self._start(f"probe-{name}", self._read_on_demand, name, probe)
        for bus in buses:
            jobs: SimpleQueue[list[str] | None] = SimpleQueue()
            self._buses.append((bus.names, jobs))
            self._start(f"bus-{'-'.join(bus.names)}", self._trigger_on_demand, bus, jobs)
        on_a_bus = {name for names, _ in self._buses for name in names}
        self._alone = tuple(name for name in probes if name not in on_a_bus)

    @staticmethod
    def _start(name: str, work: Callable[..., None], *args: object) -> None:
        # Daemon threads: the interpreter must not wait for a read that hangs in the kernel.
        threading.Thread(target=work, args=args, name=name, daemon=True).start()

    def collect(self, now: float) -> list[tuple[str, Sample]]:
        """Return what has been read since the last call, and ask for more where it is due.

        A read that passed its deadline gives one `Fault.LATE`, at once when it is noticed and
        again only for the next read.
        """
        if self._closed:
            return []
        collected = []
        while self._mail:
            name, sample = self._mail.popleft()
            received = self._receive(self._slots[name], sample)
            if received is not None:
                collected.append((name, received))
        for name, slot in self._slots.items():
            if self._just_late(slot, now):
                slot.reported_late = True
                collected.append((name, Sample(now, None, Fault.LATE)))
        collected.sort(key=lambda named: named[1].at)
        self._ask(now)
        return collected

    def close(self) -> None:
        """Let idle threads end; one that is stuck in a read is left behind."""
        if self._closed:
            return
        self._closed = True
        for _, bus_jobs in self._buses:
            bus_jobs.put(None)
        for slot in self._slots.values():
            slot.jobs.put(None)

    def _receive(self, slot: _Slot, sample: Sample) -> Sample | None:
        asked_at, reported_late = slot.asked_at, slot.reported_late
        slot.asked_at, slot.reported_late = None, False
        if reported_late:
            return None
        if asked_at is not None and sample.at - asked_at > self._deadline_s:
            return Sample(sample.at, None, Fault.LATE, sample.raw)
        return sample

    def _just_late(self, slot: _Slot, now: float) -> bool:
        return (
            slot.asked_at is not None
            and not slot.reported_late
            and now - slot.asked_at > self._deadline_s
        )

    def _ask(self, now: float) -> None:
        for name in self._alone:
            if self._claimed(name, now):
                self._slots[name].jobs.put(Pending.NOTHING)
        for names, jobs in self._buses:
            due = [name for name in names if self._claimed(name, now)]
            if due:
                jobs.put(due)

    def _claimed(self, name: str, now: float) -> bool:
        """Mark a probe as asked when it is idle and due."""
        slot = self._slots[name]
        if slot.asked_at is not None or (slot.due_at is not None and now < slot.due_at):
            return False
        slot.asked_at = now
        slot.due_at = now + (1 - FORGIVEN_SHARE) * self._every_s
        return True

    def _read_on_demand(self, name: str, probe: ReadableProbe) -> None:
        signal.pthread_sigmask(signal.SIG_BLOCK, _NOT_FOR_READERS)
        jobs = self._slots[name].jobs
        while (pending := jobs.get()) is not None:
            self._mail.append((name, self._attempt(name, probe, pending)))
            if self._wake is not None:
                self._wake()

    def _attempt(self, name: str, probe: ReadableProbe, pending: Pending) -> Sample:
        try:
            if pending is Pending.OLD_SNAPSHOT:
                probe.drain()
            return probe.read(self._clock)
        except Exception as surprise:  # noqa: BLE001 - one probe's surprise must end no thread
            self._complain(name, surprise)
            return Sample(self._clock(), None, Fault.UNREADABLE, type(surprise).__name__)

    def _trigger_on_demand(self, bus: Bus, jobs: SimpleQueue[list[str] | None]) -> None:
        signal.pthread_sigmask(signal.SIG_BLOCK, _NOT_FOR_READERS)
        while (names := jobs.get()) is not None:
            try:
                pending = bus.trigger()
            except Exception as surprise:  # noqa: BLE001 - its probes can still be read
                self._complain("-".join(bus.names), surprise)
                pending = Pending.OLD_SNAPSHOT
            for name in names:
                self._slots[name].jobs.put(pending)

    def _complain(self, name: str, surprise: Exception) -> None:
        """Log the first of its kind; the rest are counted."""
        kind = (name, type(surprise).__name__)
        self.complaints[kind] += 1
        if self.complaints[kind] == 1:
            # A log whose reader is gone must not end the thread either.
            with contextlib.suppress(Exception):
                _log.error("probe_surprise", probe=name, type=kind[1], error=_text(surprise))


def _text(surprise: Exception) -> str:
    try:
        return str(surprise)
    except Exception:  # noqa: BLE001 - whatever it is made of, its type is worth a line
        return "(no text)"
