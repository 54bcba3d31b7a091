"""Rule 7: a running pump must show that water moves.

The loop answers when the coil outlet is clearly colder than the air, or when the air has fallen
by a set amount within the run. Nothing is expected of a reservoir that is hardly colder than the
air. Without a coil-outlet probe one answer serves for the whole run: a plant at its limit runs
without a break on a hot day and its air need not fall again, and stopping it would hurt the crop
that the rule protects. With the probe the answer must keep coming.
"""

from __future__ import annotations

from dataclasses import dataclass

from controller.core.law import FlowProof
from controller.core.state import Cooling, Inputs
from controller.domain.temperatures import Seen


@dataclass(frozen=True, slots=True)
class FlowVerdict:
    """What one decision makes of the running loop; the fields of `Cooling` of the same names."""

    answered: bool
    unanswered_since: float | None
    air_peak_mc: int | None
    flow_proved: bool

    def failed(self, now: float, rule: FlowProof) -> bool:
        """Return whether an answer has been missing for too long."""
        return self.unanswered_since is not None and now - self.unanswered_since >= rule.after_s


def judge_flow(cooling: Cooling, inputs: Inputs, now: float, rule: FlowProof) -> FlowVerdict:
    """Judge whether the loop answers a running pump and fan."""
    air, reservoir, outlet = inputs.air, inputs.reservoir, inputs.coil_outlet
    if not isinstance(air, Seen):
        return FlowVerdict(False, None, cooling.air_peak_mc, cooling.flow_proved)
    peak_mc = (
        air.value_mc if cooling.air_peak_mc is None else max(cooling.air_peak_mc, air.value_mc)
    )
    fell = air.value_mc <= peak_mc - rule.fall_mk
    watched = isinstance(outlet, Seen)
    cold = isinstance(outlet, Seen) and outlet.value_mc <= air.value_mc - rule.outlet_drop_mk
    if fell or cold:
        # watched, the next fall is measured from this one, so that a loop that stops
        # later is noticed
        return FlowVerdict(True, None, air.value_mc if watched else peak_mc, True)
    if cooling.flow_proved and not watched:
        return FlowVerdict(True, None, peak_mc, True)
    expected = isinstance(reservoir, Seen) and (
        air.value_mc - reservoir.value_mc >= rule.colder_by_mk
    )
    since = (
        (now if cooling.unanswered_since is None else cooling.unanswered_since)
        if expected
        else None
    )
    return FlowVerdict(False, since, peak_mc, cooling.flow_proved)
