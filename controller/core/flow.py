"""Rule 7: a running pump must show that water moves.

The loop answers when the coil outlet is clearly colder than the air, or when the air falls by a
set amount soon after the start, faster than it fell before and than the room explains: an evening
that cools by itself proves nothing. Nothing is expected of a reservoir that is hardly colder than
the air, and while its probe is lost the waiting stands still.

A proof belongs to its run, and every run has an end (`longest_run_s`), so each is taken anew.
Without a probe at the outlet a proved run goes on: a plant at its limit runs without a break on a
hot day and its air need not fall again. Air that rises well above where flow was proved, or water
that gets cold in the middle of an unproved run, is doubt: the pump rests for a short while and the
next start is the test. With the probe the answer must keep coming.
"""

from __future__ import annotations

from enum import Enum

from controller.core.law import FlowProof, Law
from controller.core.state import AirMark, Cooling, Flow, Inputs
from controller.core.stopwatch import RESET
from controller.domain.temperatures import PROBE_STEP_MK, Seen

TREND_EVERY_S = 300.0
"""The air's own course is marked so often while the pump rests [s]."""
TREND_AFTER_S = 120.0
"""The cold coil and the lag of the probe are over so long after the run-on [s]; common practice,
no source."""


class FlowVerdict(Enum):
    """What a decision makes of the running loop."""

    OPEN = "nothing new"
    ANSWERED = "water moves"
    FAILED = "no answer in time"
    DOUBTED = "to be proved anew from a rest"


