"""Readings that hover about a threshold, as people reported them of relays that chattered."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import cycle, islice

import pytest

from controller.core.decide import begin, decide
from controller.core.state import State
from tests.support.laws import BAND, make_inputs, make_law

EVERY_S = 10.0
HALF_AN_HOUR = 180
LAW = make_law(flow_after_s=1e6)
HOVER_K = (-0.0625, 0.0, 0.0625, 0.0)
CUT_IN_C, CUT_OUT_C = BAND.cut_in_mc / 1000, BAND.cut_out_mc / 1000


def switches(state: State, now: float, air_c: Iterable[float]) -> tuple[State, float, list[str]]:
    """Let the air go so, ten seconds a reading, and return what the pump did."""
    result = []
    for value_c in air_c:
        now += EVERY_S
        before = state.cooling.pump
        state, decision = decide(state, make_inputs(value_c), now, LAW)
        if decision.pump is not before:
            result.append(f"{'on' if decision.pump else 'off'} at {value_c}")
    return state, now, result


def test_hovering_about_cut_in_and_then_about_cut_out_is_one_run() -> None:
    """One start at the first reading at cut-in, one stop at the first at cut-out."""
    state = begin(0.0, last_stop=-1000.0)

    state, now, above = switches(
        state, 0.0, (CUT_IN_C + step_k for step_k in islice(cycle(HOVER_K), HALF_AN_HOUR))
    )
    _, _, below = switches(
        state, now, (CUT_OUT_C - step_k for step_k in islice(cycle(HOVER_K), HALF_AN_HOUR))
    )

    assert above == [f"on at {CUT_IN_C}"]
    assert below == [f"off at {CUT_OUT_C}"]


@pytest.mark.parametrize("between_c", [CUT_OUT_C + 0.0625, 16.0, CUT_IN_C - 0.0625])
def test_inside_the_band_nothing_is_switched(between_c: float) -> None:
    """Resting it stays at rest, however near."""
    _, _, result = switches(begin(0.0, last_stop=-1000.0), 0.0, [between_c] * HALF_AN_HOUR)

    assert result == []


def test_a_sum_of_tenths_decides_as_the_value_itself() -> None:
    """Ten times 0.1 added is a hair less than one in binary; on the fixed grid it is one.

    Source: IEEE 754 double precision, 0.1 has no finite binary form.
    """
    ramp_c = [CUT_IN_C - 1.0]
    for _ in range(10):
        ramp_c.append(ramp_c[-1] + 0.1)
    assert ramp_c[-1] != CUT_IN_C

    _, _, result = switches(begin(0.0, last_stop=-1000.0), 0.0, ramp_c)

    assert result == [f"on at {ramp_c[-1]}"]
