"""Rules 1, 2, 5 and 6: the call, what forbids a start, and what stops pump and fan at once.

Every rule here is one comparison of readings, or one timer. `phases` puts them in their order.
"""

from __future__ import annotations

from collections.abc import Iterator

from controller.core.law import Band, Law
from controller.core.state import Cooling, Inputs, Phase, Reason
from controller.domain.temperatures import Lost, Reading, Seen


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


def start_forbidden_by(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> Reason | None:
    """Return what forbids a start of the pump, the strongest reason first, or None."""
    if cooling.paused_until is not None:
        return Reason.PAUSED
    if inputs.output_fault is not None:
        return Reason.OUTPUT_FAILED
    if at_low_limit(inputs, law):
        return Reason.LOW_LIMIT  # a band below the limit must not start what trips at once
    rested_s = now - cooling.pump_since
    if rested_s < law.timing.anti_short_cycle_s:
        return Reason.ANTI_SHORT_CYCLE
    if cooling.failed_tries and rested_s < law.flow.wait_s:
        return Reason.FLOW_WAIT
    return Reason.RESERVOIR_WARM if cold_enough(inputs, law) is False else None


def warm_since(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> float | None:
    """Return since when a running pump has moved water too warm to cool the air.

    A lost reservoir probe starts no timer: cooling goes on without it.
    """
    if not cooling.pump or cold_enough(inputs, law) is not False:
        return None
    return now if cooling.warm_since is None else cooling.warm_since


def tripped_by(cooling: Cooling, inputs: Inputs, now: float, law: Law) -> Reason | None:
    """Return why pump and fan must go off at once (rule 6), or None.

    The flow trip and the lost air probe are dealt with in `flow` and `phases`.
    """
    if cooling.paused_until is not None:
        return Reason.PAUSED
    if inputs.output_fault is not None:
        return Reason.OUTPUT_FAILED
    if at_low_limit(inputs, law):
        return Reason.LOW_LIMIT
    if (
        cooling.pump
        and cooling.warm_since is not None
        and now - cooling.warm_since >= law.timing.permissive_debounce_s
    ):
        return Reason.RESERVOIR_WARM
    return None


def timer_instants(cooling: Cooling, law: Law) -> Iterator[float]:
    """Yield the instants at which time alone can change the cooling; some may lie in the past."""
    timing, flow, since = law.timing, law.flow, cooling.pump_since
    if cooling.pump:
        yield since + timing.minimum_run_s
        yield since + timing.prime_s
    else:
        yield since + timing.anti_short_cycle_s
        yield since + timing.run_on_s
        if cooling.failed_tries:
            yield since + flow.wait_s
    if cooling.phase is Phase.FALLBACK:
        yield since + (law.fallback.on_s if cooling.pump else law.fallback.off_s)
    if cooling.phase is Phase.LOCKOUT:
        yield cooling.phase_since + flow.lockout_s
    if cooling.warm_since is not None:
        yield cooling.warm_since + timing.permissive_debounce_s
    if cooling.unanswered_since is not None:
        yield cooling.unanswered_since + flow.after_s
    if cooling.paused_until is not None:
        yield cooling.paused_until
