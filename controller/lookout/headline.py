"""How the chamber is, in one sentence with its number: the same at every door.

"In band" is said only when the air, as it is shown, lies between the two figures that are shown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from enum import Enum

from controller.domain.alarm_guide import (
    PLACES,
    alarm_title,
    guide_of,
    is_note,
    worst_first,
)
from controller.domain.alarms import Alarm, AlarmName
from controller.domain.control_phase import Phase, Reason
from controller.domain.requests import Acknowledge, Pause, Request, Resume
from controller.domain.status import Status
from controller.pictures.words import degrees, duration, moment, temperature
from controller.records.snapshot import Snapshot

STILL_COLD_K = 4.0
"""Water so far below the limit at which its alarm is raised is no reason to change packs [K].
Common practice, no source: it is about 8 °C then, which only a set with ice in it keeps."""


class ChamberState(Enum):
    """What a chamber can look like to a person; each has its own words and its own look."""

    IN_BAND = "in-band"
    COOLING = "cooling"
    """Out of band, and being cooled."""
    OUT_OF_BAND = "out-of-band"
    """Out of band, and the pump is off."""
    PAUSED = "paused"
    STARTING = "starting"
    """No reading has come yet since the service started."""
    ALARM = "alarm"
    LOCKED_OUT = "locked-out"
    NO_DATA = "no-data"


@dataclass(frozen=True, slots=True, kw_only=True)
class ActiveAlarm:
    """An active alarm in words."""

    name: str
    about: str
    words: str
    """Its title with number and limit, such as ``Air too warm: 21.2 °C (limit 19.0 °C)``."""
    action: str
    note: str
    """What is known of its cause, in one sentence; empty: nothing."""
    seen: str
    """Who marked it as seen, and when; empty: nobody has."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Headline:
    """The answer to "is the crop all right?"."""

    state: ChamberState
    words: str
    """One sentence with its number."""
    action: str
    """What to do, in one sentence; empty: nothing."""
    more: str
    """A second sentence, such as who paused it; empty: none."""
    notes: tuple[str, ...]
    """What a person should know beside the alarms."""
    alarms: tuple[ActiveAlarm, ...]
    """The most urgent first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmLimits:
    """Limits that alarms name, and how people want temperatures written."""

    air_high_c: float | None
    """None: not known; so are the others."""
    air_low_c: float | None
    reservoir_warm_c: float | None
    reservoir_freezing_c: float | None
    unit: str


def headline_of(snapshot: Snapshot, limits: AlarmLimits, now: datetime) -> Headline:
    """Return how the chamber is.

    Args:
        snapshot: What is known.
        limits: What its alarms go by.
        now: Now, in the zone to speak in.
    """
    headline = _without_notes(snapshot, limits, now)
    if snapshot.status is None or snapshot.silent:
        return headline
    noted = tuple(
        f"{alarm_words(alarm, snapshot.status, limits)}. {guide_of(alarm.name).action}"
        for alarm in snapshot.status.alarms
        if is_note(alarm)
    )
    return replace(headline, notes=snapshot.status.notes + noted)


def _without_notes(snapshot: Snapshot, limits: AlarmLimits, now: datetime) -> Headline:
    status = snapshot.status
    if status is None or snapshot.silent:
        return _no_data(snapshot, limits, now)
    alarms = tuple(
        _active(alarm, status, limits, snapshot, now)
        for alarm in worst_first(status.alarms)
        if not is_note(alarm)
    )
    paused = _pause_words(status, snapshot, now)
    if status.phase == Phase.LOCKOUT.value:
        action = alarms[0].action if alarms else guide_of(AlarmName.FLOW_NOT_PROVED.value).action
        words = f"Cooling is locked out. {_air_words(status, limits)}"
        return _headline(ChamberState.LOCKED_OUT, words, action, paused, alarms)
    if alarms:
        return _headline(
            ChamberState.ALARM, f"{alarms[0].words}.", alarms[0].action, paused, alarms
        )
    if paused:
        return _headline(ChamberState.PAUSED, paused, "", _air_words(status, limits), ())
    air_c = status.air_c
    if air_c is None:
        if status.reason == Reason.FIRST_READINGS.value:
            words = "Waiting for the first readings."
            return _headline(ChamberState.STARTING, words, "", "", ())
        lost = None if status.probes.air is None else status.probes.air.lost
        words = f"The air temperature is not known: {lost or 'no reading'}."
        return _headline(ChamberState.OUT_OF_BAND, words, guide_of("probe_lost").action, "", ())
    return _by_band(status, air_c, limits)


def _headline(
    state: ChamberState, words: str, action: str, more: str, alarms: tuple[ActiveAlarm, ...]
) -> Headline:
    return Headline(state=state, words=words, action=action, more=more, notes=(), alarms=alarms)


def _by_band(status: Status, air_c: float, limits: AlarmLimits) -> Headline:
    unit = limits.unit
    air, low, high = (
        round(degrees(value, unit), 1) for value in (air_c, status.cut_out_c, status.cut_in_c)
    )
    shown, band = temperature(1000 * air_c, unit), f"band {low:.1f} to {high:.1f} °{unit}"
    if low <= air <= high:
        words = f"In band: air {shown} ({band})."
        return _headline(ChamberState.IN_BAND, words, "", "", ())
    if air < low:
        words = f"Air {shown}, below its {band}. It warms by itself."
        return _headline(ChamberState.OUT_OF_BAND, words, "", "", ())
    if status.pump:
        words = f"Cooling: air {shown}, above its {band}."
        return _headline(ChamberState.COOLING, words, "", "", ())
    rest_s = status.timers_left.anti_short_cycle_s
    waits = f"The pump may start in {duration(rest_s)}." if rest_s else "The pump is off."
    words = f"Air {shown}, above its {band}. {waits}"
    return _headline(ChamberState.OUT_OF_BAND, words, "", "", ())


def _no_data(snapshot: Snapshot, limits: AlarmLimits, now: datetime) -> Headline:
    action = "Look at the machine: it needs power, and coldpin must run on it."
    status = snapshot.status
    if status is None:
        words = "No data: coldpin is not running on this machine."
        return _headline(ChamberState.NO_DATA, words, action, "", ())
    since = moment(status.as_of, now) if snapshot.age_s is None else f"{duration(snapshot.age_s)}"
    words = (
        f"No data since {since}."
        if snapshot.age_s is None
        else f"No data for {since}. Nothing says that the chamber is being cooled."
    )
    more = f"Last known, at {moment(status.as_of, now, far=False)}: {_air_words(status, limits)}"
    return _headline(ChamberState.NO_DATA, words, action, more, ())


def _air_words(status: Status, limits: AlarmLimits) -> str:
    if status.air_c is None:
        return "Air temperature not known."
    return f"Air {temperature(1000 * status.air_c, limits.unit)}."


def _pause_words(status: Status, snapshot: Snapshot, now: datetime) -> str:
    left_s = status.timers_left.pause_s
    if left_s is None:
        return ""
    until = moment(now.astimezone(UTC) + timedelta(seconds=left_s), now, far=False)
    asked = _pause_that_holds(snapshot.requests)
    by = f" by {asked.who}" if asked is not None else ""
    return f"Paused{by} until {until}: pump and fan are off."


def _pause_that_holds(requests: Sequence[Request]) -> Request | None:
    """Return the pause that ends last of those since the last resume, None: there is none."""
    pauses: list[tuple[float, Request]] = []
    for each in requests:
        if isinstance(each.payload, Resume):
            pauses.clear()
        elif isinstance(each.payload, Pause):
            pauses.append((each.asked_utc_ms / 1000 + each.payload.for_s, each))
    return max(pauses, key=lambda pause: pause[0])[1] if pauses else None


def _active(
    alarm: Alarm, status: Status, limits: AlarmLimits, snapshot: Snapshot, now: datetime
) -> ActiveAlarm:
    return ActiveAlarm(
        name=alarm.name,
        about=alarm.about,
        words=alarm_words(alarm, status, limits),
        action=first_action(alarm, status, limits),
        note=alarm.note,
        seen=_seen_words(alarm, snapshot, now) if alarm.acknowledged else "",
    )


def alarm_words(alarm: Alarm, status: Status, limits: AlarmLimits) -> str:
    """Return an alarm with its number and limit, without a full stop.

    Args:
        alarm: The alarm.
        status: How the chamber is now.
        limits: What alarms go by.
    """
    title = alarm_title(alarm.name, alarm.about)
    known: dict[str, tuple[float | None, float | None]] = {
        AlarmName.AIR_HIGH.value: (status.air_c, limits.air_high_c),
        AlarmName.AIR_LOW.value: (status.air_c, limits.air_low_c),
        AlarmName.RESERVOIR_WARM.value: (status.reservoir_c, limits.reservoir_warm_c),
        AlarmName.RESERVOIR_FREEZING.value: (status.reservoir_c, limits.reservoir_freezing_c),
    }
    if alarm.name in known:
        value_c, limit_c = known[alarm.name]
        limit = ""
        if limit_c is not None:
            limit = f" (limit {temperature(1000 * limit_c, limits.unit)})"
        if value_c is None:
            return f"{title}{limit}, and no reading now"
        return f"{title}: {temperature(1000 * value_c, limits.unit)}{limit}"
    probe = dict(status.probes.fitted()).get(alarm.about)
    if alarm.name == AlarmName.PROBE_LOST.value and probe is not None and probe.lost:
        place = PLACES.get(alarm.about, alarm.about)
        return f"{place[:1].upper()}{place[1:]} not answering: {probe.lost}"
    return title


def first_action(alarm: Alarm, status: Status, limits: AlarmLimits) -> str:
    """Return what to do first about an alarm, as far as the readings tell; else what mostly helps.

    Args:
        alarm: The alarm.
        status: How the chamber is now.
        limits: What alarms go by.
    """
    if alarm.name != AlarmName.AIR_HIGH.value:
        return guide_of(alarm.name).action
    if status.timers_left.pause_s is not None:
        return "End the pause as soon as hands are out of the chamber."
    water_c, warm_c = status.reservoir_c, limits.reservoir_warm_c
    if water_c is not None and warm_c is not None and water_c <= warm_c - STILL_COLD_K:
        return "The water is still cold: close the chamber, and see that pump and fan run."
    return guide_of(alarm.name).action


def _seen_words(alarm: Alarm, snapshot: Snapshot, now: datetime) -> str:
    """Return who marked an alarm as seen last, as far as that is on record."""
    seen = next((each for each in reversed(snapshot.requests) if _marks(each, alarm)), None)
    if seen is None:
        return "Seen"
    at = datetime.fromtimestamp(seen.asked_utc_ms / 1000, now.tzinfo)
    return f"Seen by {seen.who} at {moment(at, now, far=False)}"


def _marks(request: Request, alarm: Alarm) -> bool:
    payload = request.payload
    return isinstance(payload, Acknowledge) and payload.alarm in {None, alarm.name}
