"""Readings and the last pack change in words: the same on the page and in the terminal."""

from __future__ import annotations

from datetime import datetime

from controller.domain.alarm_guide import PLACES
from controller.domain.requests import LoggedSwap
from controller.domain.status import Status
from controller.pictures.words import duration, moment, pack_count, temperature

PHASES = {
    "rest": "Resting",
    "held": "Waiting",
    "prime": "Filling the coil: pump first, then fan",
    "cool": "Cooling",
    "run_on": "Fan runs on after the pump",
    "fallback": "Air probe not answering",
    "lockout": "Locked out",
}
"""Phases of the control law in words for people."""


def last_change_words(swap: LoggedSwap | None, now: datetime) -> str:
    """Return the last pack change in a sentence.

    Args:
        swap: The last one that was logged; None: there is none.
        now: Now, in the zone to speak in.
    """
    if swap is None:
        return "No pack change is logged yet."
    return f"Last pack change: {change_words(swap, now)}."


def change_words(swap: LoggedSwap, now: datetime) -> str:
    """Return a pack change in a few words, without a full stop.

    Args:
        swap: As it was logged.
        now: Now, in the zone to speak in.
    """
    by = f", logged by {swap.who}" if swap.who else ""
    return f"{pack_count(swap.packs)}, {moment(swap.at, now)}{by}"


def readings_of(status: Status, unit: str) -> list[tuple[str, str]]:
    """Return names and values of what the chamber shows now, the air first.

    Args:
        status: How it is.
        unit: ``C`` or ``F``.
    """
    rows: list[tuple[str, str]] = []
    for name, probe in status.probes.fitted():
        place = PLACES.get(name, name).removesuffix(" probe")
        words = (
            f"not answering: {probe.lost}"
            if probe.reading_c is None
            else temperature(1000 * probe.reading_c, unit)
        )
        if probe.id is not None:
            words += f" ({probe.id})"
        rows.append((place[:1].upper() + place[1:], words))
        if name == "air":
            rows.append(("Air, band", _band(status, unit)))
    on = {True: "on", False: "off"}
    rows += [
        ("Pump, fan", f"pump {on[status.pump]}, fan {on[status.fan]}"),
        ("Now", PHASES.get(status.phase, status.phase.replace("_", " "))),
        ("Stage", status.stage),
    ]
    left = status.timers_left
    if left.anti_short_cycle_s is not None:
        rows.append(("Pump may start in", duration(left.anti_short_cycle_s)))
    if left.minimum_run_s is not None:
        rows.append(("Pump runs at least", duration(left.minimum_run_s)))
    return rows


def _band(status: Status, unit: str) -> str:
    low, high = (temperature(1000 * each, unit) for each in (status.cut_out_c, status.cut_in_c))
    return f"{low} to {high}"
