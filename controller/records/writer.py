"""Keeps readings and events: the one writing connection, in a thread of its own.

The loop hands over and goes on. Events are committed at once and forced to the medium; samples go
in batches, one a minute, so that a card sees few writes. A power cut may cost the samples of the
last minute, and never an event older than a second. A disk that is full, read-only or locked keeps
the rows waiting in a bounded buffer and is tried again after growing pauses; a file that is damaged
is set aside with its side files, never deleted, and a new one is begun.
"""

from __future__ import annotations

import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from controller.core.law import Band
from controller.core.state import Decision, Inputs
from controller.domain.backoff import backoff_s
from controller.domain.events import BAND, BandPoints, EventKind
from controller.domain.temperatures import Reading, Seen
from controller.errors import words_of
from controller.records.damaged_files import is_damage, set_aside
from controller.records.hours import HourBasis, sum_once
from controller.records.schema import opened_for_writing, transaction
from controller.records.sqlite_errors import sqlite_words
from controller.records.thinning import give_back, thin_once

SAMPLE_CHANGE_MK = 250
"""A reading that moved by less is kept only once a minute."""
LONGEST_BETWEEN_S = 60.0
BATCH_S = 60.0
"""Samples wait this long for one another; an event takes those that wait along at once."""
MOST_SAMPLES = 20_000
"""Samples that wait while the medium fails: a day or more of an ordinary chamber."""
MOST_EVENTS = 10_000
KEEP_DETAIL_S = 30 * 86_400.0
FIRST_THINNING_S, THINNING_EVERY_S = 120.0, 3600.0
FIRST_PAUSE_S, LONGEST_PAUSE_S = 1.0, 60.0
CLOCK_JUMP_MS = 2000
MOST_SIDE_FILE_BYTES = 16 * 1024 * 1024
"""The write-ahead log may grow to this while somebody reads for long; SQLite reuses it and never
makes it smaller by itself."""

Sample = tuple[int, int | None, int | None, int | None, int | None, int, int]
Happening = tuple[int, str, str, str]


