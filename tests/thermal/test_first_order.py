"""The first-order plant and its limit cycle against closed forms and a fine simulation."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.errors import PhysicsError
from controller.thermal.first_order import FirstOrderPlant, FirstOrderSpec
from tests.support.limit_cycle import Bound, LimitCycle, Reach, limit_cycle, reach

# Own derivation from the exponential (relay with hysteresis on a first-order lag: Åström and
# Murray, Feedback Systems 2e, example 10.12), confirmed by a 0.05 s simulation.
L1 = FirstOrderSpec(off_c=25.0, on_c=5.0, tau_s=3600.0)
CYCLES = [
    # spec, cut-in, cut-out | max, min, on, off, period, duty, starts/h, mean
    pytest.param(L1, 17.5, 16.5, 17.5, 16.5, 300.17, 450.59, 750.76, 0.3998, 4.795, 17.0035,
                 id="no-dead-time"),
    pytest.param(FirstOrderSpec(off_c=25.0, on_c=5.0, tau_s=3600.0, dead_time_s=120.0), 17.5, 16.5,
                 17.7459, 16.1230, 490.30, 726.82, 1217.12, 0.4028, 2.958, 16.943, id="two-min"),
    pytest.param(FirstOrderSpec(off_c=25.0, on_c=-5.0, tau_s=1800.0), 18.0, 16.0, 18.0, 16.0,
                 163.75, 452.37, 616.12, 0.2658, 5.843, 17.027, id="strong-coil"),
    pytest.param(FirstOrderSpec(off_c=25.0, on_c=-5.0, tau_s=1800.0, dead_time_s=60.0), 18.0, 16.0,
                 18.2295, 15.3115, 241.62, 645.05, 886.67, 0.2725, 4.060, 16.825, id="strong-late"),
    pytest.param(FirstOrderSpec(off_c=24.0, on_c=9.0, tau_s=2700.0, dead_time_s=90.0), 17.25,
                 16.75, 17.4713, 16.4959, 330.27, 375.94, 706.21, 0.4677, 5.098, 16.985,
                 id="narrow-band"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("spec", "cut_in_c", "cut_out_c", "max_c", "min_c", "on_s", "off_s", "period_s", "duty",
     "starts", "mean_c"),
    CYCLES,
)  # fmt: skip
def test_limit_cycle_of_the_band_alone(
    spec: FirstOrderSpec, cut_in_c: float, cut_out_c: float, max_c: float, min_c: float,
    on_s: float, off_s: float, period_s: float, duty: float, starts: float, mean_c: float,
) -> None:  # fmt: skip
    """Times and extremes within 0.1 % of the published closed form."""
    cycle = limit_cycle(spec, cut_in_c=cut_in_c, cut_out_c=cut_out_c)

    assert cycle.bound is Bound.NEITHER
    assert (cycle.max_c, cycle.min_c) == pytest.approx((max_c, min_c), abs=2e-4)
    assert (cycle.on_s, cycle.off_s, cycle.period_s) == pytest.approx(
        (on_s, off_s, period_s), rel=1e-4
    )
    assert cycle.duty == pytest.approx(duty, rel=1e-3)
    assert cycle.starts_per_h == pytest.approx(starts, rel=1e-3)
    assert cycle.mean_c == pytest.approx(mean_c, abs=1e-3)


def simulated(
    spec: FirstOrderSpec, *, cut_in_c: float, cut_out_c: float, minimum_run_s: float,
    rest_s: float, dt_s: float, cycles: int = 6,
) -> tuple[float, float, float, float]:  # fmt: skip
    """Return on and off time and extremes of the last of some cycles, by stepping a relay."""
    plant = FirstOrderPlant(spec)
    state = plant.start(air_c=0.5 * (cut_in_c + cut_out_c))
    now_s, since_s, on = 0.0, -math.inf, False
    starts: list[float] = []
    stops: list[float] = []
    extremes = [-math.inf, math.inf]
    while len(starts) <= cycles:
        held_s = now_s - since_s
        if on and state.air_c <= cut_out_c and held_s >= minimum_run_s:
            on, since_s = False, now_s
            stops.append(now_s)
        elif not on and state.air_c >= cut_in_c and held_s >= rest_s:
            on, since_s = True, now_s
            starts.append(now_s)
        if len(starts) == cycles:
            extremes = [max(extremes[0], state.air_c), min(extremes[1], state.air_c)]
        state = plant.step(state, cooling=on, dt_s=dt_s)
        now_s += dt_s
    return stops[-1] - starts[-2], starts[-1] - stops[-1], extremes[0], extremes[1]


@pytest.mark.parametrize(
    ("minimum_run_s", "rest_s", "dead_s", "bound"),
    [
        pytest.param(0.0, 0.0, 0.0, Bound.NEITHER, id="free"),
        pytest.param(600.0, 300.0, 0.0, Bound.MINIMUM_RUN, id="run-binds"),
        pytest.param(180.0, 600.0, 0.0, Bound.ANTI_SHORT_CYCLE, id="rest-binds"),
        pytest.param(600.0, 900.0, 0.0, Bound.BOTH, id="both-bind"),
        pytest.param(600.0, 300.0, 60.0, Bound.MINIMUM_RUN, id="run-binds-late"),
        pytest.param(180.0, 900.0, 60.0, Bound.ANTI_SHORT_CYCLE, id="rest-binds-late"),
        pytest.param(700.0, 1000.0, 60.0, Bound.BOTH, id="both-bind-late"),
    ],
)
def test_limit_cycle_with_timers_against_a_stepped_relay(
    minimum_run_s: float, rest_s: float, dead_s: float, bound: Bound
) -> None:
    """Every way in which timers can bind: a relay stepped at 1 s settles into the same cycle."""
    spec = FirstOrderSpec(off_c=25.0, on_c=5.0, tau_s=3600.0, dead_time_s=dead_s)
    cycle = limit_cycle(
        spec, cut_in_c=17.5, cut_out_c=16.5, minimum_run_s=minimum_run_s, anti_short_cycle_s=rest_s
    )
    on_s, off_s, max_c, min_c = simulated(
        spec, cut_in_c=17.5, cut_out_c=16.5, minimum_run_s=minimum_run_s, rest_s=rest_s, dt_s=1.0,
        cycles=40 if bound is Bound.BOTH else 6,
    )  # fmt: skip

    assert (cycle.on_s, cycle.off_s) == pytest.approx((on_s, off_s), abs=3.0)
    assert (cycle.max_c, cycle.min_c) == pytest.approx((max_c, min_c), abs=0.02)
    assert cycle.bound is bound


@pytest.mark.parametrize(("minimum_run_s", "ends_c"), [(300.0, 16.5006), (600.0, 15.581)])
def test_a_long_minimum_run_undershoots(minimum_run_s: float, ends_c: float) -> None:
    """From 17.5 °C, forced on for 300 and 600 s (own closed form)."""
    plant = FirstOrderPlant(L1)
    state = plant.start(air_c=17.5, cooling=True)

    assert plant.step(state, cooling=True, dt_s=minimum_run_s).air_c == pytest.approx(
        ends_c, abs=1e-3
    )
    cycle = limit_cycle(L1, cut_in_c=17.5, cut_out_c=16.5, minimum_run_s=600.0)
    assert cycle.min_c == pytest.approx(15.581, abs=1e-3)


@pytest.mark.parametrize(("rest_s", "ends_c"), [(300.0, 17.180), (600.0, 17.805)])
def test_a_long_rest_overshoots(rest_s: float, ends_c: float) -> None:
    """From 16.5 °C, forced off for 300 and 600 s (own closed form)."""
    plant = FirstOrderPlant(L1)
    state = plant.start(air_c=16.5)

    assert plant.step(state, cooling=False, dt_s=rest_s).air_c == pytest.approx(ends_c, abs=1e-3)
    cycle = limit_cycle(L1, cut_in_c=17.5, cut_out_c=16.5, anti_short_cycle_s=600.0)
    assert cycle.max_c == pytest.approx(17.805, abs=1e-3)
    assert cycle.bound is Bound.ANTI_SHORT_CYCLE


def test_symmetric_relay() -> None:
    """K/(tau·s + 1), relay ±d, hysteresis ±h: P = 2·tau·ln((Kd + h)/(Kd - h)) = 720.60 s."""
    cycle = limit_cycle(
        FirstOrderSpec(off_c=10.0, on_c=-10.0, tau_s=3600.0), cut_in_c=0.5, cut_out_c=-0.5
    )

    assert cycle.period_s == pytest.approx(2 * 3600.0 * math.log(10.5 / 9.5))
    assert cycle.period_s == pytest.approx(720.60, abs=0.01)
    assert cycle.duty == pytest.approx(0.5)


def test_symmetric_relay_with_dead_time() -> None:
    """120 s of dead time: 1171.06 s, amplitude 0.8114 (exact; a describing function says 1104)."""
    cycle = limit_cycle(
        FirstOrderSpec(off_c=10.0, on_c=-10.0, tau_s=3600.0, dead_time_s=120.0),
        cut_in_c=0.5,
        cut_out_c=-0.5,
    )

    assert cycle.period_s == pytest.approx(1171.06, abs=0.1)
    assert (cycle.max_c, cycle.min_c) == pytest.approx((0.8114, -0.8114), abs=1e-3)


def test_cycles_follow_the_thermostat_curve() -> None:
    """N = 4·Nmax·X(1 - X) with Nmax = 3600·span/(4·tau·swing) (NEMA DC-3 form): 4.80 an hour."""
    cycle = limit_cycle(L1, cut_in_c=17.5, cut_out_c=16.5)
    most = 3600.0 * 20.0 / (4.0 * 3600.0 * 1.0)

    assert cycle.starts_per_h == pytest.approx(4.0 * most * cycle.duty * (1 - cycle.duty), rel=0.01)


@pytest.mark.parametrize(
    ("spec", "expected"),
    [
        pytest.param(L1, Reach.CYCLES, id="cycles"),
        pytest.param(
            FirstOrderSpec(off_c=17.5, on_c=5.0, tau_s=100.0), Reach.NEVER_STARTS, id="mild-room"
        ),
        pytest.param(
            FirstOrderSpec(off_c=30.0, on_c=16.5, tau_s=100.0), Reach.NEVER_STOPS, id="weak-coil"
        ),
    ],
)
def test_reach_says_whether_the_plant_cycles(spec: FirstOrderSpec, expected: Reach) -> None:
    """A plant that cannot work is a verdict; asking for its cycle is an error that says why."""
    assert reach(spec, cut_in_c=17.5, cut_out_c=16.5) is expected
    if expected is not Reach.CYCLES:
        with pytest.raises(PhysicsError, match=expected.value):
            limit_cycle(spec, cut_in_c=17.5, cut_out_c=16.5)


@given(
    dt_s=st.floats(0.1, 5000.0),
    split=st.floats(0.01, 0.99),
    air_c=st.floats(0.0, 40.0),
    dead_s=st.floats(0.0, 600.0),
)
def test_two_steps_are_one_step(dt_s: float, split: float, air_c: float, dead_s: float) -> None:
    """Exact stepping: where a step is cut does not matter, dead time or not."""
    plant = FirstOrderPlant(FirstOrderSpec(off_c=25.0, on_c=5.0, tau_s=3600.0, dead_time_s=dead_s))
    start = plant.start(air_c=air_c)
    whole = plant.step(start, cooling=True, dt_s=dt_s)
    first = plant.step(start, cooling=True, dt_s=dt_s * split)
    parts = plant.step(first, cooling=True, dt_s=dt_s * (1.0 - split))

    assert parts.air_c == pytest.approx(whole.air_c, abs=1e-9)
    assert parts.commanded == whole.commanded


def test_dead_time_delays_each_switching_by_itself() -> None:
    """On for 30 s then off: with 120 s of dead time the cooling acts from 120 to 150 s."""
    plant = FirstOrderPlant(FirstOrderSpec(off_c=25.0, on_c=5.0, tau_s=3600.0, dead_time_s=120.0))
    state = plant.start(air_c=20.0)
    acting = []
    for second in range(200):
        state = plant.step(state, cooling=second < 30, dt_s=1.0)
        acting.append(state.cooling)

    assert [index for index, on in enumerate(acting) if on] == list(range(119, 149))


def test_shift_moves_both_equilibria() -> None:
    """A room 2 K warmer moves where the chamber settles by 2 K."""
    plant = FirstOrderPlant(L1)
    state = plant.step(plant.start(air_c=20.0), cooling=False, dt_s=1e6, shift_k=2.0)

    assert state.air_c == pytest.approx(27.0)


@given(
    off_c=st.floats(20.0, 40.0), on_c=st.floats(-20.0, 10.0), tau_s=st.floats(60.0, 1e5),
    dead_s=st.floats(0.0, 300.0), run_s=st.floats(0.0, 900.0), rest_s=st.floats(0.0, 900.0),
)  # fmt: skip
def test_a_cycle_keeps_its_timers_and_its_band(
    off_c: float, on_c: float, tau_s: float, dead_s: float, run_s: float, rest_s: float
) -> None:
    """Whatever binds: timers kept, extremes at or beyond the thresholds, within the equilibria."""
    spec = FirstOrderSpec(off_c=off_c, on_c=on_c, tau_s=tau_s, dead_time_s=dead_s)
    if reach(spec, cut_in_c=17.0, cut_out_c=15.0) is not Reach.CYCLES:
        return
    cycle = limit_cycle(
        spec, cut_in_c=17.0, cut_out_c=15.0, minimum_run_s=run_s, anti_short_cycle_s=rest_s
    )

    assert isinstance(cycle, LimitCycle)
    assert cycle.on_s >= run_s * (1 - 1e-9)
    assert cycle.off_s >= rest_s * (1 - 1e-9)
    assert on_c < cycle.min_c < cycle.max_c < off_c
    assert cycle.mean_c == pytest.approx(off_c + (on_c - off_c) * cycle.duty)


@pytest.mark.parametrize(
    "figures",
    [
        {"off_c": 5.0, "on_c": 25.0, "tau_s": 3600.0},
        {"off_c": 25.0, "on_c": 5.0, "tau_s": 0.0},
        {"off_c": 25.0, "on_c": 5.0, "tau_s": 3600.0, "dead_time_s": -1.0},
        {"off_c": float("nan"), "on_c": 5.0, "tau_s": 3600.0},
    ],
)
def test_impossible_plants_are_refused(figures: dict[str, float]) -> None:
    """The message names the figure."""
    with pytest.raises(PhysicsError, match="first-order plant"):
        FirstOrderSpec(**figures)


def test_impossible_questions_are_refused() -> None:
    """A band upside down, negative timers, a step backwards."""
    plant = FirstOrderPlant(L1)
    with pytest.raises(PhysicsError, match="below cut-in"):
        reach(L1, cut_in_c=16.0, cut_out_c=17.0)
    with pytest.raises(PhysicsError, match="minimum run"):
        limit_cycle(L1, cut_in_c=17.5, cut_out_c=16.5, minimum_run_s=-1.0)
    with pytest.raises(PhysicsError, match="dt_s"):
        plant.step(plant.start(air_c=20.0), cooling=True, dt_s=-5.0)
    with pytest.raises(PhysicsError, match="air_c"):
        plant.start(air_c=float("nan"))
