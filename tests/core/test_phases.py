"""The phases and the steps between them, at their thresholds."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.decide import begin, decide
from controller.core.law import Band, FallbackPolicy, Law
from controller.core.state import Asked, Decision, Inputs, State
from controller.domain.control_phase import Phase, Reason
from controller.domain.events import EventKind
from tests.support.laws import make_inputs, make_law, reading

LAW = make_law()
T0 = 5000.0


class Run:
    """A controller that a test walks through time."""

    def __init__(self, law: Law = LAW, *, rested: bool = True) -> None:
        self.law = law
        self.now = T0
        self.state: State = begin(T0, last_stop=T0 - 10_000 if rested else None)
        self.decision: Decision = self.state.decision
        self.events: list[tuple[str, str]] = []

    def at(self, after_s: float, inputs: Inputs) -> tuple[Phase, bool, bool, Reason]:
        """Decide *after_s* seconds later."""
        self.now += after_s
        self.state, self.decision = decide(self.state, inputs, self.now, self.law)
        self.events += [(e.kind.value, f"{e.name} {e.detail}") for e in self.decision.events]
        d = self.decision
        return d.phase, d.pump, d.fan, d.reason


WARM, MIDDLE, COLD = make_inputs(17.0), make_inputs(16.0), make_inputs(15.4)


def test_whole_cycle_when_all_is_well() -> None:
    """A call primes, cools, runs its minimum, runs the fan on, rests, and is held until rested."""
    run = Run()

    assert run.at(0, WARM) == (Phase.PRIME, True, False, Reason.PRIMING)
    assert run.at(9, WARM) == (Phase.PRIME, True, False, Reason.PRIMING)
    assert run.at(1, WARM) == (Phase.COOL, True, True, Reason.CALL)
    assert run.at(50, COLD) == (Phase.COOL, True, True, Reason.MINIMUM_RUN)
    assert run.at(59, MIDDLE) == (Phase.COOL, True, True, Reason.MINIMUM_RUN)
    assert run.at(1, MIDDLE) == (Phase.RUN_ON, False, True, Reason.RUN_ON)
    assert run.at(59, MIDDLE) == (Phase.RUN_ON, False, True, Reason.RUN_ON)
    assert run.at(1, MIDDLE) == (Phase.REST, False, False, Reason.NO_CALL)
    assert run.at(10, WARM) == (Phase.HELD, False, False, Reason.ANTI_SHORT_CYCLE)
    assert run.at(229, WARM) == (Phase.HELD, False, False, Reason.ANTI_SHORT_CYCLE)
    assert run.at(1, WARM) == (Phase.PRIME, True, False, Reason.PRIMING)


def test_call_that_ends_while_held_goes_back_to_rest() -> None:
    """A held call that cools off by itself starts nothing."""
    run = Run(rested=False)

    assert run.at(10, WARM)[0] is Phase.HELD
    assert run.at(10, COLD) == (Phase.REST, False, False, Reason.NO_CALL)


@pytest.mark.parametrize(
    ("air_c", "call"),
    [
        pytest.param(16.499, False, id="just-below-cut-in"),
        pytest.param(16.5, True, id="on-cut-in"),
        pytest.param(16.501, True, id="just-above-cut-in"),
    ],
)
def test_call_is_set_at_or_above_cut_in(air_c: float, call: bool) -> None:
    """Equality belongs to the switching side."""
    run = Run()
    run.at(0, make_inputs(air_c))

    assert run.state.cooling.call is call


@pytest.mark.parametrize(
    ("air_c", "call"),
    [
        pytest.param(15.501, True, id="just-above-cut-out"),
        pytest.param(15.5, False, id="on-cut-out"),
        pytest.param(15.499, False, id="just-below-cut-out"),
    ],
)
def test_call_is_cleared_at_or_below_cut_out(air_c: float, call: bool) -> None:
    """Equality belongs to the switching side."""
    run = Run()
    run.at(0, WARM)
    run.at(0, make_inputs(air_c))

    assert run.state.cooling.call is call


@pytest.mark.parametrize(
    ("reservoir_c", "phase"),
    [
        pytest.param(15.001, Phase.HELD, id="too-warm"),
        pytest.param(15.0, Phase.PRIME, id="on-the-margin"),
        pytest.param(None, Phase.PRIME, id="reservoir-probe-lost"),
    ],
)
def test_start_needs_a_cold_reservoir_or_an_unknown_one(
    reservoir_c: float | None, phase: Phase
) -> None:
    """Rule 5: the reservoir must be the margin below the air; a lost probe does not forbid."""
    run = Run()

    assert run.at(0, make_inputs(17.0, reservoir_c))[0] is phase


def test_warm_reservoir_stops_cooling_after_the_debounce() -> None:
    """Rule 5: past the debounce, minimum run or not; a short spell does not count."""
    run = Run()
    run.at(0, WARM)
    run.at(10, WARM)
    warm_water = make_inputs(17.0, 16.0)

    assert run.at(5, warm_water)[1:3] == (True, True)
    assert run.at(5, WARM)[1:3] == (True, True)
    assert run.at(5, warm_water)[1:3] == (True, True)
    assert run.at(29, warm_water)[1:3] == (True, True)
    assert run.at(1, warm_water) == (Phase.HELD, False, False, Reason.RESERVOIR_WARM)


@pytest.mark.parametrize(
    ("inputs", "expected"),
    [
        pytest.param(make_inputs(12.0), (Phase.REST, Reason.LOW_LIMIT), id="low-limit"),
        pytest.param(
            make_inputs(17.0, output_fault="fan"),
            (Phase.HELD, Reason.OUTPUT_FAILED),
            id="output-failed",
        ),
        pytest.param(
            make_inputs(17.0, asked=Asked(pause_s=600)), (Phase.HELD, Reason.PAUSED), id="pause"
        ),
        pytest.param(make_inputs(None), (Phase.FALLBACK, Reason.AIR_LOST), id="air-lost"),
    ],
)
@pytest.mark.parametrize("into_s", [5, 20], ids=["while-priming", "within-minimum-run"])
def test_trip_overrides_the_minimum_run(
    inputs: Inputs, expected: tuple[Phase, Reason], into_s: float
) -> None:
    """Rule 6: pump and fan go off together, at once."""
    run = Run()
    run.at(0, WARM)
    run.at(into_s, WARM)

    phase, pump, fan, reason = run.at(1, inputs)

    assert (pump, fan) == (False, False)
    assert (phase, reason) == expected
    assert (EventKind.TRIP.value) in {kind for kind, _ in run.events}


def test_pause_ends_by_its_time_or_by_resume() -> None:
    """Rule 6: a pause holds a call for its time, or until a person resumes."""
    run = Run()
    pause = replace(WARM, asked=Asked(pause_s=100))

    assert run.at(0, pause) == (Phase.HELD, False, False, Reason.PAUSED)
    assert run.at(99, WARM)[3] is Reason.PAUSED
    assert run.at(1, WARM)[0] is Phase.PRIME
    run.at(1, pause)
    assert run.at(301, replace(WARM, asked=Asked(resume=True)))[0] is Phase.PRIME


def test_lost_prime_is_tried_again_then_locked_out() -> None:
    """Rule 7: air that does not answer a cold reservoir stops the run; three such runs lock out."""
    run = Run()
    for _ in range(2):
        run.at(1000, WARM)
        run.at(10, WARM)
        assert run.at(599, WARM)[0] is Phase.COOL
        assert run.at(1, WARM) == (Phase.HELD, False, False, Reason.FLOW_WAIT)
        assert run.at(299, WARM)[3] is Reason.ANTI_SHORT_CYCLE
        assert run.at(600, WARM)[3] is Reason.FLOW_WAIT
    run.at(1, WARM)
    run.at(10, WARM)
    assert run.at(600, WARM) == (Phase.LOCKOUT, False, False, Reason.LOCKOUT)
    assert run.at(21_599, WARM)[0] is Phase.LOCKOUT
    assert run.at(1, WARM)[0] is Phase.PRIME


def test_reset_ends_a_lockout_but_not_the_rest_of_the_pump() -> None:
    """Rule 7: a person's reset counts; anti-short-cycle still holds."""
    run = Run(make_law(flow_tries=1))
    run.at(0, WARM)
    run.at(10, WARM)
    assert run.at(600, WARM)[0] is Phase.LOCKOUT

    reset = replace(WARM, asked=Asked(reset=True))
    assert run.at(10, reset) == (Phase.HELD, False, False, Reason.ANTI_SHORT_CYCLE)
    assert run.at(290, WARM)[0] is Phase.PRIME


