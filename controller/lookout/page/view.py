"""What the page says, as plain text: the same words for the first answer and for live updates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Any

from controller.domain.alarm_guide import alarm_title, guide_of, worst_first
from controller.domain.alarms import Alarm
from controller.domain.status import Status
from controller.pictures.words import duration, moment, shortage, temperature
from controller.records.snapshot import Snapshot

NEAR_K = 0.5
"""Air this close to its band is in it: probes lag [K]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """The page's answers."""

    chamber: str
    state: str
    """``well``, ``off`` (its band, without an alarm), ``alarm`` or ``silent``."""
    verdict: str
    """Whether the crop is all right, in a sentence."""
    readings: tuple[tuple[str, str], ...]
    swap: str
    """When packs must be changed, in a sentence."""
    last_swap: str
    reserve: str
    notes: tuple[str, ...]
    plan: tuple[tuple[str, str, str], ...]
    alarms: tuple[tuple[str, str, bool], ...]
    """Name, words, whether acknowledged."""
    as_of: str

    def document(self) -> dict[str, Any]:
        """Return what a live update carries."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


def view_of(snapshot: Snapshot, *, chamber: str, unit: str, zone: tzinfo | None) -> View:
    """Return the page's answers.

    Args:
        snapshot: How the chamber is.
        chamber: Its name, where the control process has never spoken.
        unit: ``C`` or ``F``.
        zone: The chamber's zone.
    """
    status = snapshot.status
    alarms = () if status is None else tuple(worst_first(status.alarms))
    if status is None or snapshot.silent:
        state = "silent"
    else:
        state = "alarm" if alarms else _well_or_off(status)
    now = snapshot.taken_utc.astimezone(zone)
    swap, reserve, notes = _swap_words(snapshot, now, unit)
    forecast = snapshot.forecast
    return View(
        chamber=chamber if status is None else status.chamber,
        state=state,
        verdict=_verdict(snapshot, alarms, unit),
        readings=() if status is None else _readings(status, unit),
        swap=swap,
        last_swap=_last_swap_words(snapshot, now),
        reserve=reserve,
        notes=notes,
        plan=tuple(
            (_planned(each.at, now), str(each.packs), each.why)
            for each in (() if forecast is None else forecast.plan)
        ),
        alarms=tuple(
            (alarm.name, alarm_title(alarm.name, alarm.about), alarm.acknowledged)
            for alarm in alarms
        ),
        as_of=_as_of(snapshot, now),
    )


def _verdict(snapshot: Snapshot, alarms: Sequence[Alarm], unit: str) -> str:
    status = snapshot.status
    if status is None:
        return "The controller has not been heard: nobody knows how the chamber is."
    if snapshot.silent:
        since = (
            "since before the last start of the machine"
            if snapshot.age_s is None
            else f"for {duration(snapshot.age_s)}"
        )
        return f"The controller has been silent {since}. What follows is old."
    if alarms:
        titles = "; ".join(alarm_title(alarm.name, alarm.about) for alarm in alarms)
        return f"{titles}. {guide_of(alarms[0].name).action}"
    air = status.air_c
    if air is None:
        return "The air is not known at the moment."
    low, high = status.cut_out_c, status.cut_in_c
    band = f"{_shown(low, unit)} to {_shown(high, unit)}"
    if _well_or_off(status) == "well":
        return f"All is well: the air is {_shown(air, unit)}, in its band of {band}."
    side = "above" if air > high else "below"
    found = _shown(air, unit)
    return f"No alarm stands, but the air is {found}, {side} its band of {band}."


def _well_or_off(status: Status) -> str:
    air = status.air_c
    near = air is not None and status.cut_out_c - NEAR_K <= air <= status.cut_in_c + NEAR_K
    return "well" if near else "off"


def _shown(celsius: float | None, unit: str) -> str:
    return temperature(None if celsius is None else celsius * 1000, unit)


def _readings(status: Status, unit: str) -> tuple[tuple[str, str], ...]:
    rows = [
        (
            name.replace("_", " "),
            f"lost: {probe.lost}" if probe.lost else _shown(probe.reading_c, unit),
        )
        for name, probe in status.probes.fitted()
    ]
    on = {True: "on", False: "off"}
    rows += [
        ("pump and fan", f"{on[status.pump]} and {on[status.fan]}"),
        ("doing", f"{status.phase.replace('_', ' ')}: {status.reason}"),
        ("stage", status.stage),
    ]
    rows += [
        (f"{name.replace('_', ' ')} left", duration(left_s))
        for name, left_s in status.timers_left.running()
    ]
    return tuple(rows)


def _swap_words(snapshot: Snapshot, now: datetime, unit: str) -> tuple[str, str, tuple[str, ...]]:
    forecast = snapshot.forecast
    if forecast is None or not forecast.known:
        why = "" if forecast is None else f": {'; '.join(forecast.notes)}"
        return f"Nothing can be said yet{why}.", "", ()
    known = ""
    if snapshot.silent:
        known = f"As it was known at {moment(forecast.as_of, now, far=False)}: "
    notes = tuple(f"{note[0].upper()}{note[1:]}." for note in forecast.notes)
    if forecast.shortage is not None:
        notes = (shortage(forecast.shortage, now, unit), *notes)
    reserve = ""
    share = forecast.reserve_share
    if share is not None:
        reserve = f"{forecast.reserve_kj:.0f} kJ left, about {share:.0%} of this set."
    if forecast.swap_due is None:
        return (
            f"{known}not within the next 60 hours." if known else "Not within the next 60 hours.",
            reserve,
            notes,
        )
    likely = ""
    if forecast.early is not None and forecast.late is not None:
        early, late = (moment(at, now, far=False) for at in (forecast.early, forecast.late))
        likely = f", likely between {early} and {late}"
    return f"{known}{moment(forecast.swap_due, now)}{likely}.", reserve, notes


def _last_swap_words(snapshot: Snapshot, now: datetime) -> str:
    swap = snapshot.last_swap
    if swap is None:
        return "No swap was noted yet."
    return f"Last swap: {moment(swap.at, now)}, {swap.packs} packs."


def _planned(at: datetime, now: datetime) -> str:
    """Return when a planned swap is; a plan is some minutes old, and a swap of its past is now."""
    return "now" if at <= now else moment(at, now)


def _as_of(snapshot: Snapshot, now: datetime) -> str:
    if snapshot.status is None:
        return "never"
    at = moment(snapshot.status.as_of, now, far=False)
    return at if snapshot.age_s is None else f"{at}, {duration(snapshot.age_s)} ago"
