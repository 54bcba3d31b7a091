"""Days of a chamber as inputs of the law, and what it makes of them as lines that can be read.

A tape is drawn at random from a fixed seed: a toy chamber that follows what is decided, readings on
the probe's grid, so that thresholds are met exactly, probes that are lost, people who ask, outputs
and records that fail. Only ticks in which something changes become a line.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from random import Random

from controller.core.decide import begin, decide
from controller.core.law import AlarmDelay, Band, FallbackPolicy, FlowProof, Law
from controller.core.state import NOTHING_ASKED, Asked, Decision, Inputs
from controller.domain.alarms import AlarmName
from controller.domain.temperatures import Lost, Reading, Seen
from tests.support.laws import BAND, make_law

TICK_S = 5.0
GRID_MC = 62.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Tape:
    """What is played."""

    seed: int
    law: Law
    hours: float
    outlet: bool = False
    """Whether a probe hangs at the coil's outlet."""
    hot: float = 0.0
    """How much warmer than usual the room is [K]."""
    comes_back: float = 0.02
    """Chance in a tick that a lost probe answers again [-]."""
    trouble: float = 1.0
    """How often something goes wrong, 1 being often."""


def delays(law: Law) -> Law:
    """Return the law with another delay for every alarm, so that none stands for another."""
    made = tuple(
        (name, AlarmDelay(raise_s=15.0 + 10.0 * index, clear_s=10.0 + 5.0 * index))
        for index, name in enumerate(AlarmName)
    )
    return replace(law, alarms=replace(law.alarms, delays=made))


_QUICK_FLOW = FlowProof(
    after_s=300, air_drop_mk=300, outlet_drop_mk=1000, colder_by_mk=4000, doubt_rise_mk=1000,
    wait_s=200, tries=2, lockout_s=1800,
)  # fmt: skip
TAPES = {
    "ordinary": Tape(seed=1, law=delays(make_law()), hours=24, trouble=0.0),
    "troubled": Tape(seed=2, law=delays(make_law(longest_run_s=1200)), hours=36),
    "by-the-clock": Tape(
        seed=3,
        law=delays(
            make_law(policy=FallbackPolicy.TIMED, starts_per_hour=3, minimum_run_s=1800)
        ),
        hours=36,
        comes_back=0.002,
    ),
    "lost-prime": Tape(
        seed=4, law=replace(delays(make_law()), flow=_QUICK_FLOW), hours=36, outlet=True
    ),
    "hot": Tape(seed=5, law=delays(make_law(longest_run_s=1800)), hours=24, hot=12.0, trouble=0.4),
    "early": Tape(
        seed=7, law=delays(make_law(lead_s=120)), hours=24, hot=-5.0, trouble=0.2
    ),
    "short-timers": Tape(
        seed=6,
        law=delays(
            make_law(
                minimum_run_s=0, anti_short_cycle_s=0, prime_s=0, run_on_s=0,
                permissive_debounce_s=0, low_limit_c=15.0, margin_k=6.0,
            )
        ),
        hours=12,
    ),
}  # fmt: skip


