"""Protections that must not be lulled: missing readings, long runs, an empty reservoir, noise."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.decide import begin, decide
from controller.core.law import Law
from controller.core.state import Asked, Decision, Inputs, State
from controller.domain.control_phase import Phase, Reason
from tests.support.laws import make_inputs, make_law

HOUR_S = 3600.0
TICK_S = 5.0


class Run:
    """A controller that has rested, and what it did."""

    def __init__(self, law: Law) -> None:
        self.law, self.at = law, 0.0
        self.state: State = begin(0.0, last_stop=-100_000.0)
        self.decision: Decision = self.state.decision
        self.stops: list[tuple[float, Reason]] = []
        self.starts: list[float] = []
        self.alarms: list[tuple[str, str]] = []

    def tick(self, inputs: Inputs) -> None:
        """Decide a tick later."""
        before = self.decision.pump
        self.at += TICK_S
        self.state, self.decision = decide(self.state, inputs, self.at, self.law)
        if before and not self.decision.pump:
            self.stops.append((self.at, self.decision.reason))
        if self.decision.pump and not before:
            self.starts.append(self.at)
        self.alarms += [
            (event.kind.value, event.name)
            for event in self.decision.events
            if event.kind.value.startswith("alarm")
        ]

    def ticks(self, inputs: Inputs, for_s: float) -> None:
        """Decide over and over from the same readings."""
        for _ in range(int(for_s / TICK_S)):
            self.tick(inputs)


def test_a_reservoir_probe_that_drops_out_does_not_disarm_the_permissive() -> None:
    """25 °C water under 20 °C air, one lost reading in each 25 s: it trips all the same."""
    run = Run(make_law(permissive_debounce_s=30))
    run.ticks(make_inputs(20.0), 60)
    for number in range(100):
        run.tick(make_inputs(20.0, None if number % 5 == 0 else 25.0))

    assert run.stops[0] == (60.0 + 45.0, Reason.RESERVOIR_WARM)


def test_warm_water_is_not_pumped_while_its_probe_is_silent_for_minutes() -> None:
    """Lost for 150 s of each 300 s over water of 25 °C: never a start, however long it rested."""
    run = Run(make_law(longest_unseen_run_s=3600))
    run.ticks(make_inputs(20.0, 25.0), 20)
    for _ in range(12):
        run.ticks(make_inputs(20.0, None), 150)
        run.ticks(make_inputs(20.0, 25.0), 150)
    assert run.starts == []
    run.ticks(make_inputs(20.0, 10.0), 20)
    assert len(run.starts) == 1


def test_water_that_ended_a_run_stays_warm_while_nobody_sees_it() -> None:
    """The probe is silent from the tick after the trip on: no start while it may still be warm."""
    run = Run(make_law(longest_unseen_run_s=3600, anti_short_cycle_s=60, run_on_s=0))
    run.ticks(make_inputs(17.0, 4.0), 300)
    while not run.stops:
        run.tick(make_inputs(17.0, 16.0))
    assert run.stops[0][1] is Reason.RESERVOIR_WARM

    run.ticks(make_inputs(17.0, None), 1800)

    assert len(run.starts) == 1


def test_water_that_was_warm_and_is_unknown_for_long_is_unknown() -> None:
    """A probe that died over warm water must not end the cooling for good."""
    run = Run(make_law(longest_unseen_run_s=3600, anti_short_cycle_s=60, run_on_s=0))
    run.ticks(make_inputs(17.0, 4.0), 300)
    run.ticks(make_inputs(17.0, 16.0), 60)
    assert [reason for _, reason in run.stops] == [Reason.RESERVOIR_WARM]
    run.ticks(make_inputs(17.0, None), 3700)

    (stopped_at, _), lost_at = run.stops[0], 365.0
    assert stopped_at < lost_at
    assert run.starts[1:] == [lost_at + 3600.0]


def test_how_long_warm_water_is_unknown_counts_from_the_last_loss() -> None:
    """The probe was back while nothing called, over water still warm; lost anew, it counts anew."""
    run = Run(make_law(longest_unseen_run_s=3600))
    run.ticks(make_inputs(20.0, 25.0), 60)
    run.ticks(make_inputs(20.0, None), 60)
    run.ticks(make_inputs(15.0, None), 60)
    run.ticks(make_inputs(15.0, 25.0), 7200)
    lost_at = run.at + TICK_S
    run.ticks(make_inputs(15.0, None), 600)
    run.ticks(make_inputs(20.0, None), 3600)

    assert run.starts == [lost_at + 3600.0]


def test_a_reservoir_probe_that_drops_out_does_not_disarm_the_flow_proof() -> None:
    """Lost one tick in each 100 s, no flow: the run ends once 600 known seconds are over."""
    run = Run(make_law(flow_after_s=600))
    for number in range(200):
        run.tick(make_inputs(18.0, None if number % 20 == 0 else 4.0))

    assert [reason for _, reason in run.stops] == [Reason.FLOW_WAIT]
    assert 600 <= run.stops[0][0] <= 660


def test_an_evening_that_cools_by_itself_proves_nothing() -> None:
    """A dry loop under air that falls by 0.8 K an hour: tried, told at once, then locked out."""
    run = Run(make_law(raise_s=0, clear_s=0, flow_after_s=900))
    while run.at < 2 * HOUR_S:
        run.tick(make_inputs(21.0 - 0.8 * run.at / HOUR_S, 4.0))

    assert [reason for _, reason in run.stops][:3] == [
        Reason.FLOW_WAIT, Reason.FLOW_WAIT, Reason.LOCKOUT,
    ]  # fmt: skip
    assert run.stops[0][0] < 1000
    assert ("alarm_raised", "flow_not_proved") in run.alarms
    assert ("alarm_cleared", "flow_not_proved") not in run.alarms


def test_a_dry_loop_on_lukewarm_water_runs_no_longer_than_the_longest_run() -> None:
    """Nothing can be expected of it, and still it ends, rests for the wait, and is told of."""
    run = Run(make_law(raise_s=0, clear_s=0, longest_run_s=7200, flow_wait_s=900))
    while run.at < 6 * HOUR_S:
        run.tick(make_inputs(19.0 - 0.3 * run.at / HOUR_S, 13.0 - 0.3 * run.at / HOUR_S + 2.5))

    assert [reason for _, reason in run.stops] == [Reason.LONGEST_RUN] * 2
    lengths = [stop - start for start, (stop, _) in zip(run.starts, run.stops, strict=False)]
    assert lengths == [7200.0, 7200.0]
    assert run.starts[1] - run.stops[0][0] == 900.0
    assert ("alarm_raised", "long_run") in run.alarms


def test_a_proved_long_run_rests_as_any_other() -> None:
    """A plant at its limit loses the pump rest; the alarm stays until the call is served."""
    run = Run(make_law(raise_s=0, clear_s=0, longest_run_s=7200))
    run.ticks(make_inputs(17.0), 20)
    run.ticks(make_inputs(16.6), 7200)
    assert run.stops == [(7205.0, Reason.LONGEST_RUN)]
    assert run.alarms == [("alarm_raised", "long_run")]
    run.ticks(make_inputs(16.6), 300)
    assert run.starts[1] == 7505.0
    run.ticks(make_inputs(16.2), 200)
    run.ticks(make_inputs(15.4), 100)

    assert run.alarms[-1] == ("alarm_cleared", "long_run")


@pytest.mark.parametrize(
    ("air_c", "water_c", "alarm"),
    [
        pytest.param(16.5, 4.0, True, id="at-cut-in-on-cold-water"),
        pytest.param(16.499, 4.0, False, id="the-band-is-held"),
        pytest.param(16.6, 11.999, True, id="water-below-its-limit-explains-nothing"),
        pytest.param(16.6, 12.0, False, id="warm-water-has-its-own-alarm"),
        pytest.param(16.6, None, True, id="unknown-water-explains-nothing"),
    ],
)
def test_a_long_run_is_an_alarm_where_the_air_is_not_held(
    air_c: float, water_c: float | None, *, alarm: bool
) -> None:
    """A plant that just holds its band on a hot day does what it was built for; it rests anyway."""
    run = Run(make_law(raise_s=0, clear_s=0, longest_run_s=7200, longest_unseen_run_s=7200))
    run.ticks(make_inputs(17.0), 20)
    run.ticks(make_inputs(16.4), 600)
    run.ticks(make_inputs(air_c, water_c), 6600)

    assert run.stops == [(7205.0, Reason.LONGEST_RUN)]
    assert (("alarm_raised", "long_run") in run.alarms) is alarm


def test_the_alarm_of_a_long_run_ends_with_one_that_holds_the_band() -> None:
    """No call need be served for it: on a hot day none may be for many hours."""
    run = Run(make_law(raise_s=0, clear_s=0, longest_run_s=7200))
    run.ticks(make_inputs(17.0), 20)
    run.ticks(make_inputs(16.6), 7300)
    assert run.alarms == [("alarm_raised", "long_run")]
    run.ticks(make_inputs(16.6), 300)
    run.ticks(make_inputs(16.2), 7300)

    assert len(run.stops) == 2
    assert run.alarms[1:] == [("alarm_cleared", "long_run")]


def test_a_run_on_unknown_water_is_shorter() -> None:
    """While the reservoir probe is lost, whatever the air does."""
    run = Run(make_law(longest_run_s=7200, longest_unseen_run_s=1200))
    run.ticks(make_inputs(17.0, None), 1300)

    assert run.stops == [(1205.0, Reason.LONGEST_RUN)]


def test_a_loop_that_stops_in_mid_run_is_doubted_and_tried_anew() -> None:
    """Air a kelvin above where flow was proved, over cold water: rest, try, and say so."""
    run = Run(make_law(raise_s=0, clear_s=0))
    run.ticks(make_inputs(17.0), 20)
    run.ticks(make_inputs(16.6), 600)
    run.ticks(make_inputs(17.5), 600)
    assert run.stops == []
    run.tick(make_inputs(17.6))
    assert run.stops[0][1] is Reason.PROVING
    run.ticks(make_inputs(17.8), 1000)

    assert run.starts[1] - run.stops[0][0] == 300.0
    assert run.stops[1][1] is Reason.FLOW_WAIT
    assert run.alarms == [("alarm_raised", "flow_not_proved")]


def test_an_empty_reservoir_stops_the_pump_at_once_and_keeps_it_off() -> None:
    """Minimum run or not; it starts again when there is water and the rest is over."""
    run = Run(make_law())
    run.ticks(make_inputs(17.0), 30)
    assert run.decision.pump
    run.tick(make_inputs(17.0, level=False))
    assert (run.decision.pump, run.decision.fan) == (False, False)
    assert run.decision.reason is Reason.RESERVOIR_EMPTY
    run.ticks(make_inputs(17.0, level=False), 600)
    assert run.decision.phase is Phase.HELD
    assert run.decision.reason is Reason.RESERVOIR_EMPTY
    run.tick(make_inputs(17.0, level=True))
    assert run.decision.phase is Phase.PRIME


def test_a_reset_or_the_end_of_a_lockout_does_not_end_its_alarm() -> None:
    """A proved run does."""
    run = Run(make_law(raise_s=0, clear_s=0, flow_after_s=600, lockout_s=1800, flow_wait_s=900))
    while run.decision.phase is not Phase.LOCKOUT:
        run.tick(make_inputs(18.0))
    run.ticks(make_inputs(15.0), 1900)
    assert run.decision.phase is Phase.REST
    run.tick(replace(make_inputs(15.0), asked=Asked(reset=True)))
    assert run.alarms == [("alarm_raised", "flow_not_proved")]
    run.ticks(make_inputs(17.0), 60)
    run.ticks(make_inputs(16.7), 10)

    assert run.alarms[-1] == ("alarm_cleared", "flow_not_proved")


def test_the_rest_grows_while_the_air_probe_is_lost_in_run_after_run() -> None:
    """Motor noise: lost a minute after each start, back when the pump is off."""
    run = Run(make_law(anti_short_cycle_s=300))
    while run.at < 4 * HOUR_S:
        noisy = run.decision.pump and run.at - run.starts[-1] >= 60
        run.tick(make_inputs(None if noisy else 17.0))

    rests = [start - stop for start, (stop, _) in zip(run.starts[1:], run.stops, strict=False)]
    assert rests[:5] == [300, 300, 600, 1200, 2400]
    assert set(rests[5:]) == {2400}
    assert len(run.starts) <= 10


def test_a_run_that_ends_well_ends_the_growth() -> None:
    """One planned stop and the rest is the usual one."""
    run = Run(make_law(anti_short_cycle_s=300, minimum_run_s=100))
    for _ in range(4):
        while not run.decision.pump:
            run.tick(make_inputs(17.0))
        run.ticks(make_inputs(17.0), 50)
        run.tick(make_inputs(None))
    while not run.decision.pump:
        run.tick(make_inputs(17.0))
    run.ticks(make_inputs(15.0), 300)
    run.ticks(make_inputs(17.0), 600)

    assert run.starts[-1] - run.stops[-1][0] == 300.0


def test_a_run_that_ends_as_planned_forgives_those_that_a_lost_probe_ended() -> None:
    """The rest grows only while run after run ends so."""
    run = Run(make_law(anti_short_cycle_s=60, minimum_run_s=60, run_on_s=0))
    for _ in range(2):
        while not run.decision.pump:
            run.tick(make_inputs(18.0, 4.0))
        run.ticks(make_inputs(18.0, 4.0), 60)
        run.tick(make_inputs(None, 4.0))
    assert run.state.cooling.lost_runs == 2

    while not run.decision.pump:
        run.tick(make_inputs(18.0, 4.0))
    run.ticks(make_inputs(15.0, 4.0), 120)

    assert not run.decision.pump
    assert run.state.cooling.lost_runs == 0
