"""Rules 1, 2, 5 and 6: the call, what forbids a start, and what stops pump and fan at once.

Every rule here is one comparison of readings, or one timer. `phases` puts them in their order.
"""

from __future__ import annotations

from collections.abc import Iterator

from controller.core.flow import beyond_doubt, early_s, next_mark_at
from controller.core.law import Band, Law
from controller.core.state import Cooling, Inputs
from controller.core.stopwatch import RESET
from controller.domain.control_phase import Phase, Reason
from controller.domain.temperatures import Lost, Reading, Seen

LEAST_RISE_S = 60.0
"""A rest whose marked part is shorter shows no rise: a probe's step would be most of it [s]."""
REMEMBERED = 0.7
"""What earlier rests count for when one more is over."""


def call_for(air: Reading, band: Band, *, previous: bool) -> bool:
    """Return whether the air calls for cooling (rule 1).

    Set at or above cut-in, cleared at or below cut-out, unchanged between and while the reading
    is lost.
    """
    if isinstance(air, Lost):
        return previous
    if air.value_mc >= band.cut_in_mc:
        return True
    if air.value_mc <= band.cut_out_mc:
        return False
    return previous


def started_early(band: Band, cooling: Cooling, law: Law) -> Band:
    """Return the band with cut-in lowered by what the air rises in the time of the law's lead.

    No lower than the middle of the band, however fast the air has risen.
    """
    lead_mk = int(cooling.rise_mk_s * law.timing.lead_s)
    if lead_mk <= 0:
        return band
    lead_mk = min(lead_mk, (band.cut_in_mc - band.cut_out_mc) // 2)
    return Band(band.cut_in_mc - lead_mk, band.cut_out_mc)


def rise_of(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> float:
    """Return how fast the air rises in a rest that ends now, earlier rests counted [mK/s].

    Args:
        cooling: Where the cooling stood in that rest, with the marks of the air's course.
        inputs: Readings at *now*.
        now: Monotonic instant [s].
        law: Its lead says whether this is asked for at all.
    """
    if law.timing.lead_s <= 0.0 or not cooling.trend or not isinstance(inputs.air, Seen):
        return cooling.rise_mk_s
    mark = cooling.trend[0]
    lasted_s = now - mark.at
    if lasted_s < LEAST_RISE_S:
        return cooling.rise_mk_s
    rise_mk_s = max(0.0, (inputs.air.value_mc - mark.air_mc) / lasted_s)
    if cooling.rise_mk_s == 0.0:
        return rise_mk_s
    return REMEMBERED * cooling.rise_mk_s + (1.0 - REMEMBERED) * rise_mk_s


def to_be_cooled_mc(inputs: Inputs) -> int:
    """Return what the reservoir must be colder than [m°C].

    The air; without a trusted air reading the cut-out, the coldest air that cooling aims at.
    """
    return inputs.air.value_mc if isinstance(inputs.air, Seen) else inputs.band.cut_out_mc


def cold_enough(inputs: Inputs, law: Law) -> bool | None:
    """Return whether the reservoir can cool the air (rule 5); None when it is lost."""
    if isinstance(inputs.reservoir, Lost):
        return None
    return inputs.reservoir.value_mc <= to_be_cooled_mc(inputs) - law.limits.reservoir_margin_mk


def at_low_limit(inputs: Inputs, law: Law) -> bool:
    """Return whether the air is known to be at or below the low limit."""
    return isinstance(inputs.air, Seen) and inputs.air.value_mc <= law.limits.low_limit_mc


def _never_on_while(cooling: Cooling, inputs: Inputs, law: Law) -> Reason | None:
    """Return what both forbids a start and trips a run, the strongest reason first, or None."""
    if cooling.paused_until is not None:
        return Reason.PAUSED
    if inputs.output_fault is not None:
        return Reason.OUTPUT_FAILED
    if at_low_limit(inputs, law):
        return Reason.LOW_LIMIT
    if inputs.level is False:
        return Reason.RESERVOIR_EMPTY
    return None


def start_forbidden_by(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> Reason | None:
    """Return what forbids a start of the pump, the strongest reason first, or None."""
    if reason := _never_on_while(cooling, inputs, law):
        return reason
    rested_s = now - cooling.pump_since
    if rested_s < max(law.timing.anti_short_cycle_s, cooling.rest_s):
        return Reason.ANTI_SHORT_CYCLE
    if cooling.failed_tries and rested_s < law.flow.wait_s:
        return Reason.FLOW_WAIT
    cold = cold_enough(inputs, law)
    if cold is None and cooling.unseen_since is not None:
        # a probe that drops out does not make water cold that was warm when it last answered
        cold = now - cooling.unseen_since >= law.timing.longest_unseen_run_s
    return Reason.RESERVOIR_WARM if cold is False else None


def with_warm_water_timed(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> Cooling:
    """Time for how long a running pump has moved water too warm to cool the air.

    A lost reservoir probe stops the timer: cooling goes on without it, and what was counted stays.
    """
    cold = cold_enough(inputs, law)
    warm = cooling.warm.timed(None if cold is None else not cold, now) if cooling.pump else RESET
    return cooling if warm is cooling.warm else cooling._replace(warm=warm)


def longest_run_s(inputs: Inputs, law: Law) -> float:
    """Return after how long a run ends in every mode; sooner while the water is not known [s]."""
    if isinstance(inputs.reservoir, Lost):
        return law.timing.longest_unseen_run_s
    return law.timing.longest_run_s


def falls_short(inputs: Inputs, law: Law) -> bool:
    """Return whether a run of the longest time has not held the air, and no warm water explains it.

    A plant at its limit runs without a break on a hot day and holds the band: that is what it was
    built for. Water that is too warm has an alarm of its own.
    """
    air, water = inputs.air, inputs.reservoir
    held = isinstance(air, Seen) and air.value_mc < inputs.band.cut_in_mc
    explained = isinstance(water, Seen) and water.value_mc >= law.alarms.reservoir_warm_mc
    return not (held or explained)


def tripped_by(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> Reason | None:
    """Return why pump and fan must go off at once (rule 6), or None.

    The flow trip and the lost air probe are dealt with in `flow` and `phases`.
    """
    if reason := _never_on_while(cooling, inputs, law):
        return reason
    warm_s = cooling.warm.elapsed_s(now)
    if cooling.pump and cooling.warm != RESET and warm_s >= law.timing.permissive_debounce_s:
        return Reason.RESERVOIR_WARM
    return None


def timer_instants(cooling: Cooling, inputs: Inputs, law: Law) -> Iterator[float]:
    """Yield the instants at which time alone can change the cooling; some may lie in the past."""
    timing, flow, since = law.timing, law.flow, cooling.pump_since
    yield from (_while_running if cooling.pump else _while_resting)(cooling, inputs, law)
    if cooling.phase is Phase.FALLBACK:
        yield since + (law.fallback.on_s if cooling.pump else law.fallback.off_s)
    if cooling.phase is Phase.LOCKOUT:
        yield cooling.phase_since + flow.lockout_s
    for watch, limit_s in (
        (cooling.warm, timing.permissive_debounce_s),
        (cooling.flow.unanswered, flow.after_s),
    ):
        ends = watch.reaches(limit_s)
        if ends is not None:
            yield ends
    if cooling.paused_until is not None:
        yield cooling.paused_until


def _while_running(cooling: Cooling, inputs: Inputs, law: Law) -> Iterator[float]:
    timing, since = law.timing, cooling.pump_since
    if not (cooling.call and beyond_doubt(cooling, inputs, law.flow)):
        yield since + timing.minimum_run_s  # until then the end of a call, or doubt, must wait
    if not cooling.fan:
        yield since + timing.prime_s
    yield since + timing.longest_run_s
    yield since + timing.longest_unseen_run_s
    if cooling.flow.proved_mc is None or inputs.coil_outlet is not None:
        yield since + early_s(law)


def _while_resting(cooling: Cooling, _inputs: Inputs, law: Law) -> Iterator[float]:
    since = cooling.pump_since
    if cooling.fan:
        yield since + law.timing.run_on_s
    yield next_mark_at(cooling, law)
    if cooling.call or cooling.phase is Phase.FALLBACK:  # else no start waits for a timer
        yield since + law.timing.anti_short_cycle_s
        yield since + cooling.rest_s
        if cooling.unseen_since is not None:
            yield cooling.unseen_since + law.timing.longest_unseen_run_s
        if cooling.failed_tries:
            yield since + law.flow.wait_s
