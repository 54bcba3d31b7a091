"""What is told to the law once is checked once; how a controller begins; who a lamp is for."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.alarm_board import CALM_BOARD
from controller.core.decide import begin, decide
from controller.core.law import AlarmDelay, Band, Timing
from controller.core.memory import Recent
from controller.domain.alarms import AlarmName
from controller.domain.control_phase import Phase, Reason
from tests.support.laws import make_inputs, make_law

TIMING = Timing(
    minimum_run_s=100,
    anti_short_cycle_s=200,
    prime_s=10,
    run_on_s=20,
    permissive_debounce_s=5,
    longest_run_s=1000,
    longest_unseen_run_s=500,
)


def test_cut_out_lies_below_cut_in() -> None:
    """Equal points are no band, and the message has both in degrees."""
    Band(cut_in_mc=1001, cut_out_mc=1000)
    for cut_out_mc in (1000, 1001):
        with pytest.raises(ValueError, match=r"^cut-out 1\.\d* °C must be below cut-in 1\.0 °C$"):
            Band(cut_in_mc=1000, cut_out_mc=cut_out_mc)


@pytest.mark.parametrize(
    "name",
    ["minimum_run_s", "anti_short_cycle_s", "prime_s", "run_on_s", "permissive_debounce_s"],
)
def test_no_timer_is_negative_or_no_number(name: str) -> None:
    """Zero is allowed."""
    replace(
        TIMING, prime_s=0, run_on_s=0, minimum_run_s=0, anti_short_cycle_s=0,
        permissive_debounce_s=0,
    )  # fmt: skip
    for wrong in (-0.1, float("nan")):
        with pytest.raises(ValueError, match=f"^{name} must be zero or more, found {wrong}$"):
            replace(TIMING, **{name: wrong})


def test_timers_fit_into_each_other() -> None:
    """Prime is part of the run, the run-on ends before the next start; equal is allowed."""
    replace(TIMING, prime_s=100, run_on_s=200)
    with pytest.raises(ValueError, match=r"^prime 100\.5 s is part of the pump's run and must not"):
        replace(TIMING, prime_s=100.5)
    with pytest.raises(ValueError, match=r"^run-on 200\.5 s must end before the pump may start"):
        replace(TIMING, run_on_s=200.5)


def test_flow_is_tried_once_at_least() -> None:
    """And once is allowed."""
    flow = make_law().flow
    replace(flow, tries=1)
    with pytest.raises(ValueError, match=r"^tries must be 1 or more, found 0$"):
        replace(flow, tries=0)


def test_every_alarm_has_its_delay_and_a_clear_side() -> None:
    """Each is named that has none; a clear threshold of its own."""
    rules = make_law().alarms
    assert rules.delay_of(AlarmName.SWAP_DUE) == AlarmDelay(raise_s=60, clear_s=60)
    replace(rules, clear_by_mk=1)
    with pytest.raises(ValueError, match=r"^no delay given for \['long_run', 'swap_due'\]$"):
        replace(
            rules,
            delays=tuple(
                each for each in rules.delays if each[0].value not in {"swap_due", "long_run"}
            ),
        )
    with pytest.raises(ValueError, match=r"^clear_by_mk must be above zero, found 0$"):
        replace(rules, clear_by_mk=0)


def test_a_controller_begins_off_and_resting() -> None:
    """Without proof of an earlier stop the pump counts as stopped just now."""
    state = begin(50.0)

    assert (state.cooling.phase, state.cooling.reason) == (Phase.REST, Reason.NO_CALL)
    assert (state.cooling.pump, state.cooling.fan, state.cooling.call) == (False, False, False)
    assert (state.cooling.pump_since, state.cooling.phase_since) == (50.0, 50.0)
    assert (state.cooling.paused_until, state.cooling.failed_tries) == (None, 0)
    assert (state.decision.pump, state.decision.fan) == (False, False)
    assert (state.decision.phase, state.decision.reason) == (Phase.REST, Reason.NO_CALL)
    assert state.alarms is CALM_BOARD
    assert state.recent == Recent(since=50.0)


def test_a_controller_begins_where_the_last_one_stood() -> None:
    """Rest, tries, pause and lockout go on."""
    state = begin(50.0, last_stop=20.0, failed_tries=2, paused_until=90.0)
    locked = begin(50.0, locked_since=30.0)

    assert (state.cooling.pump_since, state.cooling.phase_since) == (20.0, 50.0)
    assert (state.cooling.failed_tries, state.cooling.paused_until) == (2, 90.0)
    assert (locked.cooling.phase, locked.cooling.reason) == (Phase.LOCKOUT, Reason.LOCKOUT)
    assert locked.cooling.phase_since == 30.0
    assert (locked.decision.phase, locked.decision.reason) == (Phase.LOCKOUT, Reason.LOCKOUT)
    begin(50.0, last_stop=50.0, locked_since=50.0)


@pytest.mark.parametrize(
    ("what", "says"),
    [
        ({"last_stop": 51.5}, r"^the last stop lies 1\.5 s in the future$"),
        ({"locked_since": 52.0}, r"^the lockout lies 2\.0 s in the future$"),
    ],
)
def test_nothing_of_the_future_is_taken_up(what: dict[str, float], says: str) -> None:
    """It would lengthen or shorten a timer that nobody knows."""
    with pytest.raises(ValueError, match=says):
        begin(50.0, **what)


def test_a_clock_that_goes_back_is_refused() -> None:
    """By how much is said."""
    state = begin(50.0, last_stop=40.0)
    decide(state, make_inputs(16.0), 40.0, make_law())
    with pytest.raises(ValueError, match=r"^clock went back 1\.5 s; pass a monotonic clock$"):
        decide(state, make_inputs(16.0), 38.5, make_law())


def test_the_edges_of_a_law_are_its_thresholds_each_met_at_or_above_itself() -> None:
    """By hand: low limit 12 °C, air high 19 °C, reservoir 0.5 and 12 °C, cleared 0.5 K apart.

    What is raised at or below a threshold, or ends there, changes a millidegree above it.
    """
    law = make_law(low_limit_c=12.0)

    assert law.air_edges_mc == (12_001, 12_500, 18_501, 19_000)
    assert law.reservoir_edges_mc == (501, 1_000, 11_501, 12_000)
