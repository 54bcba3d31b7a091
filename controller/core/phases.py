"""Rules 1 to 8: one step of the cooling from phase to phase.

Which phase may follow which is the table in `transitions`; a test visits every reachable state and
finds those steps and no others.

A start needs all of: no pause, no failed output, anti-short-cycle over, the wait after an
unproved run over, and a reservoir that is cold enough or unknown. Every trip puts pump and fan off
together: a fan on a coil that is too cold or too warm goes on harming the crop, and a person's
hands are in the chamber.
"""

from __future__ import annotations

from controller.core.flow import FlowVerdict, flow_at_start, judge_flow, trend_of
from controller.core.law import FallbackPolicy, Law
from controller.core.rules import (
    call_for,
    cold_enough,
    falls_short,
    longest_run_s,
    rise_of,
    start_forbidden_by,
    started_early,
    tripped_by,
    with_warm_water_timed,
)
from controller.core.state import NOTHING_ASKED, UNTRIED, Cooling, Inputs
from controller.core.stopwatch import RESET
from controller.domain.control_phase import Phase, Reason
from controller.domain.temperatures import Lost

LOST_RUNS_BORNE = 2
"""Runs in a row that may be cut short by a lost air probe before the rest grows."""
MOST_DOUBLINGS = 3
"""The rest becomes eight times the anti-short-cycle time at most."""
_SHOWN_AT_REST = frozenset({Reason.PAUSED, Reason.OUTPUT_FAILED, Reason.RESERVOIR_EMPTY})
"""What forbids a start and is worth showing before there is a call."""


