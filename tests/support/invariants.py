"""What no step of the control law may ever do; shared by random, exhaustive and soak tests."""

from __future__ import annotations

from controller.core.law import FallbackPolicy, Law
from controller.core.state import Cooling, Inputs
from controller.core.stopwatch import RESET
from controller.core.transitions import OUTPUTS
from controller.domain.control_phase import Phase, Reason
from controller.domain.temperatures import Lost, Seen

TRIPS = {
    Reason.PAUSED,
    Reason.OUTPUT_FAILED,
    Reason.LOW_LIMIT,
    Reason.RESERVOIR_WARM,
    Reason.FLOW_WAIT,
    Reason.RESERVOIR_EMPTY,
    Reason.LOCKOUT,
    Reason.AIR_LOST,
}
ROUNDING_S = 1e-6


def check_step(before: Cooling, inputs: Inputs, after: Cooling, now: float, law: Law) -> None:
    """Fail on a step that breaks the control law."""
    timing = law.timing
    tripped = after.reason in TRIPS
    assert (after.pump, after.fan) in OUTPUTS[after.phase], "outputs do not fit the phase"
    if after.pump and not before.pump:
        rested_s = now - before.pump_since
        assert rested_s >= timing.anti_short_cycle_s - ROUNDING_S, "start within anti-short-cycle"
        assert inputs.output_fault is None, "start on a failed output"
        assert after.paused_until is None, "start in a pause"
        assert not reservoir_warm(inputs, law), "start on a warm reservoir"
        if before.failed_tries and after.failed_tries:
            assert rested_s >= law.flow.wait_s - ROUNDING_S, "try again before the wait was over"
    if before.pump and not after.pump and not tripped:
        assert now - before.pump_since >= timing.minimum_run_s - ROUNDING_S, (
            "stop within minimum run"
        )
        assert after.pump_since == now
    if before.fan and not after.fan and not tripped:
        assert not (after.pump and before.pump), "fan off while the pump runs"
        assert now - after.pump_since >= timing.run_on_s - ROUNDING_S or after.pump, (
            "fan off before the run-on was over"
        )
    changed = after.phase is not before.phase
    assert after.phase_since == (now if changed else before.phase_since), "when the phase began"
    if after.fan and not before.fan:
        assert after.pump, "fan on without the pump"
        assert now - after.pump_since >= timing.prime_s - ROUNDING_S, "fan on before the prime"
    if after.pump:
        assert after.paused_until is None, "pump on in a pause"
        assert inputs.output_fault is None, "pump on with a failed output"
        if after.warm != RESET:
            warm_s = after.warm.elapsed_s(now)
            assert warm_s < timing.permissive_debounce_s, "cooling on warm water"
        check_run(before, inputs, after, now, law)
        if isinstance(inputs.air, Seen):
            assert inputs.air.value_mc > law.limits.low_limit_mc, "cooling at the low limit"
    if isinstance(inputs.air, Lost):
        assert after.call is before.call, "a lost reading changed the call"
        if law.fallback.policy is FallbackPolicy.OFF:
            assert not after.pump, "pump on without an air probe under policy off"
            assert not after.fan, "fan on without an air probe under policy off"
        if isinstance(inputs.reservoir, Lost):
            assert not after.pump, "pump on with neither probe"
    if after.pump and reservoir_warm(inputs, law):
        assert after.warm.since is not None, "warm water and no clock running"
    if before.phase is Phase.LOCKOUT and after.phase is not Phase.LOCKOUT:
        waited = now - before.phase_since >= law.flow.lockout_s - ROUNDING_S
        assert inputs.asked.reset or waited, "lockout ended by itself too early"


def reservoir_warm(inputs: Inputs, law: Law) -> bool:
    """Return whether the reservoir is known to be too warm to cool, worked out apart from core."""
    if isinstance(inputs.reservoir, Lost):
        return False
    air_mc = inputs.band.cut_out_mc if isinstance(inputs.air, Lost) else inputs.air.value_mc
    return air_mc - inputs.reservoir.value_mc < law.limits.reservoir_margin_mk


def answered(cooling: Cooling) -> bool:
    """Return whether the loop has answered in this run."""
    return cooling.flow.proved_mc is not None


def check_run(before: Cooling, inputs: Inputs, after: Cooling, now: float, law: Law) -> None:
    """Fail on a pump that runs on without water, without an answer, or without an end."""
    unseen, timing = isinstance(inputs.reservoir, Lost), law.timing
    assert inputs.level is not False, "pump on in an empty reservoir"
    longest_s = timing.longest_unseen_run_s if unseen else timing.longest_run_s
    assert now - after.pump_since < longest_s, "a run longer than any may be"
    waited_s = after.flow.unanswered.elapsed_s(now)
    assert waited_s < law.flow.after_s, "pumping on without an answer"
    if unseen and before.pump and before.pump_since == after.pump_since:
        assert after.warm.elapsed_s(now) == before.warm.elapsed_s(now), "warm water forgotten"
        kept = waited_s == before.flow.unanswered.elapsed_s(now)
        assert kept or answered(after), "a missing answer forgotten"
