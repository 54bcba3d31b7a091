"""Probe lag and step against worked examples and a fine simulation of a lagged relay."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.errors import PhysicsError
from controller.thermal.first_order import FirstOrderPlant, FirstOrderSpec
from controller.thermal.probe import (
    PROBE_STEP_K,
    Course,
    lag_along,
    lagged_c,
    stepped_c,
    swift_s,
)


@pytest.mark.parametrize(("start_c", "reads_c"), [(0.0, 67.3), (20.0, 78.9)])
def test_step_of_160_degrees(start_c: float, reads_c: float) -> None:
    """Rajput, example 1.18: t/tau = 1.2/2.2."""
    result = lagged_c(start_c, before_c=160.0, after_c=160.0, dt_s=1.2, tau_s=2.2)

    assert result == pytest.approx(reads_c, abs=0.1)


def test_step_from_30_to_160_degrees() -> None:
    """Rajput, example 1.19: tau 5 s, after 10 s."""
    result = lagged_c(30.0, before_c=160.0, after_c=160.0, dt_s=10.0, tau_s=5.0)

    assert result == pytest.approx(142.4, abs=0.05)


def test_ramp_is_read_late_by_tau_times_slope() -> None:
    """0.2 K/min and 120 s: 0.40 K behind; Rajput 1.23: 0.2 °C/s and 3.9 °C mean 19.5 s."""
    reading_c = 20.0
    for minute in range(60):
        reading_c = lagged_c(
            reading_c, before_c=20.0 + 0.2 * minute, after_c=20.2 + 0.2 * minute, dt_s=60.0,
            tau_s=120.0,
        )  # fmt: skip

    assert 32.0 - reading_c == pytest.approx(0.40, abs=1e-6)
    assert 3.9 / 0.2 == pytest.approx(19.5)


@given(
    split=st.floats(0.05, 0.95), dt_s=st.floats(0.5, 600.0), tau_s=st.floats(0.0, 600.0),
    before_c=st.floats(5.0, 30.0), after_c=st.floats(5.0, 30.0), reading_c=st.floats(5.0, 30.0),
)  # fmt: skip
def test_cutting_a_step_changes_nothing(
    split: float, dt_s: float, tau_s: float, before_c: float, after_c: float, reading_c: float
) -> None:
    """Exact for a straight course."""
    middle_c = before_c + (after_c - before_c) * split
    whole = lagged_c(reading_c, before_c=before_c, after_c=after_c, dt_s=dt_s, tau_s=tau_s)
    first = lagged_c(reading_c, before_c=before_c, after_c=middle_c, dt_s=dt_s * split, tau_s=tau_s)
    parts = lagged_c(
        first, before_c=middle_c, after_c=after_c, dt_s=dt_s * (1 - split), tau_s=tau_s
    )

    assert parts == pytest.approx(whole, abs=1e-6)


@given(
    before_c=st.floats(10.0, 20.0), mean_k=st.floats(-2.0, 2.0), after_k=st.floats(-3.0, 3.0),
    swift_k=st.one_of(st.just(0.0), st.floats(-2.0, 2.0)), per_s=st.floats(0.01, 0.4),
    dt_s=st.sampled_from([5.0, 30.0, 120.0]), limit_k=st.floats(-2.0, 2.0),
)  # fmt: skip
def test_a_course_has_its_beginning_mean_end_and_extremes(
    before_c: float, mean_k: float, after_k: float, swift_k: float, per_s: float, dt_s: float,
    limit_k: float,
) -> None:  # fmt: skip
    """Against the same curve laid out finely, with and without a part that fades."""
    course = Course(dt_s, before_c, before_c + mean_k, before_c + after_k, swift_k, per_s)
    pieces = 4000
    along_c = [course.at((piece + 0.5) * dt_s / pieces) for piece in range(pieces)]
    limit_c = before_c + limit_k

    assert course.at(0.0) == pytest.approx(course.before_c, abs=1e-9)
    assert course.at(dt_s) == pytest.approx(course.after_c, abs=1e-9)
    assert sum(along_c) / pieces == pytest.approx(course.mean_c, abs=1e-4)
    lowest_c, highest_c = course.extremes_c()
    assert lowest_c == pytest.approx(min(along_c), abs=0.01)
    assert highest_c == pytest.approx(max(along_c), abs=0.01)
    assert min(along_c) >= lowest_c - 1e-9
    assert max(along_c) <= highest_c + 1e-9
    above_s = dt_s * sum(each_c > limit_c for each_c in along_c) / pieces
    assert course.beyond_s(limit_c) == pytest.approx(above_s, abs=0.25 * dt_s)
    above_ks = dt_s * sum(max(0.0, each_c - limit_c) for each_c in along_c) / pieces
    assert course.above_ks(limit_c) == pytest.approx(above_ks, abs=0.03 * dt_s)
    assert course.mirrored().above_ks(-limit_c) == pytest.approx(
        above_ks - dt_s * (course.mean_c - limit_c), abs=0.03 * dt_s
    )


@pytest.mark.parametrize("tau_s", [0.0, 7.0, 20.0, 20.01, 45.0, 180.0])
@pytest.mark.parametrize("swift_k", [0.0, 0.8])
def test_a_probe_along_a_course_is_led_exactly(swift_k: float, tau_s: float) -> None:
    """Against straight pieces of 0.05 s, for which `lagged_c` is exact.

    Also where lag and answer fade alike; no way of it leaves its chord further than said.
    """
    course = Course(60.0, 17.0, 16.4, 16.0, swift_k, 0.05)
    lag = lag_along(17.3, course, tau_s=tau_s)

    reading_c, along_c = 17.3, [lag.at(0.0)]
    for piece in range(1200):
        before_c, after_c = course.at(piece * 0.05), course.at((piece + 1) * 0.05)
        reading_c = lagged_c(reading_c, before_c=before_c, after_c=after_c, dt_s=0.05, tau_s=tau_s)
        along_c.append(lag.at((piece + 1) * 0.05))
        assert along_c[-1] == pytest.approx(reading_c, abs=2e-4)
    chord_c = [along_c[0] + (along_c[-1] - along_c[0]) * at / 1200 for at in range(1201)]
    apart_k = max(abs(a - b) for a, b in zip(along_c, chord_c, strict=True))
    assert apart_k <= lag.end_c(60.0)[1]


def test_what_fades_is_found_by_the_slope_at_the_beginning() -> None:
    """A parabola and 0.7 K that fade, given by beginning, mean, end and first slope alone."""
    per_s, dt_s = 0.13, 60.0
    left = math.exp(-per_s * dt_s)
    smooth = Course(dt_s, 17.0, 16.8, 16.5)
    before_c, after_c = 17.7, 16.5 + 0.7 * left
    mean_c = 16.8 + 0.7 * (1.0 - left) / (per_s * dt_s)
    slope_k_s = smooth.parabola()[1] - 0.7 * per_s
    missed_k_s = slope_k_s - Course(dt_s, before_c, mean_c, after_c).parabola()[1]

    assert swift_s(per_s, dt_s) * missed_k_s == pytest.approx(0.7)
    assert swift_s(per_s, 2.0) == 0.0


@pytest.mark.parametrize(
    ("tau_s", "dead_s", "max_c", "min_c", "period_s", "on_s"),
    [
        pytest.param(60.0, 0.0, 17.625, 16.309, 987.0, 396.0, id="60-s"),
        pytest.param(120.0, 0.0, 17.749, 16.128, 1216.0, 490.0, id="120-s"),
        pytest.param(300.0, 0.0, 18.082, 15.685, 1800.0, 729.0, id="300-s"),
        pytest.param(120.0, 60.0, 17.869, 15.941, 1446.0, 584.0, id="120-s-and-dead-time"),
    ],
)
def test_lag_widens_the_true_swing(
    tau_s: float, dead_s: float, max_c: float, min_c: float, period_s: float, on_s: float
) -> None:
    """25/5 °C, 3600 s, band 16.5 to 17.5 on the probe: true swing by an own 0.1 s simulation."""
    plant = FirstOrderPlant(FirstOrderSpec(off_c=25.0, on_c=5.0, tau_s=3600.0, dead_time_s=dead_s))
    dt_s = 0.5
    state = plant.start(air_c=17.0)
    reading_c, on = 17.0, False
    starts: list[int] = []
    stops: list[int] = []
    highest, lowest = -99.0, 99.0
    tick = 0
    while len(starts) < 6:
        if on and reading_c <= 16.5:
            on = False
            stops.append(tick)
        elif not on and reading_c >= 17.5:
            on = True
            starts.append(tick)
        before_c = state.air_c
        state = plant.step(state, cooling=on, dt_s=dt_s)
        reading_c = lagged_c(
            reading_c, before_c=before_c, after_c=state.air_c, dt_s=dt_s, tau_s=tau_s
        )
        if len(starts) >= 4:
            highest, lowest = max(highest, state.air_c), min(lowest, state.air_c)
        tick += 1

    assert (highest, lowest) == pytest.approx((max_c, min_c), abs=0.005)
    assert dt_s * (starts[5] - starts[4]) == pytest.approx(period_s, abs=2.0)
    assert dt_s * (stops[4] - starts[4]) == pytest.approx(on_s, abs=2.0)


@pytest.mark.parametrize(
    ("true_c", "says_c"),
    [(17.0, 17.0), (17.03, 17.0), (17.04, 17.0625), (-0.04, -0.0625), (0.03125, 0.0625)],
)
def test_probe_speaks_in_sixteenths(true_c: float, says_c: float) -> None:
    """12-bit DS18B20: 0.0625 K (data sheet, table 1)."""
    assert stepped_c(true_c) == says_c
    assert PROBE_STEP_K == 0.0625


@pytest.mark.parametrize(
    "call",
    [
        pytest.param(
            lambda: lagged_c(17.0, before_c=17.0, after_c=17.0, dt_s=0.0, tau_s=60.0), id="no-time"
        ),
        pytest.param(
            lambda: lagged_c(17.0, before_c=17.0, after_c=17.0, dt_s=5.0, tau_s=-1.0), id="lag"
        ),
        pytest.param(lambda: stepped_c(float("nan")), id="nan"),
    ],
)
def test_impossible_probes_are_refused(call: object) -> None:
    """Named, never silently used."""
    assert callable(call)
    with pytest.raises(PhysicsError):
        call()