@pytest.mark.parametrize(
    ("answer", "phase"),
    [
        pytest.param(make_inputs(16.7), Phase.COOL, id="air-fell-by-0.3"),
        pytest.param(make_inputs(16.701), Phase.HELD, id="air-fell-by-less"),
        pytest.param(make_inputs(17.0, 13.001), Phase.COOL, id="reservoir-hardly-colder"),
        pytest.param(make_inputs(17.0, None), Phase.COOL, id="reservoir-unknown"),
        pytest.param(
            make_inputs(17.0, coil_outlet=reading(16.0)), Phase.COOL, id="coil-outlet-cold"
        ),
        pytest.param(
            make_inputs(17.0, coil_outlet=reading(16.001)), Phase.HELD, id="coil-outlet-warm"
        ),
        pytest.param(
            make_inputs(17.0, coil_outlet=reading(None)), Phase.HELD, id="coil-outlet-lost"
        ),
    ],
)
def test_what_counts_as_flow(answer: Inputs, phase: Phase) -> None:
    """Rule 7: an answer from the air or the coil outlet, expected only of clearly colder water."""
    run = Run()
    run.at(0, WARM)
    run.at(10, WARM)
    run.at(300, answer)

    assert run.at(301, answer)[0] is phase


def test_saturated_plant_is_not_taken_for_lost_prime_once_proved() -> None:
    """Without a coil-outlet probe one answer serves the run: hot air need not fall again."""
    run = Run()
    run.at(0, WARM)
    run.at(10, make_inputs(16.6))

    for _ in range(11):
        assert run.at(600, make_inputs(17.5))[0] is Phase.COOL


