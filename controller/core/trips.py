"""Rules 5 and 6: what stops pump and fan at once, whatever the minimum run says."""

from __future__ import annotations

from controller.core.band import cold_enough
from controller.core.law import Law
from controller.core.state import Cooling, Inputs, Reason
from controller.domain.temperatures import Seen


def warm_since(here: Cooling, inputs: Inputs, now: float, law: Law) -> float | None:
    """Return since when a running pump has moved water too warm to cool the air.

    Without a trusted air reading the water is held against the cut-out, the coldest air that
    cooling aims at. A lost reservoir probe starts no clock: cooling goes on without it.
    """
    if not here.pump:
        return None
    below_mc = inputs.air.value_mc if isinstance(inputs.air, Seen) else inputs.band.cut_out_mc
    cold = cold_enough(
        inputs.reservoir, below_mc=below_mc, margin_mk=law.limits.reservoir_margin_mk
    )
    if cold is not False:
        return None
    return now if here.warm_since is None else here.warm_since


def find_trip(here: Cooling, inputs: Inputs, now: float, law: Law) -> Reason | None:
    """Return why pump and fan must go off at once, or None.

    The flow trip and the lost air probe are found where they are dealt with (`flow`, `phases`).
    """
    if here.paused_until is not None:
        return Reason.PAUSED
    if inputs.output_fault is not None:
        return Reason.OUTPUT_FAILED
    if isinstance(inputs.air, Seen) and inputs.air.value_mc <= law.limits.low_limit_mc:
        return Reason.LOW_LIMIT
    if (
        here.pump
        and here.warm_since is not None
        and now - here.warm_since >= law.timing.permissive_debounce_s
    ):
        return Reason.RESERVOIR_WARM
    return None
