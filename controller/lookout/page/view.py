"""What the page says, as plain text: the same words for the first answer and for live updates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Any

from controller.pictures.words import duration, moment, temperature
from controller.records.snapshot import Snapshot

NEAR_K = 0.5
"""Air this close to its band is in it: probes lag [K]."""
ALARM_WORDS = {
    "air_high": "the air is too warm",
    "air_low": "the air is too cold",
    "reservoir_warm": "the reservoir is getting warm",
    "reservoir_freezing": "the reservoir is near freezing",
    "swap_due": "packs must be changed soon",
    "probe_lost": "a probe does not answer",
    "probe_stuck": "a probe has shown the same for hours while everything else moved",
    "supply_fails": "the power fails when the pump starts: look at the supply before a reset",
    "flow_not_proved": "water does not seem to move through the coil",
    "long_run": "the pump has been running for very long",
    "frequent_starts": "the pump starts too often",
    "output_failed": "a relay does not do as told",
    "records_failing": "nothing can be recorded",
}


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
    status = snapshot.status or {}
    alarms = tuple(
        (alarm["name"], _alarm_words(alarm), bool(alarm["acknowledged"]))
        for alarm in status.get("alarms", ())
    )
    state = "silent" if snapshot.silent else "alarm" if alarms else _well_or_off(status)
    now = snapshot.taken_utc.astimezone(zone)
    swap, reserve, notes = _swap_words(snapshot, now)
    forecast = snapshot.forecast or {}
    return View(
        chamber=str(status.get("chamber", chamber)),
        state=state,
        verdict=_verdict(snapshot, alarms, unit),
        readings=_readings(status, unit),
        swap=swap,
        last_swap=_last_swap_words(snapshot, now),
        reserve=reserve,
        notes=notes,
        plan=tuple(
            (_planned(each["at"], now), str(each["packs"]), each["why"])
            for each in forecast.get("plan", ())
        ),
        alarms=alarms,
        as_of=_as_of(snapshot, now),
    )


def _verdict(snapshot: Snapshot, alarms: Sequence[tuple[str, str, bool]], unit: str) -> str:
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
        told = "; ".join(words for _, words, _ in alarms)
        return f"It needs you: {told}."
    air = status["probes"].get("air", {}).get("reading_c")
    if air is None:
        return "The air is not known at the moment."
    low, high = status["cut_out_c"], status["cut_in_c"]
    band = f"{_shown(low, unit)} to {_shown(high, unit)}"
    if _well_or_off(status) == "well":
        return f"All is well: the air is {_shown(air, unit)}, in its band of {band}."
    side = "above" if air > high else "below"
    found = _shown(air, unit)
    return f"No alarm stands, but the air is {found}, {side} its band of {band}."


def _well_or_off(status: dict[str, Any]) -> str:
    air = status["probes"].get("air", {}).get("reading_c")
    near = air is not None and (status["cut_out_c"] - NEAR_K <= air <= status["cut_in_c"] + NEAR_K)
    return "well" if near else "off"


def _shown(celsius: float | None, unit: str) -> str:
    return temperature(None if celsius is None else celsius * 1000, unit)


def _readings(status: dict[str, Any], unit: str) -> tuple[tuple[str, str], ...]:
    if not status:
        return ()
    rows = [
        (
            name.replace("_", " "),
            f"lost: {probe['lost']}" if probe["lost"] else _shown(probe["reading_c"], unit),
        )
        for name, probe in status["probes"].items()
    ]
    on = {True: "on", False: "off"}
    rows += [
        ("pump and fan", f"{on[status['pump']]} and {on[status['fan']]}"),
        ("doing", f"{status['phase'].replace('_', ' ')}: {status['reason']}"),
        ("stage", status["stage"]),
    ]
    rows += [
        (f"{name.removesuffix('_s').replace('_', ' ')} left", duration(left_s))
        for name, left_s in status["timers_left"].items()
    ]
    return tuple(rows)


def _swap_words(snapshot: Snapshot, now: datetime) -> tuple[str, str, tuple[str, ...]]:
    forecast = snapshot.forecast
    if forecast is None or forecast["basis"] == "unknown":
        why = "" if forecast is None else f": {'; '.join(forecast['notes'])}"
        return f"Nothing can be said yet{why}.", "", ()
    known = ""
    if snapshot.silent:
        known = f"As it was known at {moment(forecast['as_of'], now, far=False)}: "
    notes = tuple(f"{note[0].upper()}{note[1:]}." for note in forecast["notes"])
    if not forecast["freezer_keeps_up"]:
        cost = f"{forecast['degree_hours_above']:.1f} degree-hours"
        notes += (f"The freezer cannot keep up: over two days the air is above cut-in by {cost}.",)
    reserve = ""
    if forecast["reserve_kj"] is not None:
        total = forecast["reserve_kj"] + forecast["taken_up_kj"]
        share = forecast["reserve_kj"] / total if total else 0.0
        reserve = f"{forecast['reserve_kj']:.0f} kJ left, about {share:.0%} of this set."
    if forecast["swap_due"] is None:
        return (
            f"{known}not within the next 60 hours." if known else "Not within the next 60 hours.",
            reserve,
            notes,
        )
    likely = ""
    if forecast["early"] and forecast["late"]:
        early, late = (moment(forecast[key], now, far=False) for key in ("early", "late"))
        likely = f", likely between {early} and {late}"
    return f"{known}{moment(forecast['swap_due'], now)}{likely}.", reserve, notes


def _last_swap_words(snapshot: Snapshot, now: datetime) -> str:
    if snapshot.last_swap is None:
        return "No swap was noted yet."
    at, packs = snapshot.last_swap
    return f"Last swap: {moment(at.astimezone(now.tzinfo).isoformat(), now)}, {packs} packs."


def _planned(at: str, now: datetime) -> str:
    """Return when a planned swap is; a plan is some minutes old, and a swap of its past is now."""
    return "now" if datetime.fromisoformat(at) <= now else moment(at, now)


def _alarm_words(alarm: dict[str, Any]) -> str:
    words = ALARM_WORDS.get(alarm["name"], alarm["name"].replace("_", " "))
    return f"{words} ({alarm['about'].replace('_', ' ')})" if alarm["about"] else words


def _as_of(snapshot: Snapshot, now: datetime) -> str:
    if snapshot.status is None:
        return "never"
    at = moment(snapshot.status["as_of"], now, far=False)
    return at if snapshot.age_s is None else f"{at}, {duration(snapshot.age_s)} ago"
