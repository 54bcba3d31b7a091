"""A chamber under the service's own loop, on which one fault after another is brought about.

Probe files are real files in a fake 1-Wire tree, pipes where a read hangs, read by the probes' own
code in its own threads; sieves, loop, the bank of outputs and records are the service's. Time is
simulated, so an hour takes a fraction of a second; only where a thread has to answer, or the
records' own has to notice something, is it waited for.
"""

from __future__ import annotations

import contextlib
import math
import re
import sqlite3
import subprocess
import threading
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from controller.core.decide import begin
from controller.core.state import Decision, Inputs
from controller.domain.alarms import AlarmName
from controller.domain.control_phase import Phase
from controller.domain.events import EventKind
from controller.probes.one_wire import open_one_wire
from controller.probes.samples import Sample
from controller.probes.sieve import RULES_BY_PLACE, Sieve
from controller.probes.sysfs import read_file
from controller.records.writer import RecordsWriter
from controller.rehearsal.simulated_clock import SimulatedClock
from controller.service.fault_log import FaultLog
from controller.service.journal import Journals
from controller.service.loop import BandInForce, ControlLoop
from controller.service.output_bank import OutputBank
from controller.service.probe_watch import ProbeWatch
from controller.settings.law_of import BandSchedule
from tests.support.invariants import check_step
from tests.support.laws import BAND, make_law
from tests.support.soak import Moody
from tests.support.w1_texts import ALL_ZERO, NOT_CONVERTED, POWER_ON, text, with_crc
from tests.support.w1_tree import AIR, RESERVOIR, ROOM, W1Tree
from tests.support.waiting import AT_MOST_S, until

SCENARIOS = Path(__file__).parent / "scenarios"
TICK_S, READ_EVERY_S, STALE_S = 5.0, 10.0, 60.0
DEADLINE_S = 3.0
SILENT_EVERY_S = 300.0
"""A probe that answers half of the time is silent for half of this, again and again [s]."""
SAFE_PROBE_S = STALE_S + 2 * TICK_S
"""Aim: both off this long after a probe has failed, at most [s]."""
SAFE_OUTPUT_S = TICK_S
"""Aim: the other output off this long after one has failed, at most [s]."""
NIGHT = datetime.min.time()
LONGEST_S = 8 * 3600.0
IDS = {"air": AIR, "reservoir": RESERVOIR, "room": ROOM}
TEXTS = {
    "power-on value": text(POWER_ON, 85_000),
    "not converted": text(NOT_CONVERTED[0], 127_937),
    "all zero": text(ALL_ZERO, 0, crc="00"),
    "checksum wrong": text("50 01 4b 46 7f ff 0c 10 1c", 21_000, crc_result="NO"),
    "empty": b"",
    "cut off": b"90 01 4b 46 7f ff 0c",
    "binary": bytes(range(256)),
    "damp": text("00 00 4b 46 7f ff 10 10 69", 0),
    "a copy's power-on value": text(with_crc("90 01 55 00 7f a5 00 66"), 25_000),
    "another family's bytes": text(with_crc("10 01 00 19 f0 ff ff ff"), 17_000),
    "first line only": text(with_crc("90 01 4b 46 7f ff 10 10"), 25_000).split(b"\n")[0],
    "two reads mixed": (
        text("50 05 4b 46 7f ff 10 10 bd", 85_000).split(b"\n")[0]
        + b"\n"
        + text("a2 00 4b 46 7f ff 0e 10 e5", 10_125).split(b"\n")[1]
    ),
}
SPARE = "28-0a1b2c3d4eff"
"""Id of a probe that nobody configured."""
_LENGTH = re.compile(r"([0-9.]+) (s|min|h|d)")
_UNITS = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86_400.0}


