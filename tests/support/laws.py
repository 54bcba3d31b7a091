"""A law with small round numbers, and readings to feed it."""

from __future__ import annotations

from controller.core.law import (
    AlarmDelay,
    AlarmRules,
    Band,
    Fallback,
    FallbackPolicy,
    FlowProof,
    Law,
    Limits,
    Timing,
)
from controller.core.state import Inputs
from controller.domain.alarms import AlarmName
from controller.domain.temperatures import Lost, Reading, Seen, millidegrees

BAND = Band(cut_in_mc=16_500, cut_out_mc=15_500)
AIR_LOST = Lost("probe gone")


def make_law(
    *,
    minimum_run_s: float = 120,
    anti_short_cycle_s: float = 300,
    prime_s: float = 10,
    run_on_s: float = 60,
    permissive_debounce_s: float = 30,
    low_limit_c: float = 12.0,
    margin_k: float = 2.0,
    flow_after_s: float = 600,
    flow_tries: int = 3,
    flow_wait_s: float = 900,
    lockout_s: float = 21_600,
    policy: FallbackPolicy = FallbackPolicy.OFF,
    raise_s: float = 60,
    clear_s: float = 60,
    longest_run_s: float = 7200,
    longest_unseen_run_s: float = 3600,
    lead_s: float = 0,
    starts_per_hour: int = 6,
    losses_per_hour: int = 5,
    trips_per_hour: int = 4,
) -> Law:
    """Return a law in which every figure can be changed by name."""
    delay = AlarmDelay(raise_s=raise_s, clear_s=clear_s)
    return Law(
        timing=Timing(
            minimum_run_s=minimum_run_s,
            anti_short_cycle_s=anti_short_cycle_s,
            prime_s=prime_s,
            run_on_s=run_on_s,
            permissive_debounce_s=permissive_debounce_s,
            longest_run_s=longest_run_s,
            longest_unseen_run_s=longest_unseen_run_s,
            lead_s=lead_s,
        ),
        limits=Limits(
            low_limit_mc=millidegrees(low_limit_c), reservoir_margin_mk=millidegrees(margin_k)
        ),
        flow=FlowProof(
            after_s=flow_after_s,
            air_drop_mk=300,
            outlet_drop_mk=1000,
            colder_by_mk=4000,
            doubt_rise_mk=1000,
            wait_s=flow_wait_s,
            tries=flow_tries,
            lockout_s=lockout_s,
        ),
        fallback=Fallback(policy=policy, on_s=240, off_s=600),
        alarms=AlarmRules(
            air_high_mc=19_000,
            reservoir_warm_mc=12_000,
            reservoir_freezing_mc=500,
            clear_by_mk=500,
            starts_per_hour=starts_per_hour,
            losses_per_hour=losses_per_hour,
            trips_per_hour=trips_per_hour,
            delays=tuple((name, delay) for name in AlarmName),
        ),
    )


def reading(temp_c: float | None) -> Reading:
    """Return a trusted reading, or a lost one for None."""
    return Lost("no reading") if temp_c is None else Seen(millidegrees(temp_c))


def make_inputs(
    air_c: float | None, reservoir_c: float | None = 4.0, band: Band = BAND, **more: object
) -> Inputs:
    """Return inputs for one decision."""
    return Inputs(band=band, air=reading(air_c), reservoir=reading(reservoir_c), **more)  # type: ignore[arg-type]
