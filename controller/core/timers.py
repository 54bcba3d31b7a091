"""Rule 2, what keeps a resting pump at rest; and when the next timer can matter."""

from __future__ import annotations

from collections.abc import Iterator

from controller.core.band import cold_enough
from controller.core.law import Law
from controller.core.state import Cooling, Inputs, Phase, Reason
from controller.domain.temperatures import Seen


def why_not_start(here: Cooling, inputs: Inputs, now: float, law: Law) -> Reason | None:
    """Return what forbids a start of the pump, the strongest reason first, or None."""
    if here.paused_until is not None:
        return Reason.PAUSED
    if inputs.output_fault is not None:
        return Reason.OUTPUT_FAILED
    if isinstance(inputs.air, Seen) and inputs.air.value_mc <= law.limits.low_limit_mc:
        return (
            Reason.LOW_LIMIT
        )  # a band that lies below the limit must not start what trips at once
    rested_s = now - here.pump_since
    if rested_s < law.timing.anti_short_cycle_s:
        return Reason.ANTI_SHORT_CYCLE
    if here.failed_tries and rested_s < law.flow.wait_s:
        return Reason.FLOW_WAIT
    below_mc = inputs.air.value_mc if isinstance(inputs.air, Seen) else inputs.band.cut_out_mc
    cold = cold_enough(
        inputs.reservoir, below_mc=below_mc, margin_mk=law.limits.reservoir_margin_mk
    )
    return Reason.RESERVOIR_WARM if cold is False else None


def timer_instants(here: Cooling, law: Law) -> Iterator[float]:
    """Yield the instants at which time alone can change the cooling; some may lie in the past."""
    timing, flow, since = law.timing, law.flow, here.pump_since
    if here.pump:
        yield since + timing.minimum_run_s
        yield since + timing.prime_s
    else:
        yield since + timing.anti_short_cycle_s
        yield since + timing.run_on_s
        if here.failed_tries:
            yield since + flow.wait_s
    if here.phase is Phase.FALLBACK:
        yield since + (law.fallback.on_s if here.pump else law.fallback.off_s)
    if here.phase is Phase.LOCKOUT:
        yield here.phase_since + flow.lockout_s
    if here.warm_since is not None:
        yield here.warm_since + timing.permissive_debounce_s
    if here.unanswered_since is not None:
        yield here.unanswered_since + flow.after_s
    if here.paused_until is not None:
        yield here.paused_until