class RecordsWriter:
    """A journal that keeps what it is told."""

    def __init__(
        self,
        path: Path,
        *,
        chamber: str,
        boot_id: str,
        ahead_s: float,
        report: Callable[[str], object] = lambda _: None,
        keep_detail_s: float = KEEP_DETAIL_S,
        site: HourBasis | None = None,
    ) -> None:
        """Start the thread; the file is opened there, so that a bad one delays nobody.

        Args:
            path: The database.
            chamber: Name of the chamber.
            boot_id: This boot.
            ahead_s: Boot-time clock minus the clock of the control law [s].
            report: Is called, once each, with what is wrong with the medium and that it is over.
            keep_detail_s: How long every reading is kept [s]; older ones are thinned.
            site: What the sums of hours depend on beside the readings; None: none are kept.
        """
        self.fault: str | None = None
        """What is wrong with the records; None while they are kept."""
        self.set_aside: Path | None = None
        """Where the records are now that were found damaged; None: none were."""
        self._path = path
        self._run = (boot_id, chamber)
        self.ahead_s = ahead_s
        """Boot-time clock minus the clock of the control law [s]; grows where the machine was
        suspended, and whoever notices sets it."""
        self._report = report
        self._side_file_reported = False
        self.keep_detail_s = keep_detail_s
        """How long every reading is kept [s]; a reload sets it."""
        self.site = site
        """What the sums of hours depend on; a reload sets it."""
        self._thin_at_s = time.monotonic() + FIRST_THINNING_S
        self._band: Band | None = None
        self._samples: deque[Sample] = deque(maxlen=MOST_SAMPLES)
        self._events: deque[Happening] = deque(maxlen=MOST_EVENTS)
        # what the thread has taken over and not committed yet; only the thread touches it
        self._held_samples: deque[Sample] = deque(maxlen=MOST_SAMPLES)
        self._held_events: deque[Happening] = deque(maxlen=MOST_EVENTS)
        self._last: Sample | None = None
        self._wake = threading.Event()
        self._closing = False
        self._probes: tuple[int, dict[str, str]] = (0, {})
        self._probes_written = True
        self._file: sqlite3.Connection | None = None
        self._run_number = 0
        self._clock_ms: int | None = None
        self._thread = threading.Thread(target=self._work, name="records", daemon=True)
        self._thread.start()

    def note(self, now: float, inputs: Inputs, decision: Decision) -> None:
        """Take note of a tick: its events, and a sample where one is due."""
        at_ms = round((now + self.ahead_s) * 1000)
        sample = (
            at_ms,
            _value(inputs.air),
            _value(inputs.reservoir),
            _value(inputs.room),
            _value(inputs.coil_outlet),
            int(decision.pump),
            int(decision.fan),
        )
        if self._worth_keeping(sample):
            self._last = sample
            self._samples.append(sample)
        for event in decision.events:
            if event.kind is not EventKind.SWITCH:  # a switch is a sample already
                self._events.append((at_ms, event.kind.value, event.name, event.detail))
        if inputs.band is not self._band:
            band = self._band = inputs.band
            points = BandPoints(cut_out_mc=band.cut_out_mc, cut_in_mc=band.cut_in_mc)
            self._events.append((at_ms, BAND, points.text, ""))
            self._wake.set()
        if decision.events:
            self._wake.set()

    def use_probes(self, now: float, ids: Mapping[str, str]) -> None:
        """Keep which probe gives the readings of each place from an instant on.

        Args:
            now: Clock of the control law [s].
            ids: Id on the bus, by the name of the probe.
        """
        self._probes = (round((now + self.ahead_s) * 1000), dict(ids))
        self._probes_written = False
        self._wake.set()

    def keep_event(self, now: float, kind: str, name: str, detail: str = "") -> None:
        """Take note of something that no tick decided, such as a stage put in force."""
        self._events.append((round((now + self.ahead_s) * 1000), kind, name, detail))
        self._wake.set()

    @property
    def waiting(self) -> int:
        """Rows that are not on the medium yet."""
        queued, held = len(self._samples) + len(self._events), self._held_samples
        return queued + len(held) + len(self._held_events)

    def close(self, timeout_s: float = 2.0) -> None:
        """Write what waits, if the medium allows it within the time [s]."""
        self._closing = True
        self._wake.set()
        self._thread.join(timeout_s)

    def _worth_keeping(self, sample: Sample) -> bool:
        last = self._last
        if last is None or sample[5:] != last[5:]:
            return True
        if sample[0] - last[0] >= LONGEST_BETWEEN_S * 1000:
            return True
        return any(
            (new is None) is not (old is None)
            or (new is not None and old is not None and abs(new - old) >= SAMPLE_CHANGE_MK)
            for new, old in zip(sample[1:5], last[1:5], strict=True)
        )

    def _work(self) -> None:
        failures = 0
        while True:
            self._wake.wait(BATCH_S)
            self._wake.clear()
            closing = self._closing
            try:
                self._write()
                self._thin()
                self._keep_side_file_small()
            except Exception as error:  # noqa: BLE001 - a thread that ended would look like no fault
                self._failed(error)
                if closing:
                    return
                failures += 1
                self._wake.wait(
                    backoff_s(failures, first_s=FIRST_PAUSE_S, longest_s=LONGEST_PAUSE_S)
                )
            else:
                failures = 0
                if self.fault is not None:
                    self._report("records are kept again")
                self.fault = None
                if closing:
                    self._shut()
                    return

    def _write(self) -> None:
        """Write everything that waits in one transaction; nothing is lost where it fails."""
        _move(self._samples, self._held_samples)
        _move(self._events, self._held_events)
        file = self._opened()
        with transaction(file):
            self._note_clock(file)
            at_ms, ids = self._probes
            if not self._probes_written:
                file.executemany(
                    "INSERT OR REPLACE INTO probes (run, at_ms, place, probe_id)"
                    " VALUES (?, ?, ?, ?)",
                    [(self._run_number, at_ms, place, each) for place, each in ids.items()],
                )
            file.executemany(
                "INSERT INTO readings (run, at_ms, air_mc, reservoir_mc, room_mc, coil_outlet_mc,"
                " pump, fan) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                [(self._run_number, *sample) for sample in self._held_samples],
            )
            file.executemany(
                "INSERT INTO events (run, at_ms, kind, name, detail) VALUES (?, ?, ?, ?, ?)",
                [(self._run_number, *event) for event in self._held_events],
            )
        self._held_samples.clear()
        self._held_events.clear()
        if self._probes[0] == at_ms:
            self._probes_written = True

    def _thin(self) -> None:
        """Sum or thin one step of what is old, now and then; go on at the next batch if need be.

        Not before the machine has been up for a while: a clock that is not set yet calls
        everything new, and one that was set wrong once would call everything old.
        """
        now_s = time.monotonic()
        file = self._file
        if now_s < self._thin_at_s or file is None or self._closing:
            return
        site = self.site
        if site is not None:
            boot_ms = round(time.clock_gettime(time.CLOCK_BOOTTIME) * 1000)
            if sum_once(file, site, running=self._run_number, boot_ms=boot_ms):
                return
        before_utc_ms = round((time.time() - self.keep_detail_s) * 1000)
        if not thin_once(file, before_utc_ms=before_utc_ms, summed_only=site is not None):
            give_back(file)
            self._thin_at_s = now_s + THINNING_EVERY_S

    def _keep_side_file_small(self) -> None:
        """Empty the write-ahead log when it has grown; a reader that stays long prevents it."""
        file = self._file
        if file is None or self._side_file_bytes() <= MOST_SIDE_FILE_BYTES:
            return
        file.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        held = self._side_file_bytes() > MOST_SIDE_FILE_BYTES
        if held and not self._side_file_reported:
            self._report(
                f"the write-ahead log is over {MOST_SIDE_FILE_BYTES // 1024} KiB: "
                "another program has been reading the records for long; end it"
            )
        elif self._side_file_reported and not held:
            self._report("the write-ahead log is small again")
        self._side_file_reported = held

    def _side_file_bytes(self) -> int:
        try:
            return self._path.with_name(f"{self._path.name}-wal").stat().st_size
        except FileNotFoundError:
            return 0

    def _opened(self) -> sqlite3.Connection:
        if self._file is not None:
            return self._file
        file = opened_for_writing(self._path, timeout_s=1.0)
        try:
            started_ms = round(time.clock_gettime(time.CLOCK_BOOTTIME) * 1000)
            number = file.execute(
                "INSERT INTO runs (boot_id, chamber, started_ms) VALUES (?, ?, ?)",
                (*self._run, started_ms),
            ).lastrowid
        except BaseException:
            file.close()
            raise
        self._run_number = number or 0
        self._probes_written = not self._probes[1]
        self._clock_ms = None
        self._file = file
        return file

    def _note_clock(self, file: sqlite3.Connection) -> None:
        """Keep a pair of both clocks, at the start and whenever the wall clock has jumped."""
        boot_ms = round(time.clock_gettime(time.CLOCK_BOOTTIME) * 1000)
        utc_ms = time.time_ns() // 1_000_000
        ahead_ms = utc_ms - boot_ms
        if self._clock_ms is None or abs(ahead_ms - self._clock_ms) > CLOCK_JUMP_MS:
            file.execute(
                "INSERT INTO clocks (run, at_ms, utc_ms) VALUES (?, ?, ?)",
                (self._run_number, boot_ms, utc_ms),
            )
            self._clock_ms = ahead_ms

    def _failed(self, error: Exception) -> None:
        text = sqlite_words(error) or words_of(error)
        if text != self.fault:
            self._report(f"records are not kept: {text}")
        self.fault = text
        self._shut()
        if is_damage(error):
            with suppress(OSError):
                self.set_aside = set_aside(self._path)

    def _shut(self) -> None:
        file, self._file = self._file, None
        if file is not None:
            with suppress(sqlite3.Error):
                file.close()


def _value(reading: Reading | None) -> int | None:
    return reading.value_mc if isinstance(reading, Seen) else None


def _move(waiting: deque[Any], held: deque[Any]) -> None:
    """Take over what waits, oldest first, while more may be coming in."""
    with suppress(IndexError):
        while True:
            held.append(waiting.popleft())
