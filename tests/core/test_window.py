"""The window of a decision: inside it, until its end, deciding anew changes nothing."""

from __future__ import annotations

import math
from dataclasses import replace
from random import Random

import pytest

from controller.core.decide import begin, decide
from controller.core.law import FallbackPolicy, Law
from controller.core.memory import HOUR_S
from controller.core.state import NOTHING_ASKED, DecisionWindow, Inputs, ReadingBounds, State
from controller.core.window import Bounds, keep_apart
from controller.domain.temperatures import Lost, Reading, Seen
from tests.core.tape import TAPES, played
from tests.support.laws import make_inputs, make_law

TIMED = FallbackPolicy.TIMED
FAR_MC = 3_000
"""How far a reading is moved where a window has no bound on that side."""


def moved(random: Random, reading: Reading | None, span: ReadingBounds | None) -> Reading | None:
    """Return another reading inside a span: at its ends as often as between them."""
    if not isinstance(reading, Seen):
        return None if reading is None else Lost("another reason")
    assert span is not None
    lowest = reading.value_mc - FAR_MC if math.isinf(span.lowest_mc) else int(span.lowest_mc)
    highest = reading.value_mc + FAR_MC if math.isinf(span.highest_mc) else int(span.highest_mc)
    assert lowest <= reading.value_mc <= highest
    return Seen(random.choice((lowest, highest, random.randint(lowest, highest))))


def inside(random: Random, window: DecisionWindow) -> Inputs:
    """Return other inputs for which a window says that the decision stands."""
    inputs = window.inputs
    air = moved(random, inputs.air, window.air)
    reservoir = moved(random, inputs.reservoir, window.reservoir)
    assert air is not None
    assert reservoir is not None
    return replace(
        inputs,
        air=air,
        reservoir=reservoir,
        room=moved(random, inputs.room, window.room),
        coil_outlet=moved(random, inputs.coil_outlet, window.coil_outlet),
    )


def decided_anew(state: State, inputs: Inputs, at: float, law: object) -> State:
    """Return the state after a decision that no window spares."""
    blank = replace(state, window=None, judged=None)
    after, decision = decide(blank, inputs, at, law)  # type: ignore[arg-type]
    assert decision == state.decision
    return after


def within_the_hour(state: State, now: float) -> State:
    """Return a state without the starts that lie an hour back: they are dropped when it is read."""
    starts = tuple(at for at in state.recent.starts if now - at < HOUR_S)
    return replace(state, recent=state.recent._replace(starts=starts))


@pytest.mark.parametrize("name", TAPES)
def test_inside_its_window_a_decision_stands(name: str) -> None:
    """Whatever the readings do in there, one after another, up to its last instant."""
    tape, random = TAPES[name], Random(7)
    state, windows, ticks = begin(1000.0, last_stop=800.0), 0, 0
    for now, inputs, _ in played(tape):
        before = state
        state, _ = decide(state, inputs, now, tape.law)
        ticks += 1
        window = state.window
        if window is None or window is before.window:
            continue
        windows += 1
        last = now + 6 * 3600.0 if math.isinf(window.until) else window.until
        walked = state
        for at in (now, random.uniform(now, last), math.nextafter(last, 0.0)):
            other = inside(random, window)
            assert window.holds(other, at, tape.law)
            walked = decided_anew(walked, other, at, tape.law)
            assert walked == within_the_hour(state, at), (now, at, other)
    assert windows > 50
    if tape.trouble == 0.0:
        assert windows < ticks / 4, "the windows of an ordinary day are too small to spare much"


def test_a_window_is_left_by_all_but_readings_inside_it() -> None:
    """By time, another law, a request, a fault, and a probe that is lost or comes back."""
    law = make_law()
    state = begin(0.0, last_stop=-10_000.0)
    inputs = make_inputs(16.0, 4.0)
    for at in (0.0, 1.0):
        state, _ = decide(state, inputs, at, law)
    window = state.window
    assert window is not None

    assert window.holds(make_inputs(16.4, 4.5), 10.0, law)
    assert window.holds(inputs, 10.0, law)
    assert window.holds(replace(inputs), 10.0, law)
    assert not window.holds(inputs, 10.0, replace(law))
    assert not window.holds(make_inputs(16.5, 4.0), 10.0, law)
    assert not window.holds(make_inputs(None, 4.0), 10.0, law)
    assert not window.holds(make_inputs(16.0, None), 10.0, law)
    assert not window.holds(replace(inputs, room=Seen(20_000)), 10.0, law)
    assert not window.holds(replace(inputs, output_fault="pump"), 10.0, law)
    assert not window.holds(replace(inputs, records_fault="full"), 10.0, law)
    assert not window.holds(replace(inputs, swap_due=True), 10.0, law)
    assert not window.holds(replace(inputs, asked=replace(NOTHING_ASKED, reset=True)), 10.0, law)
    assert not replace(window, until=10.0).holds(inputs, 10.0, law)


@pytest.mark.parametrize("by_mk", [-2000, 0, 1000, 1999, 2000, 2001, 3000, 9000])
@pytest.mark.parametrize(("air_mc", "water_mc"), [(16_000, 14_000), (16_000, 4000), (5000, 9000)])
def test_two_readings_share_the_way_to_a_threshold_between_them(
    air_mc: int, water_mc: int, by_mk: int
) -> None:
    """At every corner of the box the same side, and the readings themselves are in it."""
    air, water = Bounds(air_mc), Bounds(water_mc)
    air.threshold(air_mc + 400)
    air.threshold(air_mc - 300)
    keep_apart(air, water, by_mk)

    assert air.lowest <= air_mc <= air.highest
    assert water.lowest <= water_mc <= water.highest
    far = air_mc - water_mc >= by_mk
    assert (air.lowest - water.highest >= by_mk) is far
    assert (air.highest - water.lowest >= by_mk) is far


@pytest.mark.parametrize(
    ("law", "failed_tries", "starts_at"),
    [
        pytest.param(make_law(policy=TIMED), 0, 600.0, id="its-own-time"),
        pytest.param(make_law(policy=TIMED, anti_short_cycle_s=900), 0, 900.0, id="the-rest"),
        pytest.param(make_law(policy=TIMED, flow_wait_s=1200), 1, 1200.0, id="a-failed-try"),
    ],
)
def test_a_start_by_the_clock_comes_when_its_last_timer_ends(
    law: Law, failed_tries: int, starts_at: float
) -> None:
    """The air probe is lost at rest: the window ends no later, though nothing calls."""
    state, at = begin(0.0, last_stop=0.0, failed_tries=failed_tries), 0.0
    while not state.cooling.pump:
        at += 5.0
        state, _ = decide(state, make_inputs(None, 4.0), at, law)
        assert at < 2000.0

    assert at == starts_at
