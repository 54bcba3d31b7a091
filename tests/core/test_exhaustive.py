"""Every reachable state of the control law on a coarse grid of inputs and timers."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from itertools import product

import pytest

from controller.core.decide import begin
from controller.core.law import FallbackPolicy, Law
from controller.core.phases import LOST_RUNS_BORNE, regulate
from controller.core.state import NOTHING_ASKED, Asked, Cooling, Inputs
from controller.core.stopwatch import Stopwatch
from controller.core.transitions import OUTPUTS, TRANSITIONS
from controller.domain.control_phase import Phase
from tests.support.invariants import check_step
from tests.support.laws import make_inputs, make_law

TICK_S = 1.0
PAUSE_S = 2.0
VARIANTS = (
    (FallbackPolicy.OFF, 1, 2),
    (FallbackPolicy.OFF, 1, 4),
    (FallbackPolicy.OFF, 0, 4),
    (FallbackPolicy.TIMED, 1, 2),
    (FallbackPolicy.TIMED, 0, 0),
)
"""Policy, prime and run-on [s]: a run-on of 4 s ends as the pump may start again."""


def coarse_law(policy: FallbackPolicy, *, prime_s: float, run_on_s: float) -> Law:
    """Timers of a few ticks, all different where their order matters."""
    law = make_law(
        minimum_run_s=3,
        longest_run_s=9,
        longest_unseen_run_s=5,
        anti_short_cycle_s=4,
        prime_s=prime_s,
        run_on_s=run_on_s,
        permissive_debounce_s=2,
        flow_after_s=2,
        flow_tries=2,
        flow_wait_s=5,
        lockout_s=5,
        policy=policy,
    )
    return replace(law, fallback=replace(law.fallback, on_s=2, off_s=3))


def all_inputs() -> list[Inputs]:
    """Every mix of air, reservoir, and what people ask or what fails, that the law tells apart."""
    besides: tuple[tuple[Asked, str | None, bool | None], ...] = (
        (NOTHING_ASKED, None, None),
        (Asked(pause_s=PAUSE_S), None, None),
        (Asked(resume=True), None, None),
        (Asked(reset=True), None, None),
        (NOTHING_ASKED, "pump", None),
        (NOTHING_ASKED, None, False),
    )
    return [
        make_inputs(air_c, reservoir_c, asked=asked, output_fault=fault, level=level)
        for air_c, reservoir_c, (asked, fault, level) in product(
            (None, 11.0, 15.4, 16.0, 17.0), (None, 4.0, 16.0), besides
        )
    ]


def relative(cooling: Cooling, now: float, law: Law) -> Cooling:
    """Give ages instead of instants, none larger than the law can tell, so that states repeat."""
    oldest = max(
        law.flow.wait_s,
        law.flow.lockout_s,
        law.timing.longest_run_s,
    )

    def age(since: float | None) -> float | None:
        return None if since is None else -min(now - since, oldest)

    def aged(watch: Stopwatch) -> Stopwatch:
        return watch if watch.since is None else Stopwatch(watch.elapsed_s(now), 0.0)

    locked = cooling.phase is Phase.LOCKOUT
    return cooling._replace(
        pump_since=age(cooling.pump_since),
        phase_since=age(cooling.phase_since) if locked else 0.0,
        warm=aged(cooling.warm),
        flow=cooling.flow._replace(unanswered=aged(cooling.flow.unanswered)),
        trend=(),
        # these two decide alarms only
        flow_suspect=False,
        overran=False,
        lost_runs=min(cooling.lost_runs, LOST_RUNS_BORNE),
        paused_until=None if cooling.paused_until is None else cooling.paused_until - now,
    )


@dataclass(frozen=True)
class Explored:
    """What an exploration to the fixed point met."""

    states: int
    steps: int
    outputs: frozenset[tuple[Phase, tuple[bool, bool]]]
    transitions: frozenset[tuple[Phase, Phase]]


@cache
def explored(policy: FallbackPolicy, prime_s: float, run_on_s: float) -> Explored:
    """Visit every reachable state, give it every input, and hold every invariant against it."""
    law, inputs_grid = coarse_law(policy, prime_s=prime_s, run_on_s=run_on_s), all_inputs()
    seen = {relative(begin(0.0).cooling, 0.0, law)}
    frontier = list(seen)
    steps, outputs, transitions = 0, set(), set()
    while frontier:
        cooling = frontier.pop()
        reached: set[Cooling] = set()  # most inputs lead to a few states
        for inputs in inputs_grid:
            after = regulate(cooling, inputs, TICK_S, law)
            check_step(cooling, inputs, after, TICK_S, law)
            steps += 1
            if after in reached:
                continue
            reached.add(after)
            outputs.add((after.phase, (after.pump, after.fan)))
            if after.phase is not cooling.phase:
                transitions.add((cooling.phase, after.phase))
            state = relative(after, TICK_S, law)
            if state not in seen:
                seen.add(state)
                frontier.append(state)
    return Explored(len(seen), steps, frozenset(outputs), frozenset(transitions))


@pytest.mark.parametrize(("policy", "prime_s", "run_on_s"), VARIANTS)
def test_every_reachable_state_keeps_the_law(
    policy: FallbackPolicy, prime_s: float, run_on_s: float, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exploration to the fixed point: each state with each input keeps every invariant."""
    met = explored(policy, prime_s, run_on_s)
    with capsys.disabled():
        print(f"\n  policy {policy.value}: {met.states} states, {met.steps} steps explored")  # noqa: T201

    assert met.states > 250


def test_the_transition_table_holds_every_step_and_no_other() -> None:
    """Over both policies, with prime and run-on and without."""
    every = [explored(*variant) for variant in VARIANTS]
    met = frozenset().union(*(each.transitions for each in every))
    written = {(row.before, row.after) for row in TRANSITIONS}

    assert len(written) == len(TRANSITIONS), "a step stands there twice"
    assert met - written == set()
    assert written - met == set()


def test_the_outputs_of_each_phase_are_those_of_the_table() -> None:
    """Every pair that the table allows is met, and no other."""
    every = [explored(*variant) for variant in VARIANTS]

    assert frozenset().union(*(each.outputs for each in every)) == {
        (phase, pair) for phase, pairs in OUTPUTS.items() for pair in pairs
    }
