"""Temperatures, durations and moments as people read them, on every screen and page alike."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from controller.domain.published_forecast import PackShortage


SAME_WEEK = timedelta(days=6)
"""Within this of now a weekday names one day alone."""


def temperature(value_mc: float | None, unit: str = "C") -> str:
    """Return a temperature in the unit that people chose, with one decimal."""
    if value_mc is None:
        return "–"
    return f"{degrees(value_mc / 1000, unit):.1f} °{unit}"


def degrees(celsius: float, unit: str) -> float:
    """Return a temperature [°C] in a unit, ``C`` or ``F``."""
    return celsius * 1.8 + 32.0 if unit == "F" else celsius


def difference(value_k: float, unit: str = "C") -> str:
    """Return a temperature difference in the unit that people chose, with one decimal."""
    return f"{value_k * 1.8:.1f} °F" if unit == "F" else f"{value_k:.1f} °C"


def offset(value_k: float, unit: str = "C") -> str:
    """Return a probe's offset in the unit that people chose, to the hundredth as it is set."""
    return f"{value_k * 1.8:+.2f} °F" if unit == "F" else f"{value_k:+.2f} °C"


def shortage(short: PackShortage, now: datetime, unit: str = "C") -> str:
    """Return what people must know and do where packs are short.

    Args:
        short: What is lacking.
        now: Now, in the zone to speak in.
        unit: The unit that people chose.
    """
    warm = (
        f"expect up to {difference(short.peak_k, unit)} too warm from "
        f"{moment(short.warm_from, now, far=False)}"
    )
    if short.packs is None:
        return f"Far too few packs: {warm}. Find a cooler place, or frozen packs from elsewhere."
    packs = pack_count(short.packs)
    do = (
        f"Freeze {short.packs} more now."
        if short.freeze_now
        else f"What goes into the freezer now comes too late: get {packs} frozen elsewhere."
    )
    return f"Short by {packs}: {warm}. {do}"


def pack_count(count: int) -> str:
    """Return a number of packs with its noun."""
    return counted(count, "pack")


def counted(count: float, noun: str) -> str:
    """Return a number with its noun, in the plural where it is not one.

    Args:
        count: The number.
        noun: In the singular, such as "start"; its plural must end with s.
    """
    return f"{count:.12g} {noun}" if count == 1 else f"{count:.12g} {noun}s"


def moment(at: datetime, now: datetime, *, far: bool = True) -> str:
    """Return an instant as people say it: today's hour, or weekday and hour, and how far it is.

    Where the weekday could be of another week, the date stands in its place.

    Args:
        at: The instant, aware.
        now: Now, in the zone to speak in.
        far: Whether to say how far it is.
    """
    at = at.astimezone(now.tzinfo)
    if at.date() == now.date():
        text = f"{at:%H:%M}"
    elif abs(at.date() - now.date()) <= SAME_WEEK:
        text = weekday_and_hour(at)
    else:
        text = dated(at)
    if not far:
        return text
    # two times in one zone would differ by what the clock shows, also over a change of that clock
    away_s = 60.0 * round((at.astimezone(UTC) - now).total_seconds() / 60.0)
    if away_s == 0:
        return f"{text} (now)"
    away = f"in {duration(away_s)}" if away_s > 0 else f"{duration(-away_s)} ago"
    return f"{text} ({away})"


def weekday_and_hour(at: datetime) -> str:
    """Return an instant of a few days that are shown together, such as simulated ones.

    Args:
        at: The instant, in the zone to speak in.
    """
    return f"{at:%a %H:%M}"


def dated(at: datetime) -> str:
    """Return an instant that stands by itself, such as one of a record, to the minute.

    Args:
        at: The instant, in the zone to speak in.
    """
    return f"{at:%Y-%m-%d %H:%M}"


def duration(seconds: float | None) -> str:
    """Return a duration in the two largest units that matter."""
    if seconds is None:
        return "–"
    whole = round(seconds)
    if whole < 120:
        return f"{whole} s"
    minutes, rest_s = divmod(whole, 60)
    if minutes < 120:
        return f"{minutes} min {rest_s} s" if rest_s else f"{minutes} min"
    hours, rest_min = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {rest_min} min" if rest_min else f"{hours} h"
    days, rest_h = divmod(hours, 24)
    return f"{days} d {rest_h} h" if rest_h else f"{days} d"