def seconds(result: str) -> float:
    """Return a length of time such as "5 min" in seconds."""
    match = _LENGTH.fullmatch(result)
    assert match is not None, f"{result!r} is no length of time"
    return float(match[1]) * _UNITS[match[2]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """One fault and what is expected of it; a file of `SCENARIOS`."""

    name: str
    about: str
    what: str
    """What goes wrong: see `Bench._set`."""
    where: str
    lasts_s: float
    by: str
    """A text of `TEXTS`, or an amount."""
    begins_in: str
    alarm: str | None
    outputs: str
    """What they do while the fault lasts: ``off``, both, and they stay so; ``tries again``, both
    off and on by turns; ``the other off``, the one that obeys, and it stays so; ``as ever``, tick
    for tick what they would have done without it; ``on``, at its end still; ``rest``, never on."""
    notice_s: float | None
    safe_s: float | None
    recovers_s: float | None
    refused: str | None
    """What the sieve counts, as people read it."""


def read_scenario(path: Path) -> Scenario:
    """Return the scenario in a file."""
    result = tomllib.loads(path.read_text(encoding="utf-8"))
    fault, expected = result["fault"], result["expect"]

    def length(key: str) -> float | None:
        return seconds(expected[key]) if key in expected else None

    return Scenario(
        name=path.stem,
        about=result["about"],
        what=fault["what"],
        where=fault.get("where", ""),
        lasts_s=seconds(fault.get("lasts", "10 min")),
        by=fault.get("by", ""),
        begins_in=fault.get("begins_in", "cool"),
        alarm=expected.get("alarm"),
        outputs=expected["outputs"],
        notice_s=length("notice_within"),
        safe_s=length("safe_within"),
        recovers_s=length("recovers_within"),
        refused=expected.get("refused"),
    )


@dataclass(slots=True, kw_only=True)
class Outcome:
    """What came of a fault."""

    scenario: Scenario
    noticed_s: float | None = None
    """From its beginning to the alarm."""
    safe_s: float | None = None
    """From its beginning to both outputs off."""
    recovered_s: float | None = None
    """From its end to the alarm's."""
    refused: dict[str, int] = field(default_factory=dict)
    alarms: list[str] = field(default_factory=list)
    starts: int = 0
    course: list[tuple[bool, bool]] = field(default_factory=list)
    """Whether pump and fan were on, tick by tick while the fault lasted."""
    without: list[tuple[bool, bool]] = field(default_factory=list)
    """The same of a chamber without the fault; filled where nothing may differ."""
    on_after_safe: bool = False
    """Whether one that obeys was on again after both had been off, while the fault lasted."""


@dataclass(slots=True)
class Chamber:
    """Two numbers that follow what is switched."""

    air_c: float = 18.0
    reservoir_c: float = 4.0
    flows: bool = True
    _t_s: float = 0.0

    @property
    def room_c(self) -> float:
        """The room's daily wave [°C]."""
        return 24.0 + 3.0 * math.sin(self._t_s / 86_400.0 * 2.0 * math.pi)

    def move(self, *, pump: bool, fan: bool) -> None:
        """Move on by a tick."""
        self._t_s += TICK_S
        self.air_c += TICK_S * (self.room_c - self.air_c) / 2400.0
        if pump and fan and self.flows:
            pull_k = TICK_S * (self.air_c - self.reservoir_c) / 1500.0
            self.air_c -= pull_k
            self.reservoir_c += pull_k / 40.0


class JumpingClock(SimulatedClock):
    """A simulated clock whose wall time somebody may set."""

    off = timedelta()

    def local_at(self, instant: float) -> datetime:
        """Return the time of day as it was set."""
        return super().local_at(instant) + self.off


@contextlib.contextmanager
def small_medium(folder: Path) -> Iterator[Path]:
    """Mount a file system of some megabytes, and take it down again.

    Raises:
        OSError: This user may not mount anything.
    """
    place = folder / "card"
    place.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=8m", "tmpfs", str(place)],
        capture_output=True,
        check=False,
    )
    if done.returncode:
        raise OSError(done.stderr.decode().strip())
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=False, capture_output=True)


