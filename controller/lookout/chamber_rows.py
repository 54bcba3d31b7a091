"""The list of chambers in words, for the page and for the command."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, tzinfo

from controller.domain.alarm_guide import alarm_title, is_note
from controller.domain.zones import local_time
from controller.lookout.chambers import ChamberSummary, in_order
from controller.lookout.next_change import how_long, what_to_do
from controller.pictures.words import temperature


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One chamber in words."""

    instance: str
    name: str
    state: str
    """``well``, ``alarm`` or ``silent``."""
    how: str
    """Why it stands where it stands."""
    air: str
    reservoir: str
    swap: str
    alarms: str
    port: int | None


def rows_of(
    chambers: Iterable[ChamberSummary], *, now: datetime, zone: tzinfo | None, unit: str
) -> list[Row]:
    """Return the chambers with the one to go to first at the front.

    Args:
        chambers: Any number.
        now: Now, aware.
        zone: The zone to show times in.
        unit: ``C`` or ``F``.
    """
    return [
        _row(chamber, why, now=local_time(now, zone), unit=unit)
        for chamber, why in in_order(chambers, now=now)
    ]


def _row(chamber: ChamberSummary, why: str, *, now: datetime, unit: str) -> Row:
    def shown(celsius: float | None) -> str:
        return "unknown" if celsius is None else temperature(celsius * 1000, unit)

    alarms = [alarm for alarm in chamber.alarms if not is_note(alarm)]
    band = ""
    if chamber.band_c is not None and chamber.air_c is not None:
        low_c, high_c = chamber.band_c
        band = f" ({shown(low_c)} to {shown(high_c)})"
    return Row(
        instance=chamber.instance,
        name=chamber.name,
        state="silent" if chamber.silent else "alarm" if alarms else "well",
        how=why,
        air=f"{shown(chamber.air_c)}{band}",
        reservoir=shown(chamber.reservoir_c),
        swap=_swap(chamber, now),
        alarms="; ".join(alarm_title(alarm.name, alarm.about) for alarm in alarms),
        port=chamber.port,
    )


def _swap(chamber: ChamberSummary, now: datetime) -> str:
    if not chamber.known:
        return "not known"
    do, early = what_to_do(chamber.plan, chamber.early, now), chamber.early
    # the most likely end stands on the chamber's own page: here a row is short
    return do if early is None or early <= now else f"{do} {how_long(early, None, now)}"
