"""Months of ticks with troubles thrown at random: the service's own loop, sieves and records.

The chamber is two numbers and a coin; what is under test is everything around it. After every tick
the invariants of the control law are checked, and that the outputs are as decided.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, time
from pathlib import Path
from random import Random

from controller.core.decide import begin
from controller.core.law import Band
from controller.core.state import NOTHING_ASKED, Asked, Decision, Inputs
from controller.domain.alarms import AlarmName
from controller.errors import OutputError
from controller.outputs.dry import DryOutput
from controller.probes.samples import Fault, Sample
from controller.probes.sieve import Sieve, SieveRules
from controller.records.writer import RecordsWriter
from controller.rehearsal.simulated_clock import SimulatedClock
from controller.service.journal import Journals
from controller.service.loop import BandInForce, ControlLoop
from controller.service.output_bank import OutputBank
from controller.settings.law_of import BandSchedule
from tests.support.invariants import check_step
from tests.support.laws import make_law

TICK_S = 5.0
PLACES = ("air", "reservoir", "room")
SAMPLE_FAULTS = (
    Fault.EMPTY, Fault.ABSENT, Fault.BAD_CRC, Fault.POWER_ON, Fault.ALL_ZERO, Fault.UNREADABLE
)  # fmt: skip


class Moody(DryOutput):
    """An output that refuses, sticks or reads back wrong for a while."""

    def __init__(self) -> None:
        super().__init__()
        self.mood = "well"

    def switch(self, on: bool) -> None:
        if self.mood == "refuses":
            raise OutputError("no answer")
        if self.mood != "sticks":
            super().switch(on)

    def read_back(self) -> bool | None:
        result = super().read_back()
        return (not result) if self.mood == "reads wrong" and result is not None else result


@dataclass(slots=True)
class Chamber:
    """Air and reservoir that follow what is switched, and the troubles of their probes."""

    random: Random
    air_c: float = 18.0
    reservoir_c: float = 5.0
    flow: bool = True
    trouble: dict[str, str] = field(default_factory=dict)
    thrown: Counter[str] = field(default_factory=Counter)
    pump: bool = False
    fan: bool = False

    def collect(self, now: float) -> Sequence[tuple[str, Sample]]:
        """Move on by a tick and return what the probes say of it."""
        random = self.random
        room_c = 24.0
        cooling = self.pump and self.fan and self.flow
        self.air_c += TICK_S * ((room_c - self.air_c) / 2400.0)
        if cooling:
            pull = TICK_S * (self.air_c - self.reservoir_c) / 1500.0
            self.air_c -= pull
            self.reservoir_c += pull / 12.0
        self.reservoir_c += TICK_S * (room_c - self.reservoir_c) / 200_000.0
        if random.random() < 1.0 / 6000.0:
            self.reservoir_c = random.uniform(0.5, 4.0)
        self._throw()
        samples = []
        for place, true_c in zip(PLACES, (self.air_c, self.reservoir_c, room_c), strict=True):
            mood = self.trouble.get(place)
            if mood == "silent":
                continue
            if mood == "faulty":
                samples.append((place, Sample(now, None, random.choice(SAMPLE_FAULTS))))
                continue
            felt_c = random.uniform(-55.0, 125.0) if mood == "wild" else true_c
            sixteenths = round((felt_c + random.gauss(0.0, 0.03)) * 16)
            samples.append((place, Sample(now, round(sixteenths / 16 * 1000))))
        return samples

    def _throw(self) -> None:
        random = self.random
        for place in PLACES:
            if place in self.trouble:
                if random.random() < 0.01:
                    del self.trouble[place]
            elif random.random() < 1.0 / 2000.0:
                mood = random.choice(("silent", "faulty", "wild"))
                self.trouble[place] = mood
                self.thrown[f"{place} {mood}"] += 1
        if random.random() < (1.0 / 4000.0 if self.flow else 0.002):
            self.flow = not self.flow
            self.thrown["lost prime"] += not self.flow

    def close(self) -> None:
        """Nothing to close."""


@dataclass(frozen=True, slots=True)
class Soaked:
    """What came of it."""

    ticks: int
    starts: int
    thrown: dict[str, int]
    alarms: dict[str, int]


class Soak:
    """One soak; `turn` may be called again and again."""

    def __init__(self, seed: int, records: Path) -> None:
        """Set it up.

        Args:
            seed: Of everything that is thrown.
            records: Where records are kept.
        """
        self.random = Random(seed)
        self.chamber = Chamber(Random(seed + 1))
        self.outputs = {"pump": Moody(), "fan": Moody(), "signal": Moody()}
        self.clock = SimulatedClock(datetime(2026, 7, 1, 12, tzinfo=UTC))
        self.alarms: Counter[str] = Counter()
        self.starts = self.ticks = 0
        now = self.clock.monotonic()
        self.records = RecordsWriter(records, chamber="soak", boot_id="b", ahead_s=0.0)
        rules = SieveRules(median_of=3, agree=2, stale_after_s=60.0)
        self.asked: Asked = NOTHING_ASKED
        self.swap_due: bool | None = None
        schedule = BandSchedule(
            day=Band(16_500, 15_500),
            night=Band(15_500, 14_500),
            night_from=time(22),
            night_to=time(6),
        )
        self.band = BandInForce(schedule, self.clock)
        self.loop = ControlLoop(
            law=make_law(),
            source=self.chamber,
            sieves={place: Sieve(rules) for place in PLACES},
            outputs=OutputBank(self.outputs),
            journal=Journals(self.records, self),
            state=begin(now, last_stop=now - 1000.0),
            signal_for=frozenset({AlarmName.AIR_HIGH, AlarmName.PROBE_LOST}),
        )

    def note(self, now: float, inputs: Inputs, decision: Decision) -> None:
        """Count the alarms."""
        for event in decision.events:
            if event.kind.value == "alarm_raised":
                self.alarms[event.name] += 1

    def turn(self, ticks: int) -> Soaked:
        """Turn the loop, and fail on the first tick that breaks a rule."""
        loop, clock, outputs = self.loop, self.clock, self.outputs
        for _ in range(ticks):
            self.ticks += 1
            clock.move_to(clock.monotonic() + TICK_S)
            self._throw()
            before = loop.state.cooling
            now = clock.monotonic()
            decision = loop.tick(now, self.band.at(now), asked=self.asked, swap_due=self.swap_due)
            after, inputs = loop.state.cooling, loop.inputs
            assert inputs is not None
            where = f"tick {self.ticks}"
            try:
                check_step(before, inputs, after, clock.monotonic(), loop.law)
            except AssertionError as error:
                raise AssertionError(f"{where}: {error}") from error
            assert (decision.pump, decision.fan) == (after.pump, after.fan), where
            if loop.outputs.fault is None and self._well():
                result = (outputs["pump"].on, outputs["fan"].on)
                assert result == (decision.pump, decision.fan), where
            self.chamber.pump, self.chamber.fan = outputs["pump"].on, outputs["fan"].on
            self.starts += after.pump and not before.pump
        return Soaked(self.ticks, self.starts, dict(self.chamber.thrown), dict(self.alarms))

    def _well(self) -> bool:
        return all(self.outputs[name].mood == "well" for name in ("pump", "fan"))

    def _throw(self) -> None:
        random = self.random
        for name, output in self.outputs.items():
            if output.mood != "well":
                if random.random() < 0.02:
                    output.mood = "well"
            elif random.random() < 1.0 / 20_000.0:
                output.mood = random.choice(("refuses", "sticks", "reads wrong"))
                self.chamber.thrown[f"{name} {output.mood}"] += 1
        self.asked = NOTHING_ASKED
        if random.random() < 1.0 / 3000.0:
            asked = random.choice(
                (
                    Asked(pause_s=random.uniform(5.0, 900.0)),
                    Asked(resume=True),
                    Asked(reset=True),
                    Asked(acknowledge=tuple(AlarmName)),
                )
            )
            self.asked = asked
            self.chamber.thrown["asked"] += 1
        if random.random() < 1.0 / 5000.0:
            self.swap_due = random.choice((None, True, False))

    def close(self) -> None:
        """End off, and write what waits."""
        self.loop.close()
        self.records.close(20.0)
