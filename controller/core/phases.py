"""Rules 1 to 8: one step of the cooling from phase to phase.

==========  ====  ===  =======================================================  =========
phase       pump  fan  leaves when                                              to
==========  ====  ===  =======================================================  =========
rest        off   off  the air calls, nothing forbids a start                   prime [1]_
..                     the air calls, something forbids a start                 held
held        off   off  nothing forbids the start any more                       prime [1]_
..                     the call ends                                            rest
prime       on    off  the prime time is over                                   cool
cool        on    on   no call and the minimum run is over                      run_on [2]_
..                     no flow is proved, tries left / no tries left            held, rest / lockout
run_on      off   on   the run-on time is over                                  rest, held, prime
prime,                 trip: pause, output failed, low limit; while the pump    held, rest
cool,                  runs also: reservoir too warm past the debounce
run_on
lockout     off   off  a person resets it, or its time is over                  held, rest, prime
any but                the air probe is lost: pump and fan off at once          fallback
lockout
fallback    [3]_  [3]_ the air probe is back: on as pump and fan stand          prime, cool,
                                                                                run_on, rest,
                                                                                held
==========  ====  ===  =======================================================  =========

.. [1] straight to cool where the prime time is zero
.. [2] straight to rest where the run-on time is zero or the fan has not started yet
.. [3] policy off: both off; policy timed: by the clock, within every other limit

A start needs all of: no pause, no failed output, anti-short-cycle over, the wait after an
unproved run over, and a reservoir that is cold enough or unknown. Every trip puts pump and fan off
together: a fan on a coil that is too cold or too warm goes on harming the crop, and a person's
hands are in the chamber.
"""

from __future__ import annotations

from dataclasses import replace

from controller.core.band import call_for
from controller.core.flow import look_for_flow
from controller.core.law import FallbackPolicy, Law
from controller.core.state import NOTHING_ASKED, Cooling, Inputs, Phase, Reason
from controller.core.timers import why_not_start
from controller.core.trips import find_trip, warm_since
from controller.domain.temperatures import Lost


