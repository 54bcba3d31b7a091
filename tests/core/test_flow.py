"""Rule 7 by itself: what counts as an answer, from when one is waited for, and what is doubt."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.decide import begin, decide
from controller.core.flow import FlowVerdict, judge_flow, next_mark_at, trend_of
from controller.core.state import UNTRIED, AirMark, Cooling, Flow, Inputs
from controller.core.stopwatch import RESET, Stopwatch
from controller.domain.control_phase import Phase, Reason
from controller.domain.temperatures import millidegrees
from tests.support.laws import make_inputs, make_law, reading

LAW = make_law(flow_after_s=600, prime_s=10)
RUNNING = Cooling(
    phase=Phase.COOL, reason=Reason.CALL, call=True, pump=True, fan=True, pump_since=0.0,
    phase_since=0.0, flow=Flow(air_peak_mc=18_000),
)  # fmt: skip
NOW, LATE = 50.0, 700.0
WAITING = Stopwatch(0.0, 20.0)


def inputs(
    air_c: float | None, water_c: float | None = 4.0, outlet_c: float | None = None,
    room_c: float | None = None,
) -> Inputs:  # fmt: skip
    """Return inputs, with the optional probes where a temperature is given for them."""
    made = make_inputs(air_c, water_c)
    made = made if outlet_c is None else replace(made, coil_outlet=reading(outlet_c))
    return made if room_c is None else replace(made, room=reading(room_c))


def lost_outlet(air_c: float) -> Inputs:
    """Return inputs whose coil outlet is fitted and lost."""
    return replace(make_inputs(air_c, 4.0), coil_outlet=reading(None))


def flow(**fields: object) -> Cooling:
    """Return a running pump with this knowledge of its flow."""
    return RUNNING._replace(flow=RUNNING.flow._replace(**fields))  # type: ignore[arg-type]


PROVED = Flow(proved_mc=17_000)


@pytest.mark.parametrize(
    ("cooling", "given", "now", "after", "verdict"),
    [
        pytest.param(
            RUNNING, inputs(None), NOW, RUNNING.flow, FlowVerdict.OPEN,
            id="air-lost-nothing-is-judged"
        ),
        pytest.param(
            RUNNING,
            inputs(18.0),
            NOW,
            Flow(air_peak_mc=18_000, unanswered=Stopwatch(0.0, NOW)),
            FlowVerdict.OPEN,
            id="waits-from-now",
        ),
        pytest.param(
            flow(unanswered=WAITING),
            inputs(18.5),
            NOW,
            Flow(air_peak_mc=18_500, unanswered=WAITING),
            FlowVerdict.OPEN,
            id="waits-on-and-keeps-the-peak",
        ),
        pytest.param(
            flow(unanswered=WAITING), inputs(17.7), NOW, Flow(proved_mc=17_700),
            FlowVerdict.ANSWERED,
            id="fell-by-just-enough",
        ),
        pytest.param(
            flow(unanswered=WAITING), inputs(17.701), NOW,
            Flow(air_peak_mc=18_000, unanswered=WAITING), FlowVerdict.OPEN, id="fell-too-little",
        ),
        pytest.param(
            flow(falling_mk_s=2.0), inputs(17.601), NOW, Flow(
                air_peak_mc=18_000, falling_mk_s=2.0, unanswered=Stopwatch(0.0, NOW)
            ), FlowVerdict.OPEN, id="the-trend-explains-100-mK-in-50-s",
        ),
        pytest.param(
            flow(falling_mk_s=2.0), inputs(17.6), NOW,
            Flow(proved_mc=17_600, falling_mk_s=2.0), FlowVerdict.ANSWERED,
            id="faster-than-the-trend",
        ),
        pytest.param(
            flow(room_mc=25_000), inputs(17.5, room_c=24.7), NOW, Flow(
                air_peak_mc=18_000, room_mc=25_000, unanswered=Stopwatch(0.0, NOW)
            ), FlowVerdict.OPEN, id="the-room-fell-by-as-much",
        ),
        pytest.param(
            flow(room_mc=25_000), inputs(17.7, room_c=26.0), NOW,
            Flow(proved_mc=17_700, room_mc=25_000), FlowVerdict.ANSWERED,
            id="a-warmer-room-is-no-help",
        ),
        pytest.param(
            RUNNING, inputs(18.0, outlet_c=17.0), NOW, Flow(proved_mc=18_000), FlowVerdict.ANSWERED,
            id="outlet-colder-by-just-enough",
        ),
        pytest.param(
            RUNNING, inputs(18.0, outlet_c=17.001), NOW,
            Flow(air_peak_mc=18_000, unanswered=Stopwatch(0.0, NOW)), FlowVerdict.OPEN,
            id="outlet-not-cold-enough",
        ),
        pytest.param(
            RUNNING._replace(flow=PROVED), inputs(17.999), LATE, PROVED, FlowVerdict.OPEN,
            id="proved-once-serves-the-run",
        ),
        pytest.param(
            RUNNING._replace(flow=PROVED), inputs(18.0), LATE, PROVED, FlowVerdict.DOUBTED,
            id="well-above-where-it-was-proved",
        ),
        pytest.param(
            RUNNING._replace(flow=PROVED), inputs(18.0, 14.001), LATE, PROVED, FlowVerdict.OPEN,
            id="no-doubt-over-lukewarm-water",
        ),
        pytest.param(
            RUNNING._replace(flow=PROVED), inputs(18.0, None), LATE, PROVED, FlowVerdict.OPEN,
            id="nor-over-water-that-nobody-knows",
        ),
        pytest.param(
            RUNNING._replace(flow=PROVED), inputs(18.0, outlet_c=18.0), LATE,
            Flow(proved_mc=17_000, air_peak_mc=18_000, unanswered=Stopwatch(0.0, LATE)),
            FlowVerdict.OPEN, id="watched-the-answer-must-keep-coming",
        ),
        pytest.param(
            flow(proved_mc=17_000, unanswered=WAITING), lost_outlet(17.9), NOW,
            Flow(air_peak_mc=18_000, proved_mc=17_000, unanswered=Stopwatch(30.0)),
            FlowVerdict.OPEN,
            id="a-lost-outlet-stops-the-waiting-of-a-proved-run",
        ),
        pytest.param(
            flow(proved_mc=17_000, unanswered=Stopwatch(30.0)), lost_outlet(17.9), LATE,
            Flow(air_peak_mc=18_000, proved_mc=17_000, unanswered=Stopwatch(30.0)),
            FlowVerdict.OPEN,
            id="and-counts-nothing-while-it-is-lost",
        ),
        pytest.param(
            flow(proved_mc=17_000, unanswered=Stopwatch(30.0)), inputs(18.0, outlet_c=18.0), LATE,
            Flow(air_peak_mc=18_000, proved_mc=17_000, unanswered=Stopwatch(30.0, LATE)),
            FlowVerdict.OPEN, id="watched-again-it-goes-on",
        ),
        pytest.param(
            RUNNING, inputs(18.0, 14.0), NOW,
            Flow(air_peak_mc=18_000, unanswered=Stopwatch(0.0, NOW)), FlowVerdict.OPEN,
            id="reservoir-colder-by-just-enough",
        ),
        pytest.param(
            flow(unanswered=WAITING), inputs(18.0, 14.001), NOW, Flow(air_peak_mc=18_000),
            FlowVerdict.OPEN, id="nothing-is-expected-of-hardly-cold-water",
        ),
        pytest.param(
            flow(unanswered=WAITING), inputs(18.0, None), NOW,
            Flow(air_peak_mc=18_000, unanswered=Stopwatch(30.0)), FlowVerdict.OPEN,
            id="lost-water-stops-the-waiting-and-forgets-nothing",
        ),
        pytest.param(
            flow(unanswered=Stopwatch(30.0)), inputs(18.0), LATE,
            Flow(air_peak_mc=18_000, unanswered=Stopwatch(30.0, LATE)), FlowVerdict.OPEN,
            id="known-again-it-goes-on",
        ),
        pytest.param(
            RUNNING, inputs(15.0, 14.0), LATE, RUNNING.flow, FlowVerdict.OPEN,
            id="a-late-fall-over-lukewarm-water-proves-nothing",
        ),
        pytest.param(
            RUNNING, inputs(18.0), LATE, RUNNING.flow, FlowVerdict.DOUBTED,
            id="water-that-got-cold-in-an-unproved-run",
        ),
        pytest.param(
            flow(unanswered=WAITING), inputs(18.0), 619.999,
            Flow(air_peak_mc=18_000, unanswered=WAITING), FlowVerdict.OPEN,
            id="not-a-moment-before",
        ),
        pytest.param(
            flow(unanswered=WAITING), inputs(18.0), 620.0,
            Flow(air_peak_mc=18_000, unanswered=WAITING), FlowVerdict.FAILED, id="fails-at-its-end",
        ),
    ],
)  # fmt: skip
def test_a_decision_finds_an_answer_waits_or_doubts(
    cooling: Cooling, given: Inputs, now: float, after: Flow, verdict: FlowVerdict
) -> None:
    """Every field, at the very thresholds."""
    assert judge_flow(cooling, given, now, LAW) == (after, verdict)


def test_a_trend_counts_from_the_start_of_the_run_and_not_of_the_clock() -> None:
    """100 mK in 50 s are explained, whenever the machine was started."""
    late = flow(falling_mk_s=2.0)._replace(pump_since=9_000.0, phase_since=9_000.0)

    assert judge_flow(late, inputs(17.6), 9_050.0, LAW)[1] is FlowVerdict.ANSWERED
    assert judge_flow(late, inputs(17.601), 9_050.0, LAW)[1] is FlowVerdict.OPEN


def test_a_lost_coil_outlet_fails_no_run_by_its_absence() -> None:
    """What the outlet did meanwhile is not known: after it is back the rest of the time is left."""
    law = make_law(run_on_s=60, flow_after_s=600, prime_s=10)
    warm, lost = inputs(17.5, outlet_c=17.5), lost_outlet(17.5)
    steps = [(20.0, inputs(17.5, outlet_c=16.0)), (900.0, warm), (930.0, lost), (1530.0, warm)]
    state, _ = decide(begin(0.0, last_stop=-10_000.0), inputs(18.0, outlet_c=18.0), 0.0, law)
    for at, given in [*steps, (2099.0, warm)]:
        state, decision = decide(state, given, at, law)
        assert decision.pump, at
    state, decision = decide(state, warm, 2100.0, law)

    assert (decision.pump, decision.reason) == (False, Reason.FLOW_WAIT)


def test_the_next_try_starts_when_its_wait_is_over_though_nothing_else_changed() -> None:
    """The decision made meanwhile stands until then, and no longer."""
    law = make_law(flow_after_s=600, flow_wait_s=1000, prime_s=10)
    state, at, decision = begin(0.0, last_stop=-10_000.0), 0.0, None
    while decision is None or decision.reason is not Reason.FLOW_WAIT:
        at += 10.0
        state, decision = decide(state, inputs(18.0), at, law)
    stopped = state.cooling.pump_since
    for later_s in (100.0, law.flow.wait_s - 0.001):
        state, decision = decide(state, inputs(18.0), stopped + later_s, law)
        assert not decision.pump
        assert state.window is not None
        assert state.window.until <= stopped + law.flow.wait_s
    state, decision = decide(state, inputs(18.0), stopped + law.flow.wait_s, law)

    assert decision.pump


def test_a_stop_forgets_what_belonged_to_the_run() -> None:
    """The next run must answer anew, and warm water is timed anew."""
    law = make_law(run_on_s=60)
    state, at = begin(0.0, last_stop=-10_000.0), 0.0
    while not (state.cooling.pump and state.cooling.flow.proved_mc):
        at += 5.0
        state, _ = decide(state, make_inputs(18.0 if at < 30.0 else 17.0), at, law)
    state, _ = decide(state, make_inputs(17.0, 16.0), at + 5.0, law)
    assert state.cooling.warm == Stopwatch(0.0, at + 5.0)
    at += 300.0
    state, stopped = decide(state, make_inputs(15.5, 4.0), at, law)

    assert (stopped.pump, stopped.fan) == (False, True)
    assert (state.cooling.warm, state.cooling.flow) == (RESET, UNTRIED)
    assert state.cooling.pump_since == at


def test_the_air_is_marked_while_the_pump_rests() -> None:
    """From two minutes after the run-on, every five minutes, two marks; a lost reading ends it."""
    resting = RUNNING._replace(pump=False, fan=False, phase=Phase.REST)
    assert next_mark_at(resting, LAW) == 60 + 120
    assert trend_of(resting, inputs(17.0), 179.0, LAW) == ()
    one = resting._replace(trend=trend_of(resting, inputs(17.0), 180.0, LAW))
    assert one.trend == (AirMark(180.0, 17_000),)
    assert trend_of(one, inputs(16.9), 479.0, LAW) == one.trend
    two = one._replace(trend=trend_of(one, inputs(16.8), 480.0, LAW))
    assert two.trend == (AirMark(180.0, 17_000), AirMark(480.0, 16_800))
    assert trend_of(two, inputs(16.6), 780.0, LAW) == (
        AirMark(480.0, 16_800),
        AirMark(780.0, 16_600),
    )
    assert trend_of(two, inputs(None), 500.0, LAW) == ()
    assert trend_of(two._replace(pump=True), inputs(17.0), 500.0, LAW) == ()


@pytest.mark.parametrize(
    ("marked_at", "marked_c", "falling_mk_s"),
    [(0.0, 17.5625, 499.5 / 400), (0.0, 17.0625, 0.0), (0.0, 16.0, 0.0), (101.0, 17.5625, 0.0)],
    ids=["fell", "by-one-step-of-the-probe", "rose", "marked-too-lately"],
)
def test_a_start_knows_how_the_air_was_falling(
    marked_at: float, marked_c: float, falling_mk_s: float
) -> None:
    """Less a step of the probe, from a mark five minutes old at least."""
    state = begin(0.0, last_stop=-10_000.0)
    trend = (AirMark(marked_at, millidegrees(marked_c)),)
    state = replace(state, cooling=state.cooling._replace(trend=trend))
    state, decision = decide(state, inputs(17.0, room_c=25.0), 400.0, LAW)

    assert decision.pump
    assert state.cooling.flow.falling_mk_s == pytest.approx(falling_mk_s)
    assert (state.cooling.flow.air_peak_mc, state.cooling.flow.room_mc) == (17_000, 25_000)


def test_a_stopwatch_counts_only_what_is_known() -> None:
    """True runs it, None stops it where it is, False resets it."""
    watch = RESET.timed(True, 10.0)
    assert (watch.elapsed_s(15.0), watch.reaches(30.0)) == (5.0, 40.0)
    stopped = watch.timed(True, 12.0).timed(None, 18.0).timed(None, 50.0)
    assert (stopped.elapsed_s(90.0), stopped.reaches(30.0)) == (8.0, None)
    again = stopped.timed(True, 100.0)
    assert (again.elapsed_s(103.0), again.reaches(30.0)) == (11.0, 122.0)
    assert again.timed(False, 104.0) == RESET
    assert RESET.timed(None, 5.0) is RESET


@pytest.mark.parametrize(
    ("temp_c", "value_mc"), [(0.0, 0), (0.5, 500), (0.9375, 937), (-0.5, -500), (-0.0625, -62)]
)
def test_small_temperatures_keep_their_side_of_zero(temp_c: float, value_mc: int) -> None:
    """The grid is whole millidegrees; a half goes towards zero, as the kernel cuts it."""
    assert millidegrees(temp_c) == value_mc