def test_loop_that_stops_later_is_noticed_with_a_coil_outlet_probe() -> None:
    """With the probe the answer must keep coming."""
    run = Run()
    run.at(0, WARM)
    run.at(10, make_inputs(16.6, coil_outlet=reading(10.0)))
    run.at(300, make_inputs(16.4, coil_outlet=reading(10.0)))
    warm_outlet = make_inputs(16.6, coil_outlet=reading(16.5))
    run.at(5, warm_outlet)

    assert run.at(599, warm_outlet)[0] is Phase.COOL
    assert run.at(1, warm_outlet) == (Phase.HELD, False, False, Reason.FLOW_WAIT)


def test_fallback_timed_runs_by_the_clock_within_all_other_limits() -> None:
    """Rule 8: by the clock, fan primed and run on, never on warm or unknown water."""
    run = Run(make_law(policy=FallbackPolicy.TIMED))
    lost = make_inputs(None)
    run.at(0, WARM)
    run.at(10, WARM)

    assert run.at(10, lost) == (Phase.FALLBACK, False, False, Reason.AIR_LOST)
    assert run.at(599, lost)[1:] == (False, False, Reason.TIMED_OFF)
    assert run.at(1, lost)[1:] == (True, False, Reason.TIMED_ON)
    assert run.at(10, lost)[1:] == (True, True, Reason.TIMED_ON)
    assert run.at(229, lost)[1:] == (True, True, Reason.TIMED_ON)
    assert run.at(1, lost)[1:] == (False, True, Reason.TIMED_OFF)
    assert run.at(60, lost)[1:] == (False, False, Reason.TIMED_OFF)
    assert run.at(600, make_inputs(None, 13.6))[1:] == (False, False, Reason.RESERVOIR_WARM)
    assert run.at(1, lost)[1:] == (True, False, Reason.TIMED_ON)
    assert run.at(1, make_inputs(None, None))[1:] == (False, False, Reason.AIR_LOST)