def judge_flow(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> tuple[Flow, FlowVerdict]:
    """Judge whether the loop answers a running pump and fan."""
    flow, rule, air, outlet = cooling.flow, law.flow, inputs.air, inputs.coil_outlet
    if not isinstance(air, Seen):
        return flow, FlowVerdict.OPEN
    if not isinstance(outlet, Seen):
        if flow.proved_mc is None:
            return _judge_unproved(cooling, air.value_mc, inputs, now, law)
        flow = _not_watched(flow, now)
        if beyond_doubt(cooling, inputs, rule):
            return flow, FlowVerdict.OPEN
        return flow, FlowVerdict.DOUBTED if answer_expected(inputs, rule) else FlowVerdict.OPEN
    if outlet.value_mc <= air.value_mc - rule.outlet_drop_mk:
        return _proved(flow, air.value_mc), FlowVerdict.ANSWERED
    return _judge_unproved(cooling, air.value_mc, inputs, now, law)


def beyond_doubt(cooling: Cooling, inputs: Inputs, rule: FlowProof) -> bool:
    """Return whether a run was proved by its air, which has not risen far since."""
    proved_mc, air = cooling.flow.proved_mc, inputs.air
    if proved_mc is None or not isinstance(air, Seen) or isinstance(inputs.coil_outlet, Seen):
        return False
    return air.value_mc < proved_mc + rule.doubt_rise_mk


def _judge_unproved(
    cooling: Cooling, air_mc: int, inputs: Inputs, now: float, law: Law
) -> tuple[Flow, FlowVerdict]:
    """Judge a run by its air: no answer yet, or one that must keep coming."""
    flow, rule = cooling.flow, law.flow
    expected, early = answer_expected(inputs, rule), is_early(cooling, now, law)
    if not (early or expected or flow.unanswered != RESET):
        return flow, FlowVerdict.OPEN
    if expected and flow.unanswered == RESET and not early:
        if not isinstance(inputs.coil_outlet, Seen):
            return flow, FlowVerdict.DOUBTED  # its own trend is not known; from a rest it is
        flow = flow._replace(air_peak_mc=air_mc)
    peak_mc = air_mc if flow.air_peak_mc is None else max(flow.air_peak_mc, air_mc)
    if (early or expected) and air_mc <= answer_mc(peak_mc, cooling, inputs, now, rule):
        return _proved(flow, air_mc), FlowVerdict.ANSWERED
    waiting = flow.unanswered.timed(expected, now)
    if waiting.elapsed_s(now) >= rule.after_s:
        return flow, FlowVerdict.FAILED
    if peak_mc == cooling.flow.air_peak_mc and waiting is flow.unanswered:
        return cooling.flow, FlowVerdict.OPEN
    return flow._replace(air_peak_mc=peak_mc, unanswered=waiting), FlowVerdict.OPEN


def _proved(flow: Flow, air_mc: int) -> Flow:
    if flow.proved_mc is not None and flow.unanswered == RESET and flow.air_peak_mc is None:
        return flow
    proved_mc = air_mc if flow.proved_mc is None else flow.proved_mc
    return flow._replace(proved_mc=proved_mc, air_peak_mc=None, unanswered=RESET)


def _not_watched(flow: Flow, now: float) -> Flow:
    """Stop the waiting of a proved run, which counts only while the outlet is known."""
    waiting = flow.unanswered.timed(None, now)
    return flow if waiting is flow.unanswered else flow._replace(unanswered=waiting)


def answer_expected(inputs: Inputs, rule: FlowProof) -> bool | None:
    """Return whether the water is so cold that it must show; None while that is not known."""
    if not (isinstance(inputs.air, Seen) and isinstance(inputs.reservoir, Seen)):
        return None
    return inputs.air.value_mc - inputs.reservoir.value_mc >= rule.colder_by_mk


def is_early(cooling: Cooling, now: float, law: Law) -> bool:
    """Return whether the start is so near that a falling air is its doing."""
    return now - cooling.pump_since < early_s(law)


def early_s(law: Law) -> float:
    """Return how long after its start a run is judged by the fall of the air [s]."""
    return law.timing.prime_s + law.flow.after_s


def answer_mc(peak_mc: int, cooling: Cooling, inputs: Inputs, now: float, rule: FlowProof) -> float:
    """Return the air that is an answer: below the peak by more than time and room explain [m°C].

    Time only lowers it.
    """
    explained_mk = cooling.flow.falling_mk_s * (now - cooling.pump_since)
    room, room_mc = inputs.room, cooling.flow.room_mc
    if isinstance(room, Seen) and room_mc is not None:
        explained_mk = max(explained_mk, room_mc - room.value_mc)
    return peak_mc - rule.air_drop_mk - explained_mk


def flow_at_start(cooling: Cooling, inputs: Inputs, now: float) -> Flow:
    """Return what a run begins with: air, room, and how fast the air was falling by itself."""
    if not isinstance(inputs.air, Seen):
        return Flow()
    return Flow(
        air_peak_mc=inputs.air.value_mc,
        room_mc=inputs.room.value_mc if isinstance(inputs.room, Seen) else None,
        falling_mk_s=_falling_mk_s(cooling.trend, inputs.air.value_mc, now),
    )


def _falling_mk_s(trend: tuple[AirMark, ...], air_mc: int, now: float) -> float:
    """Return the fall of the air before a start, zero where it rose or is not known."""
    if not trend or now - trend[0].at < TREND_EVERY_S:
        return 0.0
    # one step of the probe is no fall
    return max(0.0, (trend[0].air_mc - air_mc - PROBE_STEP_MK) / (now - trend[0].at))


def trend_of(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> tuple[AirMark, ...]:
    """Return the marks of the air's own course: the last two, while the pump rests."""
    trend = cooling.trend
    if cooling.pump or not isinstance(inputs.air, Seen):
        return () if trend else trend
    if now < next_mark_at(cooling, law):
        return trend
    return (*trend[-1:], AirMark(now, inputs.air.value_mc))


def next_mark_at(cooling: Cooling, law: Law) -> float:
    """Return when the air's course is to be marked next [s]; the pump rests."""
    if cooling.trend:
        return cooling.trend[-1].at + TREND_EVERY_S
    return cooling.pump_since + law.timing.run_on_s + TREND_AFTER_S
