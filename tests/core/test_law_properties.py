"""Long random histories through the whole decision, alarms and the quiet shortcut included."""

from __future__ import annotations

import math
from dataclasses import replace
from random import Random

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from controller.core.alarm_board import standing_alarms
from controller.core.decide import begin, decide
from controller.core.law import FallbackPolicy, Law
from controller.core.state import NOTHING_ASKED, Asked, Inputs
from controller.domain.alarms import AlarmName
from controller.domain.control_phase import Phase
from controller.domain.events import EventKind
from tests.core.test_window import decided_anew, inside, within_the_hour
from tests.support.invariants import check_step
from tests.support.laws import make_inputs, make_law, reading
from tests.support.random_inputs import examples

OF_A_PROBE = {AlarmName.PROBE_LOST, AlarmName.PROBE_UNSTEADY}
AIR_C = st.one_of(st.none(), st.sampled_from([11.9, 12.0, 15.5, 15.6, 16.4, 16.5, 17.0, 20.0]))
RESERVOIR_C = st.one_of(st.none(), st.sampled_from([0.2, 4.0, 13.5, 14.5, 15.0, 19.0]))


class ControlHistory(RuleBasedStateMachine):
    """Readings, wishes and faults in any order, with any time between."""

    @initialize(
        policy=st.sampled_from(list(FallbackPolicy)),
        asc_s=st.sampled_from([0, 60, 300]),
        minimum_run_s=st.sampled_from([10, 120, 400]),
        prime_s=st.sampled_from([0, 10]),
        run_on_s=st.sampled_from([0, 60]),
        flow_after_s=st.sampled_from([100, 600]),
    )
    def start(
        self,
        policy: FallbackPolicy,
        asc_s: float,
        minimum_run_s: float,
        prime_s: float,
        run_on_s: float,
        flow_after_s: float,
    ) -> None:
        self.law: Law = make_law(
            policy=policy,
            anti_short_cycle_s=asc_s,
            minimum_run_s=minimum_run_s,
            prime_s=prime_s,
            run_on_s=min(run_on_s, asc_s),
            flow_after_s=flow_after_s,
        )
        self.now = 1000.0
        self.state = begin(self.now)
        self.slow = self.state
        self.inputs: Inputs = make_inputs(16.0)
        self.standing: set[tuple[AlarmName, str]] = set()

    def step(self, inputs: Inputs) -> None:
        before = self.state.cooling
        self.state, decision = decide(self.state, inputs, self.now, self.law)
        # the same without any shortcut: no window, and each alarm judged
        blank = replace(self.slow, window=None, judged=None)
        self.slow, long_way = decide(blank, replace(inputs), self.now, self.law)
        assert decision == long_way
        assert self.state.cooling == self.slow.cooling
        assert self.state.alarms == self.slow.alarms
        check_step(before, inputs, self.state.cooling, self.now, self.law)
        for event in decision.events:
            if event.kind is EventKind.RAISED:
                key = (AlarmName(event.name), event.detail)
                assert key not in self.standing, "an alarm was raised twice"
                self.standing.add(key)
            elif event.kind is EventKind.CLEARED:
                self.standing = {
                    key
                    for key in self.standing
                    if key[0].value != event.name
                    or (key[0] in OF_A_PROBE and key[1] != event.detail)
                }

    @rule(
        air_c=AIR_C,
        reservoir_c=RESERVOIR_C,
        outlet_c=st.one_of(st.none(), st.sampled_from([6.0, 16.5])),
        fitted=st.booleans(),
        room_c=st.one_of(st.none(), st.sampled_from([12.0, 24.0, 25.0])),
        level=st.sampled_from([None, None, True, False]),
        fault=st.sampled_from([None, None, None, "pump"]),
    )
    def read(
        self,
        air_c: float | None,
        reservoir_c: float | None,
        outlet_c: float | None,
        fitted: bool,
        room_c: float | None,
        level: bool | None,
        fault: str | None,
    ) -> None:
        outlet = reading(outlet_c) if fitted else None
        room = reading(room_c) if fitted else None
        self.inputs = make_inputs(
            air_c, reservoir_c, coil_outlet=outlet, room=room, output_fault=fault, level=level
        )
        self.step(self.inputs)

    @rule(tick_s=st.sampled_from([0.1, 1.0, 5.0, 17.3, 59.9]), ticks=st.integers(1, 40))
    def wait(self, tick_s: float, ticks: int) -> None:
        for _ in range(ticks):
            self.now += tick_s
            self.step(self.inputs)

    @rule(
        asked=st.sampled_from(
            [
                Asked(pause_s=90),
                Asked(resume=True),
                Asked(reset=True),
                Asked(acknowledge=tuple(AlarmName)),
            ]
        )
    )
    def ask(self, asked: Asked) -> None:
        self.step(replace(self.inputs, asked=asked))
        self.inputs = replace(self.inputs, asked=NOTHING_ASKED)

    @rule(seed=st.integers(0, 2**16))
    def stay_inside_the_window(self, seed: int) -> None:
        """Whatever the readings do inside it, deciding anew changes nothing."""
        window = self.state.window
        if window is None:
            return
        random = Random(seed)
        last = min(window.until, self.now + 86_400.0)
        for at in (self.now, random.uniform(self.now, last), math.nextafter(last, 0.0)):
            if self.now <= at < window.until:
                other = inside(random, window)
                assert window.holds(other, at, self.law)
                assert decided_anew(self.state, other, at, self.law) == within_the_hour(
                    self.state, at
                )

    @rule(after_s=st.sampled_from([0.0, 1.0, 100.0, 10_000.0]))
    def restart(self, after_s: float) -> None:
        """The alarms that stood stand on, and none is raised twice."""
        self.now += after_s
        self.state = begin(self.now, alarms=standing_alarms(self.state))
        self.slow = self.state

    @precondition(lambda self: self.state.cooling.phase is Phase.LOCKOUT)
    @rule()
    def lockout_keeps_everything_off(self) -> None:
        assert not self.state.decision.pump
        assert not self.state.decision.fan


TestControlHistory = ControlHistory.TestCase
TestControlHistory.settings = examples(
    60,
    stateful_step_count=60,
)