@pytest.mark.parametrize(
    ("wait_s", "expected"),
    [
        pytest.param(300, (Phase.HELD, False, False), id="anti-short-cycle-binds-after-trip"),
        pytest.param(600, (Phase.PRIME, True, False), id="while-priming-by-the-clock"),
        pytest.param(610, (Phase.COOL, True, True), id="while-cooling-by-the-clock"),
    ],
)
def test_air_that_comes_back_takes_over_where_the_outputs_stand(
    wait_s: float, expected: tuple[Phase, bool, bool]
) -> None:
    """Rule 8: no switch is forced by the return itself."""
    run = Run(make_law(policy=FallbackPolicy.TIMED, anti_short_cycle_s=400))
    lost = make_inputs(None)
    run.at(0, WARM)
    run.at(10, WARM)
    run.at(10, lost)
    for _ in range(wait_s // 10):
        run.at(10, lost)

    assert run.at(1, WARM)[:3] == expected


def test_low_limit_during_run_on_stops_the_fan_at_once() -> None:
    """Rule 6: a fan over a cold coil would go on cooling."""
    run = Run()
    run.at(0, WARM)
    run.at(10, WARM)
    run.at(110, COLD)
    assert run.decision.phase is Phase.RUN_ON

    assert run.at(1, make_inputs(11.9)) == (Phase.REST, False, False, Reason.LOW_LIMIT)


def test_band_change_breaks_no_timer() -> None:
    """Rule 10: a colder band calls at once but waits for anti-short-cycle; a warmer one runs on."""
    warm_band, cold_band = Band(22_000, 21_000), Band(14_000, 13_000)
    run = Run()
    run.at(0, WARM)
    assert run.at(10, make_inputs(17.0, band=warm_band))[3] is Reason.MINIMUM_RUN
    assert run.at(110, make_inputs(17.0, band=warm_band))[0] is Phase.RUN_ON
    run.at(60, make_inputs(17.0, band=warm_band))

    assert run.at(1, make_inputs(17.0, band=cold_band))[3] is Reason.ANTI_SHORT_CYCLE


def test_start_of_the_service_counts_as_the_last_stop_unless_proved() -> None:
    """Rule 2: without proof a restart waits the whole anti-short-cycle time."""
    unproved, proved = Run(rested=False), Run()

    assert unproved.at(299, WARM)[0] is Phase.HELD
    assert unproved.at(1, WARM)[0] is Phase.PRIME
    assert proved.at(0, WARM)[0] is Phase.PRIME


def test_clock_that_goes_back_is_refused() -> None:
    """A clock that is not monotonic is a programming error, not a state of the plant."""
    run = Run()
    run.at(0, WARM)

    with pytest.raises(ValueError, match="clock went back"):
        run.at(-1, COLD)


def test_zero_prime_and_run_on_switch_both_together() -> None:
    """Both times may be left out."""
    run = Run(make_law(prime_s=0, run_on_s=0))

    assert run.at(0, WARM)[:3] == (Phase.COOL, True, True)
    assert run.at(120, COLD)[:3] == (Phase.REST, False, False)


def test_a_lockout_that_ends_without_an_air_probe_goes_into_the_fallback() -> None:
    """The lockout is over by its time; what follows is what a lost probe asks for."""
    law = make_law(lockout_s=1800)
    state = begin(0.0, locked_since=0.0)
    state, still = decide(state, make_inputs(None), 1799.0, law)
    state, ended = decide(state, make_inputs(None), 1800.0, law)

    assert (still.phase, still.reason) == (Phase.LOCKOUT, Reason.LOCKOUT)
    assert (ended.phase, ended.reason) == (Phase.FALLBACK, Reason.AIR_LOST)
    assert (ended.pump, ended.fan) == (False, False)
    assert state.cooling.phase_since == 1800.0
    assert state.cooling.failed_tries == 0


def test_by_the_clock_without_a_run_on_the_fan_stops_with_the_pump() -> None:
    """And with one of a second it runs on for that second; the trip by warm water counts there."""
    for run_on_s, fan in ((0, False), (1, True)):
        law = make_law(policy=FallbackPolicy.TIMED, run_on_s=run_on_s, minimum_run_s=120)
        state, at = begin(0.0, last_stop=-10_000.0), 0.0
        seen = []
        while at < 2000.0:
            at += 5.0
            state, decision = decide(state, make_inputs(None), at, law)
            seen.append((decision.pump, decision.fan))
        first_on = seen.index((True, True))
        assert next(each for each in seen[first_on:] if not each[0]) == (False, fan)


def test_by_the_clock_warm_water_trips_after_its_debounce() -> None:
    """Against cut-out, which cooling aims at while the air is not known."""
    law = make_law(policy=FallbackPolicy.TIMED, permissive_debounce_s=30)
    state, at = begin(0.0, last_stop=-10_000.0), 0.0
    while not state.decision.pump:
        at += 5.0
        state, _ = decide(state, make_inputs(None), at, law)
    warm_at = at
    reasons = {}
    for _ in range(8):
        at += 5.0
        state, decision = decide(state, make_inputs(None, 15.0), at, law)
        reasons[at - warm_at] = (decision.pump, decision.reason)

    assert reasons[30.0] == (True, Reason.TIMED_ON)
    assert reasons[35.0] == (False, Reason.RESERVOIR_WARM)


def rested(run: Run, from_c: float, to_c: float, *, over_s: float = 1500.0) -> float | None:
    """Let the air rise over a rest; return the air at which the pump starts [°C], or None."""
    steps = 100
    for step in range(1, steps + 1):
        air_c = from_c + (to_c - from_c) * step / steps
        if run.at(over_s / steps, make_inputs(air_c))[1]:
            return air_c
    return None


def cooled(run: Run) -> None:
    """Let a run come to its end."""
    run.at(130, make_inputs(15.4))
    run.at(61, make_inputs(15.5))


def test_a_start_comes_as_early_as_the_air_rose_in_the_rest_before() -> None:
    """1.2 K in 1500 s, a lead of 120 s: 0.096 K below a cut-in of 16.5 °C; at first at cut-in."""
    run = Run(make_law(lead_s=120))

    first_c = rested(run, 15.5, 16.7)
    cooled(run)
    second_c = rested(run, 15.5, 16.7)

    assert first_c == pytest.approx(16.5, abs=0.013)
    assert second_c == pytest.approx(16.5 - 0.096, abs=0.013)


def test_without_a_lead_every_start_is_at_cut_in() -> None:
    """Nothing is learned either."""
    run = Run(make_law())

    starts_c = []
    for _ in range(3):
        starts_c.append(rested(run, 15.5, 16.7))
        cooled(run)

    assert starts_c == [pytest.approx(16.5, abs=0.013)] * 3
    assert run.state.cooling.rise_mk_s == 0.0


def test_a_start_is_never_below_the_middle_of_the_band() -> None:
    """However fast the air rose, and however long the lead."""
    run = Run(make_law(lead_s=600))

    rested(run, 15.5, 25.5)
    cooled(run)

    assert rested(run, 15.0, 17.0) == pytest.approx(16.0, abs=0.021)


def test_a_falling_air_brings_no_start_forward() -> None:
    """An evening that cooled by itself before the call came."""
    run = Run(make_law(lead_s=600))

    rested(run, 15.5, 16.4)
    rested(run, 16.4, 15.6)
    run.at(10, WARM)
    cooled(run)

    assert run.state.cooling.rise_mk_s >= 0.0
    assert rested(run, 15.5, 16.7) is not None
