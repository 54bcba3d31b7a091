"""What the front page says, as plain text: one source for the first answer and for live updates.

The answer comes first: is the crop all right, what is to be done by when. Machinery is last.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from controller.domain.alarm_guide import AlarmGuide, guide_of
from controller.domain.control_phase import Phase
from controller.domain.requests import LoggedSwap
from controller.domain.status import Status
from controller.domain.zones import local_time
from controller.lookout.headline import (
    ActiveAlarm,
    AlarmLimits,
    ChamberState,
    Headline,
    headline_of,
)
from controller.lookout.next_change import NextChange, is_of_old_packs, next_change
from controller.lookout.readings import last_change_words, readings_of
from controller.pictures.words import moment, shortage
from controller.records.snapshot import Snapshot
from controller.settings.load import Settings

UNDO_FOR = timedelta(minutes=15)
"""A change that was just logged can be undone with one tap for so long."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmRow:
    """An active alarm with its response."""

    alarm: ActiveAlarm
    guide: AlarmGuide


@dataclass(frozen=True, slots=True, kw_only=True)
class Buttons:
    """What makes sense to press now."""

    see_alarms: bool
    pause: bool
    resume: bool
    reset: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Front:
    """Everything on the front page that changes by itself."""

    chamber: str
    headline: Headline
    alarms: tuple[AlarmRow, ...]
    change: NextChange
    last_change: str
    undo: int | None
    """Number of the request that can be undone with one tap."""
    buttons: Buttons
    readings: tuple[tuple[str, str], ...]
    plan: tuple[tuple[str, str, str], ...]
    notes: tuple[str, ...]
    updated: str
    fades_after_s: float
    """How old this may get before it no longer says how things are [s]."""


def front_of(snapshot: Snapshot, settings: Settings, zone: tzinfo | None) -> Front:
    """Return what the page says.

    Args:
        snapshot: What is known.
        settings: The configuration.
        zone: The zone to speak in.
    """
    now = local_time(snapshot.at_utc, zone)
    status, unit = snapshot.status, settings.display.unit
    headline = headline_of(snapshot, limits_of(settings), now)
    swap = snapshot.last_swap
    return Front(
        chamber=settings.chamber.name if status is None else status.chamber,
        headline=headline,
        alarms=tuple(AlarmRow(alarm=each, guide=guide_of(each.name)) for each in headline.alarms),
        change=next_change(snapshot.forecast, swap, now),
        last_change=last_change_words(swap, now),
        undo=swap.request if swap is not None and _can_undo(swap, now) else None,
        buttons=_buttons(headline, status),
        readings=() if status is None else tuple(readings_of(status, unit)),
        plan=_plan(snapshot, now),
        notes=_notes(snapshot, unit, now),
        updated="never" if status is None else moment(status.as_of, now, far=False),
        fades_after_s=30.0 if status is None else 3.0 * status.tick_s + 10.0,
    )


def limits_of(settings: Settings) -> AlarmLimits:
    """Return the limits of a configuration."""
    limits = settings.limits
    return AlarmLimits(
        air_high_c=limits.air_high / 1000,
        air_low_c=limits.low_limit / 1000,
        reservoir_warm_c=limits.reservoir_warm / 1000,
        reservoir_freezing_c=limits.reservoir_freezing / 1000,
        unit=settings.display.unit,
    )


def _buttons(headline: Headline, status: Status | None) -> Buttons:
    if status is None or headline.state is ChamberState.NO_DATA:
        return Buttons(see_alarms=False, pause=False, resume=False, reset=False)
    paused = status.timers_left.pause_s is not None
    return Buttons(
        see_alarms=any(not each.seen for each in headline.alarms),
        pause=not paused,
        resume=paused,
        reset=status.phase == Phase.LOCKOUT.value,
    )


def _can_undo(swap: LoggedSwap, now: datetime) -> bool:
    return swap.request > 0 and timedelta() <= now - swap.logged_at <= UNDO_FOR


def _plan(snapshot: Snapshot, now: datetime) -> tuple[tuple[str, str, str], ...]:
    forecast = snapshot.forecast
    if forecast is not None and is_of_old_packs(forecast, snapshot.last_swap, now):
        return ()
    return tuple(
        ("now" if each.at <= now else moment(each.at, now), str(each.packs), each.why)
        for each in (() if forecast is None else forecast.plan)
    )


def _notes(snapshot: Snapshot, unit: str, now: datetime) -> tuple[str, ...]:
    forecast = snapshot.forecast
    if forecast is None or not forecast.known:
        return ()
    notes = [f"{note[0].upper()}{note[1:]}." for note in forecast.notes if note]
    if forecast.shortage is not None:
        notes.insert(0, shortage(forecast.shortage, now, unit))
    return tuple(notes)