class Bench:
    """One chamber with its loop."""

    def __init__(self, folder: Path, *, medium: Path | None = None) -> None:
        """Set everything up in a folder of its own.

        Args:
            folder: For the fake bus.
            medium: Where records are kept; None: in the folder.
        """
        self.tree = W1Tree(folder)
        for probe_id in IDS.values():
            self.tree.add_probe(probe_id)
        self.chamber = Chamber()
        self.clock = JumpingClock(datetime(2026, 7, 1, 12, tzinfo=UTC))
        self.outputs = {"pump": Moody(), "fan": Moody()}
        self.records_path = (medium or folder) / "records.sqlite"
        self.records = RecordsWriter(self.records_path, chamber="c", boot_id="b", ahead_s=0.0)
        self._answers = threading.Semaphore(0)
        self._gates: dict[str, threading.Semaphore] = {}
        self._reading_slowly: set[str] = set()
        self._reader = open_one_wire(
            self.tree.root,
            IDS,
            every_s=READ_EVERY_S,
            deadline_s=DEADLINE_S,
            clock=self.clock.monotonic,
            on_notice=lambda _: None,
            read=self._read,
            wake=self._answers.release,
        )
        self._texts: dict[str, bytes] = {}
        self._blocked: set[str] = set()
        self._offset_k: dict[str, float] = {}
        self._held_c: dict[str, float] = {}
        self._silent: dict[str, str] = {}
        self._exchanged = self._welded = False
        self._next_read = self.clock.monotonic()
        self._locked: sqlite3.Connection | None = None
        self.standing: set[tuple[str, str]] = set()
        self.raised: list[str] = []
        self.starts = 0
        schedule = BandSchedule(day=BAND, night=None, night_from=NIGHT, night_to=NIGHT)
        self.band = BandInForce(schedule, self.clock)
        self.loop = self._new_loop(last_stop=self.clock.monotonic() - 1000.0)
        self.watch = ProbeWatch(self.loop.sieves, FaultLog(lambda *_, **__: None))

    def _new_loop(self, *, last_stop: float | None = None) -> ControlLoop:
        now = self.clock.monotonic()
        return ControlLoop(
            law=make_law(raise_s=0, clear_s=0),
            source=self,
            sieves={
                place: Sieve(
                    replace(
                        RULES_BY_PLACE[place],
                        median_of=3,
                        agree=2,
                        stale_after_s=STALE_S,
                    )
                )
                for place in IDS
            },
            outputs=OutputBank(self.outputs),
            journal=Journals(self.records, self),
            state=begin(now, last_stop=last_stop),
        )

    # --- the source of samples, and the journal

    def collect(self, now: float) -> Sequence[tuple[str, Sample]]:
        """Have every probe's file read by the probes' own threads, when it is time to."""
        if now < self._next_read:
            return []
        self._next_read = now + READ_EVERY_S
        true_c = {
            "air": self.chamber.air_c,
            "reservoir": self.chamber.reservoir_c,
            "room": self.chamber.room_c,
        }
        if self._exchanged:
            true_c["air"], true_c["reservoir"] = true_c["reservoir"], true_c["air"]
        for place, probe_id in IDS.items():
            if place in self._blocked or not self.tree.file(probe_id).exists():
                continue
            shown_c = self._held_c.get(place, true_c[place] + self._offset_k.get(place, 0.0))
            known = TEXTS["empty"] if self._is_silent(place, now) else self._texts.get(place)
            if known is None:
                self.tree.set(probe_id, round(shown_c * 16) / 16)
            else:
                self.tree.write(probe_id, known)
        for place in self._reading_slowly:  # since the last time
            self._gates[place].release()
            self._answered(1)
        samples = self._reader.collect(now)
        self._reading_slowly = set(self._gates)
        self._answered(len(IDS) - len(self._blocked | self._reading_slowly))
        return samples + self._reader.collect(now)

    def _is_silent(self, place: str, now: float) -> bool:
        """Return whether a probe that answers a part of the time does not now."""
        match self._silent.get(place):
            case "half of the time":
                return now % SILENT_EVERY_S >= SILENT_EVERY_S / 2
            case "while the pump runs":
                return self.outputs["pump"].on
            case _:
                return False

    def _read(self, path: Path) -> bytes:
        """Read a file, and let a slow probe take until the next time; called by its thread."""
        content = read_file(path)
        for place, gate in list(self._gates.items()):
            if path == self.tree.file(IDS[place]):
                assert gate.acquire(timeout=AT_MOST_S)
        return content

    def _answered(self, count: int) -> None:
        for _ in range(count):
            assert self._answers.acquire(timeout=AT_MOST_S), "a probe's thread gave nothing"

    def close(self) -> None:
        """End everything."""
        self.tree.release_all()
        for gate in self._gates.values():
            gate.release()
        self._reader.close()
        if self._locked is not None:
            self._locked.close()
        self.records.close(10.0)

    def note(self, now: float, inputs: Inputs, decision: Decision) -> None:
        """Keep which alarms stand."""
        del now, inputs
        for event in decision.events:
            if event.kind is EventKind.RAISED:
                self.standing.add((event.name, event.detail))
                self.raised.append(event.name)
            elif event.kind is EventKind.CLEARED:
                self.standing = {each for each in self.standing if each[0] != event.name}

    # --- time

    def turn(self) -> None:
        """Move on by a tick, and hold the decision against the law."""
        self.clock.move_to(self.clock.monotonic() + TICK_S)
        now = self.clock.monotonic()
        before = self.loop.state.cooling
        decision = self.loop.tick(now, self.band.at(now), records_fault=self.records.fault)
        self.watch.judge(decision, now)
        self.standing = {each for each in self.standing if each[0] != AlarmName.PROBE_STUCK.value}
        self.standing |= {(AlarmName.PROBE_STUCK.value, place) for place in self.watch.stuck}
        if self.watch.stuck and AlarmName.PROBE_STUCK.value not in self.raised:
            self.raised.append(AlarmName.PROBE_STUCK.value)
        after, inputs = self.loop.state.cooling, self.loop.inputs
        assert inputs is not None
        check_step(before, inputs, after, self.clock.monotonic(), self.loop.law)
        self.starts += after.pump and not before.pump
        pump, fan = (self.outputs[name].on or self._welded for name in ("pump", "fan"))
        self.chamber.move(pump=pump, fan=fan)

    def until_phase(self, phase: str) -> None:
        """Turn until a phase has been reached and lasted for a minute."""
        lasted = 0
        for _ in range(int(LONGEST_S / TICK_S)):
            self.turn()
            lasted = lasted + 1 if self.loop.state.cooling.phase is Phase(phase) else 0
            if lasted >= 12:
                return
        raise AssertionError(f"never came to {phase}")

    def play(self, scenario: Scenario) -> Outcome:
        """Bring a fault about, end it, and tell what came of it."""
        self.until_phase(scenario.begins_in)
        self.raised.clear()
        self.starts = 0
        outcome = Outcome(scenario=scenario)
        counted = self._refused(scenario.where)
        self._set(scenario, on=True)
        begun_s = self.clock.monotonic()  # after a standstill, if it is one
        order = 0 if scenario.where == "pump" else 1
        wanted = self._wanted()[order]
        # a relay that fails is none before it is told to do something
        waits = scenario.what == "output" and scenario.by in {"refuses", "sticks"}
        ends_s = begun_s + scenario.lasts_s
        while self.clock.monotonic() < ends_s:
            before_s = self.clock.monotonic()
            self.turn()
            outcome.course.append((self.outputs["pump"].on, self.outputs["fan"].on))
            if waits and self._wanted()[order] != wanted:
                waits, begun_s = False, before_s
            if not waits:
                self._observe(outcome, self.clock.monotonic() - begun_s)
        refused = self._refused(scenario.where)
        outcome.refused = {
            reason: count - counted.get(reason, 0)
            for reason, count in refused.items()
            if count > counted.get(reason, 0)
        }
        ended_s = self.clock.monotonic()
        self._set(scenario, on=False)
        for _ in range(int(LONGEST_S / TICK_S)):
            if scenario.alarm is None or scenario.alarm not in {name for name, _ in self.standing}:
                outcome.recovered_s = self.clock.monotonic() - ended_s
                break
            self.turn()
        outcome.alarms = list(dict.fromkeys(self.raised))
        outcome.starts = self.starts
        return outcome

    def _wanted(self) -> tuple[bool, bool]:
        cooling = self.loop.state.cooling
        return cooling.pump, cooling.fan

    def _observe(self, outcome: Outcome, since_s: float) -> None:
        names = {name for name, _ in self.standing}
        if outcome.noticed_s is None and outcome.scenario.alarm in names:
            outcome.noticed_s = since_s
        # one that does not obey cannot be made safe; the other must be
        obeying = [output for output in self.outputs.values() if output.mood == "well"]
        off = not any(output.on for output in obeying)
        if outcome.safe_s is None and off:
            outcome.safe_s = since_s
        elif outcome.safe_s is not None and not off:
            outcome.on_after_safe = True

    def _refused(self, place: str) -> dict[str, int]:
        sieve = self.loop.sieves.get(place.split(" and ", maxsplit=1)[0])
        return {} if sieve is None else {f.value: n for f, n in sieve.counts.items()}

    # --- what can go wrong

    def _set(self, scenario: Scenario, *, on: bool) -> None:  # noqa: PLR0915 - a table of kinds
        """Bring a fault about or end it."""
        places = [place for place in scenario.where.split(" and ") if place]
        match scenario.what:
            case "text":
                self._put(self._texts, places, TEXTS[scenario.by], on=on)
            case "blocks":
                self._block(places, on=on)
            case "slow":
                self._slow(places, on=on)
            case "gone":
                for place in places:
                    (self.tree.remove if on else self.tree.add_probe)(IDS[place])
            case "another id":
                self.tree.remove(IDS[scenario.where] if on else SPARE)
                self.tree.add_probe(SPARE if on else IDS[scenario.where])
            case "ghosts":
                for number in range(500 if on else 0):
                    self.tree.add_ghost(f"00-{number:011x}0")
            case "bulk":
                self.tree.set_bulk(int(scenario.by) if on else None)
            case "nothing":
                pass
            case "off by":
                self._put(self._offset_k, places, float(scenario.by), on=on)
            case "stuck":
                self._put(self._held_c, places, float(scenario.by), on=on)
            case "silent":
                self._put(self._silent, places, scenario.by, on=on)
            case "silent on warm water":
                self.chamber.reservoir_c = 24.0 if on else 4.0
                self._put(self._silent, places, scenario.by, on=on)
            case "exchanged":
                self._exchanged = on
            case "welded":
                self._welded = on
            case "output":
                for place in places:
                    self.outputs[place].mood = scenario.by if on else "well"
            case "no flow":
                self.chamber.flows = not on
            case "warm reservoir":
                self.chamber.reservoir_c = 24.0 if on else 4.0
            case "clock":
                if on:
                    by_s = seconds(scenario.by.removeprefix("-"))
                    self.clock.off += timedelta(seconds=-by_s if scenario.by[0] == "-" else by_s)
            case "asleep":
                if on:
                    self.clock.move_to(self.clock.monotonic() + seconds(scenario.by))
            case "power cut":
                if on:
                    for output in self.outputs.values():
                        output.switch(False)
                    self.loop = self._new_loop()
            case "locked":
                self._lock(on=on)
            case "full":
                self._fill(on=on)
            case other:
                raise AssertionError(f"{scenario.name}: nothing can go wrong like {other!r}")

    def _block(self, places: Sequence[str], *, on: bool) -> None:
        """Let reads hang on a pipe, or let those that hang come back empty-handed."""
        for place in places:
            if on:
                self.tree.block(IDS[place])
                self._blocked.add(place)
            else:
                self.tree.set(IDS[place], 20.0)
                self.tree.release(IDS[place])
                self._blocked.discard(place)
        if not on:
            self._answered(len(places))

    def _slow(self, places: Sequence[str], *, on: bool) -> None:
        """Let reads take until the next ones are due, far beyond their deadline."""
        for place in places:
            if on:
                self._gates[place] = threading.Semaphore(0)
            else:
                self._gates.pop(place).release()
                self._reading_slowly.discard(place)
                self._answered(1)

    @staticmethod
    def _put(into: dict[str, Any], places: Sequence[str], value: Any, *, on: bool) -> None:
        for place in places:
            if on:
                into[place] = value
            else:
                into.pop(place, None)

    def _lock(self, *, on: bool) -> None:
        if on:
            self._settled()
            self._locked = sqlite3.connect(self.records_path, isolation_level=None)
            self._locked.execute("BEGIN EXCLUSIVE")
            self.records.keep_event(self.clock.monotonic(), "stage", "lock")
            until(lambda: self.records.fault is not None)
        else:
            assert self._locked is not None
            self._locked.execute("ROLLBACK")
            self._locked.close()
            self._locked = None
            until(lambda: self.records.fault is None)

    def _fill(self, *, on: bool) -> None:
        """Take the last byte of the records' file system, or give it back."""
        ballast = self.records_path.with_name("ballast")
        if not on:
            ballast.unlink()
            # by itself it tries again within a minute; the next event tries at once
            self.records.keep_event(self.clock.monotonic(), "stage", "room again")
            until(lambda: self.records.fault is None)
            return
        self._settled()
        with contextlib.suppress(OSError), ballast.open("wb", buffering=0) as file:
            while True:
                file.write(bytes(4096))
        for number in range(1500):  # what fits into pages that are there already still fits
            self.records.keep_event(self.clock.monotonic(), "stage", f"{number:0400}")
        until(lambda: self.records.fault is not None)

    def _settled(self) -> None:
        """Have everything written that waits for the next batch."""
        self.records.keep_event(self.clock.monotonic(), "stage", "settled")
        until(lambda: self.records_path.exists() and self.records.waiting == 0)


def played(scenario: Scenario, folder: Path) -> Outcome:
    """Bring a fault about on a chamber of its own, on a small card where it is about a card.

    Raises:
        OSError: It takes a small file system, and this user may not mount one.
    """
    with contextlib.ExitStack() as stack:
        card = stack.enter_context(small_medium(folder)) if scenario.what == "full" else None
        bench = Bench(folder, medium=card)
        stack.callback(bench.close)
        outcome = bench.play(scenario)
    if scenario.outputs == "as ever":
        twin_folder = folder / "twin"
        twin_folder.mkdir()
        twin = Bench(twin_folder)
        with contextlib.closing(twin):
            outcome.without = twin.play(replace(scenario, what="nothing", alarm=None)).course
    return outcome