class _Toy:
    """Air, water and what goes wrong."""

    def __init__(self, tape: Tape) -> None:
        self.random = Random(tape.seed)
        self.tape = tape
        self.air_c, self.water_c, self.flows = 18.0, 4.0, True
        self.lost: dict[str, str] = {}
        self.output_fault: str | None = None
        self.records_fault: str | None = None
        self.swap_due: bool | None = None
        self.band = BAND

    def move(self, decision: Decision) -> None:
        """Move on by a tick."""
        room_c = 24.0 + self.tape.hot
        self.air_c += TICK_S * (room_c - self.air_c) / 2400.0
        if decision.pump and decision.fan and self.flows:
            pull_k = TICK_S * (self.air_c - self.water_c) / 1500.0
            self.air_c -= pull_k
            self.water_c += pull_k / 8.0
        self.water_c += TICK_S * (room_c - self.water_c) / 150_000.0

    def throw(self) -> Asked:
        """Let things go wrong and come right; return what somebody asks for."""
        random, often = self.random, self.tape.trouble
        if random.random() < 1 / 4000 or (self.water_c > 16.0 and random.random() < 1 / 200):
            self.water_c = random.choice((0.5, 2.0, 4.0, 9.0, 17.0))
        for place in ("air", "reservoir", "room", "outlet"):
            if place in self.lost:
                if random.random() < self.tape.comes_back:
                    del self.lost[place]
            elif random.random() < often / 1500:
                self.lost[place] = random.choice(("gone", "stale"))
        if random.random() < often * (1 / 1500 if self.flows else 1 / 300):
            self.flows = not self.flows
        if random.random() < often / 800:
            self.output_fault = random.choice((None, "pump", "fan"))
        if random.random() < often / 1500:
            self.records_fault = random.choice((None, "disk full"))
        if random.random() < often / 600:
            self.swap_due = random.choice((None, True, False))
        if random.random() < often / 2500:
            self.band = random.choice((BAND, Band(15_500, 14_500), Band(18_000, 16_500)))
        if random.random() < often / 1500:
            self.air_c += random.choice((-4.0, 4.0))
        if random.random() >= often / 400:
            return NOTHING_ASKED
        return random.choice(
            (
                Asked(pause_s=random.choice((60.0, 600.0))),
                Asked(resume=True),
                Asked(reset=True),
                Asked(acknowledge=tuple(AlarmName)),
                Asked(acknowledge=(AlarmName.AIR_HIGH,)),
                Asked(pause_s=120.0, reset=True, acknowledge=(AlarmName.PROBE_LOST,)),
            )
        )

    def inputs(self, decision: Decision, asked: Asked) -> Inputs:
        """Return what the law is given."""

        def read(place: str, true_c: float) -> Reading:
            why = self.lost.get(place)
            grid = round(true_c * 1000 / GRID_MC) * GRID_MC
            return Lost(why) if why is not None else Seen(round(grid))

        cooled = decision.pump and decision.fan and self.flows
        outlet_c = self.water_c + 1.0 if cooled else self.air_c
        return Inputs(
            band=self.band,
            air=read("air", self.air_c),
            reservoir=read("reservoir", self.water_c),
            room=read("room", 24.0 + self.tape.hot),
            coil_outlet=read("outlet", outlet_c) if self.tape.outlet else None,
            asked=asked,
            output_fault=self.output_fault,
            records_fault=self.records_fault,
            swap_due=self.swap_due,
        )


def played(tape: Tape) -> Iterator[tuple[float, Inputs, Decision]]:
    """Yield instant, inputs and decision of every tick."""
    now = 1000.0
    state, toy = begin(now, last_stop=now - 200.0), _Toy(tape)
    inputs, decision = None, state.decision
    for _ in range(int(tape.hours * 3600 / TICK_S)):
        now += TICK_S
        toy.move(decision)
        fresh = toy.inputs(decision, toy.throw())
        inputs = inputs if inputs == fresh else fresh  # the loop too passes the same object on
        assert inputs is not None
        state, decision = decide(state, inputs, now, tape.law)
        yield now, inputs, decision


def lines(tape: Tape) -> Iterator[str]:
    """Yield a line for every tick in which something changed."""
    shown = ""
    for now, _, decision in played(tape):
        how = (
            f"{decision.phase.value:8} pump {'on ' if decision.pump else 'off'} "
            f"fan {'on ' if decision.fan else 'off'} {decision.reason.value}"
        )
        if how == shown and not decision.events:
            continue
        shown = how
        events = "; ".join(
            f"{event.kind.value} {event.name} {event.detail}".rstrip()
            for event in decision.events
            if event.kind.value != "phase"
        )
        yield f"{now - 1000.0:8.0f}  {how}{'  | ' if events else ''}{events}".rstrip()
