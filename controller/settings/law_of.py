"""From settings to the values of the control law, and from a stage and a time to its band."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time

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
from controller.core.signal import SignalPattern
from controller.domain.alarms import OUTSIDE_THE_LAW, AlarmName
from controller.domain.daytime import within
from controller.domain.events import InForce
from controller.settings.load import Settings
from controller.settings.models import Stage


def first_in_force(settings: Settings) -> InForce:
    """Return what is taken to have been in force before the records name a stage and a band."""
    stage = settings.stages[settings.chamber.stage]
    return InForce(stage=settings.chamber.stage, cut_out_mc=stage.cut_out, cut_in_mc=stage.cut_in)


def law_of(settings: Settings) -> Law:
    """Return the control law that the settings ask for."""
    timing, limits, flow, alarms = (
        settings.timing,
        settings.limits,
        settings.flow_proof,
        settings.alarms,
    )
    return Law(
        timing=Timing(
            minimum_run_s=timing.minimum_run,
            anti_short_cycle_s=timing.anti_short_cycle,
            prime_s=timing.prime,
            run_on_s=timing.run_on,
            permissive_debounce_s=timing.permissive_debounce,
            longest_run_s=timing.longest_run,
            longest_unseen_run_s=timing.longest_unseen_run,
            lead_s=timing.start_early_by,
        ),
        limits=Limits(low_limit_mc=limits.low_limit, reservoir_margin_mk=limits.reservoir_margin),
        flow=FlowProof(
            after_s=flow.after,
            air_drop_mk=flow.fall,
            outlet_drop_mk=flow.outlet_drop,
            colder_by_mk=flow.colder_by,
            doubt_rise_mk=flow.doubt_rise,
            wait_s=flow.wait,
            tries=flow.tries,
            lockout_s=flow.lockout,
        ),
        fallback=Fallback(
            policy=FallbackPolicy(settings.fallback.policy),
            on_s=settings.fallback.on,
            off_s=settings.fallback.off,
        ),
        alarms=AlarmRules(
            air_high_mc=limits.air_high,
            reservoir_warm_mc=limits.reservoir_warm,
            reservoir_freezing_mc=limits.reservoir_freezing,
            clear_by_mk=alarms.clear_by,
            starts_per_hour=alarms.starts_per_hour,
            losses_per_hour=alarms.losses_per_hour,
            trips_per_hour=alarms.trips_per_hour,
            delays=tuple(
                (name, AlarmDelay(raise_s=delay.after, clear_s=delay.clear_after))
                for name in AlarmName
                if name not in OUTSIDE_THE_LAW
                for delay in (alarms.delay_of(name),)
            ),
        ),
    )


@dataclass(frozen=True, slots=True)
class BandSchedule:
    """The bands of one stage over the day."""

    day: Band
    night: Band | None
    night_from: time
    night_to: time

    def band_at(self, local: datetime) -> Band:
        """Return the band in force at a local time of day.

        The night includes its first instant and ends before its last; it may cross midnight. Only
        the clock on the wall counts, so a daylight-saving change moves the switch with it.
        """
        if self.night is None:
            return self.day
        in_night = within(local.time(), self.night_from, self.night_to)
        return self.night if in_night else self.day


def schedule_of(stage: Stage) -> BandSchedule:
    """Return the bands of a stage."""
    night = stage.night
    return BandSchedule(
        day=Band(stage.cut_in, stage.cut_out),
        night=None if night is None else Band(night.cut_in, night.cut_out),
        night_from=time() if night is None else night.from_,
        night_to=time() if night is None else night.to,
    )


def signal_for(settings: Settings) -> frozenset[AlarmName]:
    """Return the alarms that the lamp or buzzer is for; none where there is no such load."""
    signal = settings.loads.signal
    return frozenset() if signal is None else frozenset(signal.alarms)


def signal_pattern(settings: Settings) -> SignalPattern:
    """Return how the lamp or buzzer is on while an alarm calls for it."""
    signal = settings.loads.signal
    return SignalPattern.STEADY if signal is None else SignalPattern(signal.pattern)
