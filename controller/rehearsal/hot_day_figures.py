"""What rehearsed hot days come to: the figures that planning reads."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class PackSet:
    """Packs that went into the reservoir together."""

    put_in_h: float
    """Hours since the counted days began."""
    packs: int
    frozen_share: float
    lasted_h: float | None
    """Until the next set went in [h]; None: still in at the end."""
    useful_h: float | None
    """Until the water, once cold, was no longer colder than cut-in by the reservoir margin [h];
    None: it was cold enough until the set came out or the days ended."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HourCycle:
    """What pump and air did in one hour of the day, over all rehearsed days."""

    hour: int
    """Local hour, 0 to 23."""
    starts_per_h: float
    on_s: float | None
    """Mean length of the runs that ended in this hour [s]; None without one."""
    off_s: float | None
    """Mean length of the rests that ended in this hour [s]; None without one."""
    duty: float
    """Share of the hour in which the pump ran."""
    air_min_c: float
    air_max_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HotDays:
    """What the counted days came to; temperatures are the true ones, not a probe's."""

    days: float
    """Counted days."""
    rehearsed_days: float
    """Of these, days that were rehearsed; the others repeat the last of them."""
    in_band_share: float
    """Share of time with cut-out - 0.5 K <= air <= cut-in + 0.5 K."""
    in_band_by_day: tuple[float, ...]
    """The same for each counted day; the last one may be a part of a day."""
    degree_hours_above: float
    """Above cut-in [K·h]."""
    degree_hours_below: float
    """Below cut-out [K·h]."""
    hours_over_1k: float
    """Time with the air more than 1 K above cut-in [h]."""
    air_min_c: float
    air_mean_c: float
    air_max_c: float
    reservoir_min_c: float
    reservoir_mean_c: float
    reservoir_max_c: float
    """Extremes are those of the days that were rehearsed."""
    packs_used: int
    sets: tuple[PackSet, ...]
    """Sets that went in within the counted days, oldest first."""
    ice_melted_kg: float | None
    """Over the counted days; None where the plant knows no packs."""
    heat_removed_kj: float | None
    """Taken from the air by the coil over the counted days, condensation included."""
    duty: float
    starts: int
    cycles: tuple[HourCycle, ...]
    """By hour of the day, over the days that were rehearsed; only hours that were counted."""
    alarms: tuple[str, ...]
    """Names of the alarms raised within the counted days, each once, sorted."""
