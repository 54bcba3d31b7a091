"""Every reachable state of the control law on a coarse grid of inputs and timers."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from itertools import product

import pytest

from controller.core.decide import begin
from controller.core.law import FallbackPolicy, Law
from controller.core.phases import regulate
from controller.core.state import Asked, Cooling, Inputs, Phase
from controller.core.transitions import OUTPUTS, TRANSITIONS
from tests.support.invariants import check_step
from tests.support.laws import make_inputs, make_law

TICK_S = 1.0
PAUSE_S = 2.0
TIMERS = ((1, 2), (0, 0), (0, 4), (1, 4))
"""Prime and run-on [s]: both, neither, and a run-on that ends as the pump may start again."""


def coarse_law(policy: FallbackPolicy, *, prime_s: float, run_on_s: float) -> Law:
    """Timers of a few ticks, all different where their order matters."""
    law = make_law(
        minimum_run_s=3,
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
    """Every mix of air, reservoir, wish and output fault that the law tells apart."""
    wishes = (Asked(), Asked(pause_s=PAUSE_S), Asked(resume=True), Asked(reset=True))
    return [
        make_inputs(air_c, reservoir_c, asked=asked, output_fault=fault)
        for air_c, reservoir_c, asked, fault in product(
            (None, 11.0, 15.4, 16.0, 17.0), (None, 4.0, 16.0), wishes, (None, "pump")
        )
    ]


def relative(cooling: Cooling, now: float, law: Law) -> Cooling:
    """Give ages instead of instants, none larger than the law can tell, so that states repeat."""
    oldest = max(law.timing.anti_short_cycle_s, law.flow.wait_s, law.flow.lockout_s)

    def age(since: float | None) -> float | None:
        return None if since is None else -min(now - since, oldest)

    locked = cooling.phase is Phase.LOCKOUT
    return replace(
        cooling,
        pump_since=age(cooling.pump_since),
        phase_since=age(cooling.phase_since) if locked else 0.0,
        warm_since=age(cooling.warm_since),
        unanswered_since=age(cooling.unanswered_since),
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
        for inputs in inputs_grid:
            after = regulate(cooling, inputs, TICK_S, law)
            check_step(cooling, inputs, after, TICK_S, law)
            steps += 1
            outputs.add((after.phase, (after.pump, after.fan)))
            if after.phase is not cooling.phase:
                transitions.add((cooling.phase, after.phase))
            state = relative(after, TICK_S, law)
            if state not in seen:
                seen.add(state)
                frontier.append(state)
    return Explored(len(seen), steps, frozenset(outputs), frozenset(transitions))


@pytest.mark.parametrize(("prime_s", "run_on_s"), TIMERS)
@pytest.mark.parametrize("policy", list(FallbackPolicy), ids=lambda policy: policy.value)
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
    every = [explored(policy, *timers) for policy in FallbackPolicy for timers in TIMERS]
    met = frozenset().union(*(each.transitions for each in every))
    written = {(row.before, row.after) for row in TRANSITIONS}

    assert len(written) == len(TRANSITIONS), "a step stands there twice"
    assert met - written == set()
    assert written - met == set()


def test_the_outputs_of_each_phase_are_those_of_the_table() -> None:
    """Every pair that the table allows is met, and no other."""
    every = [explored(policy, *timers) for policy in FallbackPolicy for timers in TIMERS]

    assert frozenset().union(*(each.outputs for each in every)) == {
        (phase, pair) for phase, pairs in OUTPUTS.items() for pair in pairs
    }