def regulate(previous: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    """Return where the cooling stands from *now* on.

    Args:
        previous: Where it stood.
        inputs: Judged readings, the band in force, and what people asked for.
        now: Monotonic instant [s], from the clock that gave the instants in *previous*.
        law: Timers and limits.
    """
    cooling = _regulated(_asked_for(previous, inputs, now), inputs, now, law)
    trend = trend_of(cooling, inputs, now, law)
    return cooling if trend is cooling.trend else cooling._replace(trend=trend)


def _regulated(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    band = started_early(inputs.band, cooling, law)
    call = call_for(inputs.air, band, previous=cooling.call)
    if call is not cooling.call:
        cooling = cooling._replace(call=call, overran=cooling.overran and call)
    if not cooling.pump:
        cooling = _with_warm_water_remembered(cooling, inputs, now, law)
    if cooling.phase is Phase.LOCKOUT:
        return _locked_out(cooling, inputs, now, law)
    if isinstance(inputs.air, Lost):
        return _without_air(cooling, inputs, now, law)
    if cooling.phase is Phase.FALLBACK:
        cooling = _back_from_fallback(cooling, now)
    if cooling.pump:
        return _running(cooling, inputs, now, law)
    if cooling.fan:
        return _running_on(cooling, inputs, now, law)
    return _resting(cooling, inputs, now, law)


def _asked_for(cooling: Cooling, inputs: Inputs, now: float) -> Cooling:
    """Take in what people asked for, and end a pause whose time is over."""
    asked = inputs.asked
    if cooling.paused_until is not None and now >= cooling.paused_until:
        cooling = cooling._replace(paused_until=None)
    if asked is NOTHING_ASKED:
        return cooling
    if asked.resume:
        cooling = cooling._replace(paused_until=None)
    if asked.pause_s is not None:
        cooling = cooling._replace(paused_until=now + asked.pause_s)
    if asked.reset:
        cooling = cooling._replace(failed_tries=0)
        if cooling.phase is Phase.LOCKOUT:
            cooling = _enter(cooling, Phase.REST, Reason.NO_CALL, now)
    return cooling


def _enter(cooling: Cooling, phase: Phase, reason: Reason, now: float) -> Cooling:
    """Name the phase, keeping its beginning while it lasts."""
    if phase is cooling.phase:
        return cooling if reason is cooling.reason else cooling._replace(reason=reason)
    return cooling._replace(phase=phase, reason=reason, phase_since=now)


def _start(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    primed = law.timing.prime_s <= 0
    cooling = cooling._replace(
        pump=True,
        fan=primed,
        pump_since=now,
        warm=RESET,
        flow=flow_at_start(cooling, inputs, now),
        rest_s=0.0,
        too_warm=False,
        unseen_since=None,
        rise_mk_s=rise_of(cooling, inputs, now, law),
    )
    if primed:
        return _enter(cooling, Phase.COOL, Reason.CALL, now)
    return _enter(cooling, Phase.PRIME, Reason.PRIMING, now)


def _both_off(cooling: Cooling, now: float) -> Cooling:
    if not (cooling.pump or cooling.fan):
        return cooling
    return cooling._replace(
        pump=False,
        fan=False,
        pump_since=now if cooling.pump else cooling.pump_since,
        warm=RESET,
        flow=UNTRIED,
    )


def _tripped(cooling: Cooling, reason: Reason, now: float) -> Cooling:
    phase = Phase.HELD if cooling.call else Phase.REST
    if reason is Reason.RESERVOIR_WARM:
        cooling = cooling._replace(too_warm=True)
    return _enter(_both_off(cooling, now), phase, reason, now)


def _resting(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    forbidden_by = start_forbidden_by(cooling, inputs, now, law)
    if not cooling.call:
        reason = forbidden_by if forbidden_by in _SHOWN_AT_REST else None
        return _enter(cooling, Phase.REST, reason or Reason.NO_CALL, now)
    if forbidden_by is not None:
        return _enter(cooling, Phase.HELD, forbidden_by, now)
    return _start(cooling, inputs, now, law)


def _with_warm_water_remembered(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    """Remember that the water was too warm for a call, and since when nobody knows."""
    cold = cold_enough(inputs, law)
    if cold is None:
        if cooling.too_warm and cooling.unseen_since is None:
            return cooling._replace(unseen_since=now)
        return cooling
    # without a call the air is cooler than what the water has to cool, and judges nothing
    too_warm = not cold if cooling.call else cooling.too_warm
    if too_warm is cooling.too_warm and cooling.unseen_since is None:
        return cooling
    return cooling._replace(too_warm=too_warm, unseen_since=None)


def _running_on(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    trip = tripped_by(cooling, inputs, now, law)
    if trip is not None:
        return _tripped(cooling, trip, now)
    if now - cooling.pump_since < law.timing.run_on_s:
        return _enter(cooling, Phase.RUN_ON, Reason.RUN_ON, now)
    return _resting(_both_off(cooling, now), inputs, now, law)


def _running(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    cooling = with_warm_water_timed(cooling, inputs, now, law)
    trip = tripped_by(cooling, inputs, now, law)
    if trip is not None:
        return _tripped(cooling, trip, now)
    ran_s = now - cooling.pump_since
    if not cooling.call and ran_s >= law.timing.minimum_run_s:
        return _stop(cooling, Reason.RUN_ON, inputs, now, law)
    if ran_s >= longest_run_s(inputs, law):
        return _overrun(cooling, inputs, now, law)
    if ran_s < law.timing.prime_s:
        return _enter(cooling, Phase.PRIME, Reason.PRIMING, now)
    if not cooling.fan:
        cooling = cooling._replace(fan=True)
    cooling = _enter(cooling, Phase.COOL, Reason.CALL if cooling.call else Reason.MINIMUM_RUN, now)
    return _proving_flow(cooling, inputs, now, law)


def _stop(cooling: Cooling, reason: Reason, inputs: Inputs, now: float, law: Law) -> Cooling:
    """Stop the pump as planned; the fan runs on over the cold coil."""
    fan = cooling.fan
    cooling = _both_off(cooling, now)._replace(lost_runs=0)
    if fan and law.timing.run_on_s > 0:
        return _enter(cooling._replace(fan=True), Phase.RUN_ON, reason, now)
    return _resting(cooling, inputs, now, law)


def _overrun(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    """End a run that has lasted as long as any may; one that was never proved rests for longer."""
    proved = cooling.flow.proved_mc is not None
    overran = not proved or falls_short(inputs, law)
    cooling = cooling._replace(overran=overran, rest_s=0.0 if proved else law.flow.wait_s)
    return _stop(cooling, Reason.LONGEST_RUN, inputs, now, law)


def _proving_flow(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    flow, verdict = judge_flow(cooling, inputs, now, law)
    if verdict is FlowVerdict.FAILED:
        failed_tries = cooling.failed_tries + 1
        cooling = _both_off(cooling, now)._replace(failed_tries=failed_tries, flow_suspect=True)
        if failed_tries >= law.flow.tries:
            return _enter(cooling, Phase.LOCKOUT, Reason.LOCKOUT, now)
        return _tripped(cooling, Reason.FLOW_WAIT, now)
    if verdict is FlowVerdict.DOUBTED and now - cooling.pump_since >= law.timing.minimum_run_s:
        return _stop(cooling, Reason.PROVING, inputs, now, law)
    if verdict is FlowVerdict.ANSWERED and cooling.flow_suspect:
        cooling = cooling._replace(failed_tries=0, flow_suspect=False)
    return cooling if flow is cooling.flow else cooling._replace(flow=flow)


def _locked_out(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    if now - cooling.phase_since < law.flow.lockout_s:
        return cooling
    cooling = _enter(cooling._replace(failed_tries=0), Phase.REST, Reason.NO_CALL, now)
    if isinstance(inputs.air, Lost):
        return _without_air(cooling, inputs, now, law)
    return _resting(cooling, inputs, now, law)


def _without_air(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    if cooling.phase is not Phase.FALLBACK:
        if cooling.pump:
            cooling = _cut_short(cooling, law)
        return _enter(_both_off(cooling, now), Phase.FALLBACK, Reason.AIR_LOST, now)
    if law.fallback.policy is FallbackPolicy.OFF:
        return _enter(_both_off(cooling, now), Phase.FALLBACK, Reason.AIR_LOST, now)
    cooling = with_warm_water_timed(cooling, inputs, now, law)
    trip = tripped_by(cooling, inputs, now, law)
    if trip is None and isinstance(inputs.reservoir, Lost):
        trip = Reason.AIR_LOST  # blind on both sides: nothing may run
    if trip is not None:
        return _enter(_both_off(cooling, now), Phase.FALLBACK, trip, now)
    return _by_the_clock(cooling, inputs, now, law)


def _cut_short(cooling: Cooling, law: Law) -> Cooling:
    """Let the rest grow while run after run ends by a lost air probe: the pump may disturb it."""
    lost_runs = min(cooling.lost_runs + 1, LOST_RUNS_BORNE + MOST_DOUBLINGS)
    rest_s = law.timing.anti_short_cycle_s * 2 ** max(0, lost_runs - LOST_RUNS_BORNE)
    return cooling._replace(lost_runs=lost_runs, rest_s=rest_s)


def _by_the_clock(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    timing, pattern = law.timing, law.fallback
    lasted_s = now - cooling.pump_since
    if cooling.pump:
        on_s = max(pattern.on_s, timing.minimum_run_s)
        if lasted_s >= min(on_s, timing.longest_run_s):
            fan = cooling.fan and timing.run_on_s > 0
            cooling = _both_off(cooling, now)._replace(fan=fan)
            return _enter(cooling, Phase.FALLBACK, Reason.TIMED_OFF, now)
        if not cooling.fan and lasted_s >= timing.prime_s:
            cooling = cooling._replace(fan=True)
        return _enter(cooling, Phase.FALLBACK, Reason.TIMED_ON, now)
    if cooling.fan and lasted_s >= timing.run_on_s:
        cooling = _both_off(cooling, now)
    forbidden_by = start_forbidden_by(cooling, inputs, now, law)
    if lasted_s < pattern.off_s or forbidden_by is not None:
        shown = {Reason.RESERVOIR_WARM, Reason.RESERVOIR_EMPTY}
        reason = forbidden_by if forbidden_by in shown else Reason.TIMED_OFF
        return _enter(cooling, Phase.FALLBACK, reason, now)
    started = _start(cooling, inputs, now, law)
    return started._replace(
        phase=Phase.FALLBACK, reason=Reason.TIMED_ON, phase_since=cooling.phase_since
    )


def _back_from_fallback(cooling: Cooling, now: float) -> Cooling:
    """Give the running or resting pump the phase that fits it; the rules go on from there."""
    if cooling.pump:
        return _enter(cooling, Phase.COOL if cooling.fan else Phase.PRIME, Reason.CALL, now)
    if cooling.fan:
        return _enter(cooling, Phase.RUN_ON, Reason.RUN_ON, now)
    return _enter(cooling, Phase.REST, Reason.NO_CALL, now)
