"""Every reachable state of the control law on a coarse grid of inputs and timers."""

from __future__ import annotations

from dataclasses import dataclass, replace
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
ANTI_SHORT_CYCLE_S = 4.0
ROWS = {(row.before, row.after) for row in TRANSITIONS}
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
        anti_short_cycle_s=ANTI_SHORT_CYCLE_S,
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
    timing = law.timing
    locked, oldest_s, rest_s = cooling.phase is Phase.LOCKOUT, timing.longest_run_s, 0.0
    if not cooling.pump:
        oldest_s = max(timing.anti_short_cycle_s, law.flow.wait_s, law.fallback.off_s)
        if now - cooling.pump_since < cooling.rest_s > timing.anti_short_cycle_s:
            rest_s = cooling.rest_s
            oldest_s = max(oldest_s, rest_s)

    def age(since: float | None, most_s: float) -> float | None:
        return None if since is None else -min(now - since, most_s)

    def aged(watch: Stopwatch) -> Stopwatch:
        return watch if watch.since is None else Stopwatch(watch.elapsed_s(now), 0.0)

    return cooling._replace(
        pump_since=age(cooling.pump_since, oldest_s),
        phase_since=age(cooling.phase_since, law.flow.lockout_s) if locked else 0.0,
        warm=aged(cooling.warm),
        unseen_since=age(cooling.unseen_since, timing.longest_unseen_run_s),
        flow=cooling.flow._replace(unanswered=aged(cooling.flow.unanswered)),
        rest_s=rest_s,
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


def explored(law: Law) -> Explored:
    """Visit every reachable state, give it every input, and hold every invariant against it."""
    inputs_grid = all_inputs()
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


def never(policy: FallbackPolicy, prime_s: float, run_on_s: float) -> set[tuple[Phase, Phase]]:
    """Return the steps of the table that a law with these timers cannot take."""
    steps: set[tuple[Phase, Phase]] = set()
    timed = policy is FallbackPolicy.TIMED
    for row in TRANSITIONS:
        step = (row.before, row.after)
        primed = row.after is Phase.COOL and row.before is not Phase.PRIME and prime_s > 0
        if primed and not (timed and row.before is Phase.FALLBACK):  # there the fan may be on
            steps.add(step)
        if Phase.PRIME in step and not prime_s:
            steps.add(step)
        if Phase.RUN_ON in step and not run_on_s:
            steps.add(step)
    if run_on_s < ANTI_SHORT_CYCLE_S:
        steps |= {(Phase.RUN_ON, Phase.PRIME), (Phase.RUN_ON, Phase.COOL)}
    if not (timed and run_on_s):
        steps.add((Phase.FALLBACK, Phase.RUN_ON))
    return steps


@pytest.mark.parametrize(("policy", "prime_s", "run_on_s"), VARIANTS)
def test_every_reachable_state_keeps_the_law(
    policy: FallbackPolicy, prime_s: float, run_on_s: float, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exploration to the fixed point: each state with each input keeps every invariant.

    The steps from phase to phase are those of the transition table, and no other; so are the pairs
    of pump and fan.
    """
    met = explored(coarse_law(policy, prime_s=prime_s, run_on_s=run_on_s))
    with capsys.disabled():
        print(f"\n  policy {policy.value}: {met.states} states, {met.steps} steps explored")  # noqa: T201

    assert met.states > 250
    assert met.transitions == ROWS - never(policy, prime_s, run_on_s)
    assert met.outputs == {
        (phase, (pump, fan))
        for phase, pairs in OUTPUTS.items()
        for pump, fan in pairs
        if (prime_s or fan or not pump) and (run_on_s or pump or not fan)
        if policy is FallbackPolicy.TIMED or phase is not Phase.FALLBACK or not (pump or fan)
    }


def test_every_step_of_the_table_is_taken_by_some_law() -> None:
    """And none stands there twice."""
    assert len(ROWS) == len(TRANSITIONS)
    assert set.intersection(*(never(*variant) for variant in VARIANTS)) == set()
