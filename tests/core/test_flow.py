"""Rule 7 by itself: what counts as an answer, from when one is waited for, and what is kept."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.decide import begin, decide
from controller.core.flow import FlowVerdict, judge_flow
from controller.core.law import FlowProof
from controller.core.state import Cooling, Inputs, Phase, Reason
from controller.domain.temperatures import millidegrees
from tests.support.laws import make_inputs, make_law, reading

RULE = FlowProof(
    after_s=600, fall_mk=300, outlet_drop_mk=1000, colder_by_mk=4000, wait_s=900, tries=3,
    lockout_s=21_600,
)  # fmt: skip
RUNNING = Cooling(
    phase=Phase.COOL, reason=Reason.CALL, call=True, pump=True, fan=True, pump_since=0.0,
    phase_since=0.0, air_peak_mc=18_000,
)  # fmt: skip


def inputs(
    air_c: float | None, water_c: float | None = 4.0, outlet_c: float | None = None
) -> Inputs:
    """Return inputs, with a probe at the outlet where a temperature is given for it."""
    made = make_inputs(air_c, water_c)
    return made if outlet_c is None else replace(made, coil_outlet=reading(outlet_c))


@pytest.mark.parametrize(
    ("here", "given", "verdict"),
    [
        pytest.param(
            replace(RUNNING, unanswered_since=5.0, flow_proved=True),
            inputs(None),
            FlowVerdict(False, None, 18_000, True),
            id="air-lost-nothing-is-waited-for",
        ),
        pytest.param(
            RUNNING, inputs(18.0), FlowVerdict(False, 50.0, 18_000, False), id="waits-from-now"
        ),
        pytest.param(
            replace(RUNNING, unanswered_since=20.0),
            inputs(18.5),
            FlowVerdict(False, 20.0, 18_500, False),
            id="waits-on-and-keeps-the-peak",
        ),
        pytest.param(
            replace(RUNNING, air_peak_mc=None),
            inputs(17.0),
            FlowVerdict(False, 50.0, 17_000, False),
            id="the-first-air-is-the-peak",
        ),
        pytest.param(
            RUNNING, inputs(17.7), FlowVerdict(True, None, 18_000, True), id="fell-by-just-enough"
        ),
        pytest.param(
            RUNNING, inputs(17.75), FlowVerdict(False, 50.0, 18_000, False), id="fell-too-little"
        ),
        pytest.param(
            RUNNING,
            inputs(17.5, outlet_c=17.5),
            FlowVerdict(True, None, 17_500, True),
            id="watched-the-next-fall-is-from-here",
        ),
        pytest.param(
            RUNNING,
            inputs(18.0, outlet_c=17.0),
            FlowVerdict(True, None, 18_000, True),
            id="outlet-colder-by-just-enough",
        ),
        pytest.param(
            RUNNING,
            inputs(18.0, outlet_c=17.1),
            FlowVerdict(False, 50.0, 18_000, False),
            id="outlet-not-cold-enough",
        ),
        pytest.param(
            replace(RUNNING, flow_proved=True),
            inputs(18.0),
            FlowVerdict(True, None, 18_000, True),
            id="proved-once-serves-the-run",
        ),
        pytest.param(
            replace(RUNNING, flow_proved=True),
            inputs(18.0, outlet_c=18.0),
            FlowVerdict(False, 50.0, 18_000, True),
            id="watched-the-answer-must-keep-coming",
        ),
        pytest.param(
            RUNNING,
            inputs(18.0, 14.0),
            FlowVerdict(False, 50.0, 18_000, False),
            id="reservoir-colder-by-just-enough",
        ),
        pytest.param(
            replace(RUNNING, unanswered_since=20.0),
            inputs(18.0, 14.1),
            FlowVerdict(False, None, 18_000, False),
            id="nothing-is-expected-of-hardly-cold-water",
        ),
        pytest.param(
            replace(RUNNING, unanswered_since=20.0),
            inputs(18.0, None),
            FlowVerdict(False, None, 18_000, False),
            id="nor-of-water-that-nobody-knows",
        ),
    ],
)
def test_a_look_finds_an_answer_or_waits_for_one(
    here: Cooling, given: Inputs, verdict: FlowVerdict
) -> None:
    """Every field, at the very thresholds."""
    assert judge_flow(here, given, 50.0, RULE) == verdict


def test_a_wait_fails_at_its_very_end() -> None:
    """Not a second before, and never where nothing is waited for."""
    waits = FlowVerdict(False, 100.0, None, False)
    assert not waits.failed(699.0, RULE)
    assert waits.failed(700.0, RULE)
    assert not FlowVerdict(False, None, None, False).failed(1e9, RULE)


def test_a_stop_forgets_what_belonged_to_the_run() -> None:
    """The next run must answer anew, and warm water is timed anew."""
    law = make_law(run_on_s=60)
    state, at = begin(0.0, last_stop=-10_000.0), 0.0
    while not (state.cooling.pump and state.cooling.flow_proved):
        at += 5.0
        state, _ = decide(state, make_inputs(18.0 if at < 30.0 else 17.0), at, law)
    state, _ = decide(state, make_inputs(17.0, 16.0), at + 5.0, law)
    assert state.cooling.warm_since == at + 5.0
    at += 300.0
    state, stopped = decide(state, make_inputs(15.5, 4.0), at, law)

    assert (stopped.pump, stopped.fan) == (False, True)
    cooling = state.cooling
    assert cooling.flow_proved is False
    assert (cooling.warm_since, cooling.unanswered_since, cooling.air_peak_mc) == (None,) * 3
    assert cooling.pump_since == at


@pytest.mark.parametrize(
    ("temp_c", "value_mc"), [(0.0, 0), (0.5, 500), (0.9375, 937), (-0.5, -500), (-0.0625, -62)]
)
def test_small_temperatures_keep_their_side_of_zero(temp_c: float, value_mc: int) -> None:
    """The grid is whole millidegrees; a half goes towards zero, as the kernel cuts it."""
    assert millidegrees(temp_c) == value_mc
