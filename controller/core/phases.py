"""Rules 1 to 8: one step of the cooling from phase to phase.

Which phase may follow which is the table in `transitions`; a test visits every reachable state and
finds those steps and no others.

A start needs all of: no pause, no failed output, anti-short-cycle over, the wait after an
unproved run over, and a reservoir that is cold enough or unknown. Every trip puts pump and fan off
together: a fan on a coil that is too cold or too warm goes on harming the crop, and a person's
hands are in the chamber.
"""

from __future__ import annotations

from dataclasses import replace

from controller.core.flow import judge_flow
from controller.core.law import FallbackPolicy, Law
from controller.core.rules import call_for, start_forbidden_by, tripped_by, warm_since
from controller.core.state import NOTHING_ASKED, Cooling, Inputs, Phase, Reason
from controller.domain.temperatures import Lost


def regulate(previous: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    """Return where the cooling stands from *now* on.

    Args:
        previous: Where it stood.
        inputs: Judged readings, the band in force, and what people asked for.
        now: Monotonic instant [s], from the clock that gave the instants in *previous*.
        law: Timers and limits.
    """
    cooling = _asked_for(previous, inputs, now)
    call = call_for(inputs.air, inputs.band, previous=cooling.call)
    if call is not cooling.call:
        cooling = replace(cooling, call=call)
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
        cooling = replace(cooling, paused_until=None)
    if asked is NOTHING_ASKED:
        return cooling
    if asked.resume:
        cooling = replace(cooling, paused_until=None)
    if asked.pause_s is not None:
        cooling = replace(cooling, paused_until=now + asked.pause_s)
    if asked.reset:
        cooling = replace(cooling, failed_tries=0)
        if cooling.phase is Phase.LOCKOUT:
            cooling = _enter(cooling, Phase.REST, Reason.NO_CALL, now)
    return cooling


def _enter(cooling: Cooling, phase: Phase, reason: Reason, now: float) -> Cooling:
    """Name the phase, keeping its beginning while it lasts."""
    if phase is cooling.phase:
        return cooling if reason is cooling.reason else replace(cooling, reason=reason)
    return replace(cooling, phase=phase, reason=reason, phase_since=now)


def _start(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    primed = law.timing.prime_s <= 0
    cooling = replace(
        cooling,
        pump=True,
        fan=primed,
        pump_since=now,
        warm_since=None,
        unanswered_since=None,
        flow_proved=False,
        air_peak_mc=None if isinstance(inputs.air, Lost) else inputs.air.value_mc,
    )
    if primed:
        return _enter(cooling, Phase.COOL, Reason.CALL, now)
    return _enter(cooling, Phase.PRIME, Reason.PRIMING, now)


def _both_off(cooling: Cooling, now: float) -> Cooling:
    if not (cooling.pump or cooling.fan):
        return cooling
    return replace(
        cooling,
        pump=False,
        fan=False,
        pump_since=now if cooling.pump else cooling.pump_since,
        warm_since=None,
        unanswered_since=None,
        flow_proved=False,
        air_peak_mc=None,
    )


def _tripped(cooling: Cooling, reason: Reason, now: float) -> Cooling:
    phase = Phase.HELD if cooling.call else Phase.REST
    return _enter(_both_off(cooling, now), phase, reason, now)


def _resting(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    forbidden_by = start_forbidden_by(cooling, inputs, now, law)
    if not cooling.call:
        reason = forbidden_by if forbidden_by in {Reason.PAUSED, Reason.OUTPUT_FAILED} else None
        return _enter(cooling, Phase.REST, reason or Reason.NO_CALL, now)
    if forbidden_by is not None:
        return _enter(cooling, Phase.HELD, forbidden_by, now)
    return _start(cooling, inputs, now, law)


def _running_on(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    trip = tripped_by(cooling, inputs, now, law)
    if trip is not None:
        return _tripped(cooling, trip, now)
    if now - cooling.pump_since < law.timing.run_on_s:
        return _enter(cooling, Phase.RUN_ON, Reason.RUN_ON, now)
    return _resting(_both_off(cooling, now), inputs, now, law)


def _running(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    since = warm_since(cooling, inputs, now, law)
    if since != cooling.warm_since:
        cooling = replace(cooling, warm_since=since)
    trip = tripped_by(cooling, inputs, now, law)
    if trip is not None:
        return _tripped(cooling, trip, now)
    ran_s = now - cooling.pump_since
    if not cooling.call and ran_s >= law.timing.minimum_run_s:
        return _stop(cooling, inputs, now, law)
    if ran_s < law.timing.prime_s:
        return _enter(cooling, Phase.PRIME, Reason.PRIMING, now)
    if not cooling.fan:
        cooling = replace(cooling, fan=True)
    cooling = _enter(cooling, Phase.COOL, Reason.CALL if cooling.call else Reason.MINIMUM_RUN, now)
    return _proving_flow(cooling, inputs, now, law)


def _stop(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    """Stop the pump as planned; the fan runs on over the cold coil."""
    if cooling.fan and law.timing.run_on_s > 0:
        running_on = replace(_both_off(cooling, now), fan=True)
        return _enter(running_on, Phase.RUN_ON, Reason.RUN_ON, now)
    return _resting(_both_off(cooling, now), inputs, now, law)


def _proving_flow(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    if cooling.flow_proved and not cooling.failed_tries and inputs.coil_outlet is None:
        return cooling  # one answer serves a run where no probe watches the outlet
    flow = judge_flow(cooling, inputs, now, law.flow)
    if flow.failed(now, law.flow):
        failed_tries = cooling.failed_tries + 1
        cooling = replace(_both_off(cooling, now), failed_tries=failed_tries)
        if failed_tries >= law.flow.tries:
            return _enter(cooling, Phase.LOCKOUT, Reason.LOCKOUT, now)
        return _tripped(cooling, Reason.FLOW_WAIT, now)
    failed_tries = 0 if flow.answered else cooling.failed_tries
    proved = replace(
        cooling,
        unanswered_since=flow.unanswered_since,
        air_peak_mc=flow.air_peak_mc,
        flow_proved=flow.flow_proved,
        failed_tries=failed_tries,
    )
    return cooling if proved == cooling else proved


def _locked_out(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    if now - cooling.phase_since < law.flow.lockout_s:
        return cooling
    cooling = _enter(replace(cooling, failed_tries=0), Phase.REST, Reason.NO_CALL, now)
    if isinstance(inputs.air, Lost):
        return _without_air(cooling, inputs, now, law)
    return _resting(cooling, inputs, now, law)


def _without_air(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    if cooling.phase is not Phase.FALLBACK:
        return _enter(_both_off(cooling, now), Phase.FALLBACK, Reason.AIR_LOST, now)
    if law.fallback.policy is FallbackPolicy.OFF:
        return _enter(_both_off(cooling, now), Phase.FALLBACK, Reason.AIR_LOST, now)
    since = warm_since(cooling, inputs, now, law)
    if since != cooling.warm_since:
        cooling = replace(cooling, warm_since=since)
    trip = tripped_by(cooling, inputs, now, law)
    if trip is None and isinstance(inputs.reservoir, Lost):
        trip = Reason.AIR_LOST  # blind on both sides: nothing may run
    if trip is not None:
        return _enter(_both_off(cooling, now), Phase.FALLBACK, trip, now)
    return _by_the_clock(cooling, inputs, now, law)


def _by_the_clock(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    timing, pattern = law.timing, law.fallback
    lasted_s = now - cooling.pump_since
    if cooling.pump:
        if lasted_s >= max(pattern.on_s, timing.minimum_run_s):
            fan = cooling.fan and timing.run_on_s > 0
            cooling = replace(_both_off(cooling, now), fan=fan)
            return _enter(cooling, Phase.FALLBACK, Reason.TIMED_OFF, now)
        if not cooling.fan and lasted_s >= timing.prime_s:
            cooling = replace(cooling, fan=True)
        return _enter(cooling, Phase.FALLBACK, Reason.TIMED_ON, now)
    if cooling.fan and lasted_s >= timing.run_on_s:
        cooling = _both_off(cooling, now)
    forbidden_by = start_forbidden_by(cooling, inputs, now, law)
    if lasted_s < pattern.off_s or forbidden_by is not None:
        reason = forbidden_by if forbidden_by is Reason.RESERVOIR_WARM else Reason.TIMED_OFF
        return _enter(cooling, Phase.FALLBACK, reason, now)
    started = _start(cooling, inputs, now, law)
    return replace(
        started, phase=Phase.FALLBACK, reason=Reason.TIMED_ON, phase_since=cooling.phase_since
    )


def _back_from_fallback(cooling: Cooling, now: float) -> Cooling:
    """Give the running or resting pump the phase that fits it; the rules go on from there."""
    if cooling.pump:
        return _enter(cooling, Phase.COOL if cooling.fan else Phase.PRIME, Reason.CALL, now)
    if cooling.fan:
        return _enter(cooling, Phase.RUN_ON, Reason.RUN_ON, now)
    return _enter(cooling, Phase.REST, Reason.NO_CALL, now)