def regulate(was: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    """Return where the cooling stands from *now* on.

    Args:
        was: Where it stood.
        inputs: Judged readings, the band in force, and what people asked for.
        now: Monotonic instant [s], from the clock that gave the instants in *was*.
        law: Timers and limits.
    """
    here = _heard(was, inputs, now)
    call = call_for(inputs.air, inputs.band, was=here.call)
    if call is not here.call:
        here = replace(here, call=call)
    if here.phase is Phase.LOCKOUT:
        return _locked_out(here, inputs, now, law)
    if isinstance(inputs.air, Lost):
        return _without_air(here, inputs, now, law)
    if here.phase is Phase.FALLBACK:
        here = _back_from_fallback(here, now)
    if here.pump:
        return _running(here, inputs, now, law)
    if here.fan:
        return _running_on(here, inputs, now, law)
    return _resting(here, inputs, now, law)


def _heard(here: Cooling, inputs: Inputs, now: float) -> Cooling:
    """Take in what people asked for, and end a pause whose time is over."""
    asked = inputs.asked
    if here.paused_until is not None and now >= here.paused_until:
        here = replace(here, paused_until=None)
    if asked is NOTHING_ASKED:
        return here
    if asked.resume:
        here = replace(here, paused_until=None)
    if asked.pause_s is not None:
        here = replace(here, paused_until=now + asked.pause_s)
    if asked.reset:
        here = replace(here, failed_tries=0)
        if here.phase is Phase.LOCKOUT:
            here = _enter(here, Phase.REST, Reason.NO_CALL, now)
    return here


def _enter(here: Cooling, phase: Phase, reason: Reason, now: float) -> Cooling:
    """Name the phase, keeping its beginning while it lasts."""
    if phase is here.phase:
        return here if reason is here.reason else replace(here, reason=reason)
    return replace(here, phase=phase, reason=reason, phase_since=now)


def _start(here: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    primed = law.timing.prime_s <= 0
    here = replace(
        here,
        pump=True,
        fan=primed,
        pump_since=now,
        warm_since=None,
        unanswered_since=None,
        flow_proved=False,
        air_peak_mc=None if isinstance(inputs.air, Lost) else inputs.air.value_mc,
    )
    if primed:
        return _enter(here, Phase.COOL, Reason.CALL, now)
    return _enter(here, Phase.PRIME, Reason.PRIMING, now)


def _both_off(here: Cooling, now: float) -> Cooling:
    if not (here.pump or here.fan):
        return here
    return replace(
        here,
        pump=False,
        fan=False,
        pump_since=now if here.pump else here.pump_since,
        warm_since=None,
        unanswered_since=None,
        flow_proved=False,
        air_peak_mc=None,
    )


def _tripped(here: Cooling, reason: Reason, now: float) -> Cooling:
    phase = Phase.HELD if here.call else Phase.REST
    return _enter(_both_off(here, now), phase, reason, now)


def _resting(here: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    why_not = why_not_start(here, inputs, now, law)
    if not here.call:
        told = why_not if why_not in {Reason.PAUSED, Reason.OUTPUT_FAILED} else None
        return _enter(here, Phase.REST, told or Reason.NO_CALL, now)
    if why_not is not None:
        return _enter(here, Phase.HELD, why_not, now)
    return _start(here, inputs, now, law)


def _running_on(here: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    trip = find_trip(here, inputs, now, law)
    if trip is not None:
        return _tripped(here, trip, now)
    if now - here.pump_since < law.timing.run_on_s:
        return _enter(here, Phase.RUN_ON, Reason.RUN_ON, now)
    return _resting(_both_off(here, now), inputs, now, law)


def _running(here: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    since = warm_since(here, inputs, now, law)
    if since != here.warm_since:
        here = replace(here, warm_since=since)
    trip = find_trip(here, inputs, now, law)
    if trip is not None:
        return _tripped(here, trip, now)
    ran_s = now - here.pump_since
    if not here.call and ran_s >= law.timing.minimum_run_s:
        return _stop(here, inputs, now, law)
    if ran_s < law.timing.prime_s:
        return _enter(here, Phase.PRIME, Reason.PRIMING, now)
    if not here.fan:
        here = replace(here, fan=True)
    here = _enter(here, Phase.COOL, Reason.CALL if here.call else Reason.MINIMUM_RUN, now)
    return _proving_flow(here, inputs, now, law)


def _stop(here: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    """Stop the pump as planned; the fan runs on over the cold coil."""
    if here.fan and law.timing.run_on_s > 0:
        running_on = replace(_both_off(here, now), fan=True)
        return _enter(running_on, Phase.RUN_ON, Reason.RUN_ON, now)
    return _resting(_both_off(here, now), inputs, now, law)


def _proving_flow(here: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    if here.flow_proved and not here.failed_tries and inputs.coil_outlet is None:
        return here  # one answer serves a run where no probe watches the outlet
    flow = look_for_flow(here, inputs, now, law.flow)
    if flow.failed(now, law.flow):
        failed_tries = here.failed_tries + 1
        here = replace(_both_off(here, now), failed_tries=failed_tries)
        if failed_tries >= law.flow.tries:
            return _enter(here, Phase.LOCKOUT, Reason.LOCKOUT, now)
        return _tripped(here, Reason.FLOW_WAIT, now)
    failed_tries = 0 if flow.answered else here.failed_tries
    found = (flow.unanswered_since, flow.air_peak_mc, flow.flow_proved, failed_tries)
    if found == (here.unanswered_since, here.air_peak_mc, here.flow_proved, here.failed_tries):
        return here
    return replace(
        here,
        unanswered_since=flow.unanswered_since,
        air_peak_mc=flow.air_peak_mc,
        flow_proved=flow.flow_proved,
        failed_tries=failed_tries,
    )


def _locked_out(here: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    if now - here.phase_since < law.flow.lockout_s:
        return here
    here = _enter(replace(here, failed_tries=0), Phase.REST, Reason.NO_CALL, now)
    if isinstance(inputs.air, Lost):
        return _without_air(here, inputs, now, law)
    return _resting(here, inputs, now, law)


def _without_air(here: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    if here.phase is not Phase.FALLBACK:
        return _enter(_both_off(here, now), Phase.FALLBACK, Reason.AIR_LOST, now)
    if law.fallback.policy is FallbackPolicy.OFF:
        return _enter(_both_off(here, now), Phase.FALLBACK, Reason.AIR_LOST, now)
    since = warm_since(here, inputs, now, law)
    if since != here.warm_since:
        here = replace(here, warm_since=since)
    trip = find_trip(here, inputs, now, law)
    if trip is None and isinstance(inputs.reservoir, Lost):
        trip = Reason.AIR_LOST  # blind on both sides: nothing may run
    if trip is not None:
        return _enter(_both_off(here, now), Phase.FALLBACK, trip, now)
    return _by_the_clock(here, inputs, now, law)


def _by_the_clock(here: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    timing, pattern = law.timing, law.fallback
    lasted_s = now - here.pump_since
    if here.pump:
        if lasted_s >= max(pattern.on_s, timing.minimum_run_s):
            fan = here.fan and timing.run_on_s > 0
            here = replace(_both_off(here, now), fan=fan)
            return _enter(here, Phase.FALLBACK, Reason.TIMED_OFF, now)
        if not here.fan and lasted_s >= timing.prime_s:
            here = replace(here, fan=True)
        return _enter(here, Phase.FALLBACK, Reason.TIMED_ON, now)
    if here.fan and lasted_s >= timing.run_on_s:
        here = _both_off(here, now)
    why_not = why_not_start(here, inputs, now, law)
    if lasted_s < pattern.off_s or why_not is not None:
        told = why_not if why_not is Reason.RESERVOIR_WARM else Reason.TIMED_OFF
        return _enter(here, Phase.FALLBACK, told, now)
    started = _start(here, inputs, now, law)
    return replace(
        started, phase=Phase.FALLBACK, reason=Reason.TIMED_ON, phase_since=here.phase_since
    )


def _back_from_fallback(here: Cooling, now: float) -> Cooling:
    """Give the running or resting pump the phase that fits it; the rules go on from there."""
    if here.pump:
        return _enter(here, Phase.COOL if here.fan else Phase.PRIME, Reason.CALL, now)
    if here.fan:
        return _enter(here, Phase.RUN_ON, Reason.RUN_ON, now)
    return _enter(here, Phase.REST, Reason.NO_CALL, now)
