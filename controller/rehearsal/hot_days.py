"""Hot days rehearsed for one build of the equipment: what planning reads its figures off.

No file is read or written and nothing is printed, so that a build can be changed and tried again
many times in one command.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import time

from controller.core.law import Band, Law
from controller.errors import ScenarioError
from controller.rehearsal.plants import Account
from controller.rehearsal.rehearse import Rehearsal, TraceRow
from controller.rehearsal.room_file import RoomSeries
from controller.rehearsal.tally import HOUR_S, Excess, Spread, TalliedAlarm
from controller.settings.law_of import BandSchedule
from controller.settings.load import Settings
from controller.settings.scenario_file import GrowerScript, ScenarioFile
from controller.thermal.probe import Course
from controller.thermal.specs import PlantSpec

HOURS = 24
TRACE_EVERY_S = 300.0
DAY_S = 86_400.0
ALWAYS_THERE = GrowerScript(wakes=time(0), sleeps=time(0))
"""Awake day and night, with no habit: changes packs when the water is spent."""


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
    """What pump and air did in one hour of the day, over all counted days."""

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
    """By hour of the day, only hours that were counted."""
    alarms: tuple[str, ...]
    """Names of the alarms raised within the counted days, each once, sorted."""


class GivenUpError(Exception):
    """Days were ended early, as they are out of band for longer than is wanted."""


def hot_days(
    settings: Settings,
    *,
    plant: PlantSpec | None = None,
    schedule: BandSchedule | None = None,
    law: Law | None = None,
    days: float = 3.0,
    settling_days: float = 1.0,
    grower: GrowerScript = ALWAYS_THERE,
    swap_at_c: float | None = None,
    warmer_by_k: float = 0.0,
    room: RoomSeries | None = None,
    seed: int | None = None,
    trace: Callable[[TraceRow], None] | None = None,
    most_out_h: float = math.inf,
    most_above_k_h: float = math.inf,
) -> HotDays:
    """Rehearse days of one build and return what they came to.

    The days run on the service's own loop, as in ``coldpin rehearse``; the room is the plant's hot
    day (``[plant.room]``) each day, unless *room* gives another course.

    Args:
        settings: Everything that the other arguments do not replace.
        plant: Equipment to try; None: that of the settings.
        schedule: Switching points by the hour; None: those of the settings' stage.
        law: Timers and limits; None: those of the settings.
        days: Counted days [d], above 0.
        settling_days: Days before these, not counted [d]; 0 or more.
        grower: When a person is there and changes packs.
        swap_at_c: Reservoir at or above which this person, when awake, also changes packs [°C],
            by the true temperature; None: only by habit and alarms.
        warmer_by_k: Added to the room [K].
        room: Course of the room; None: the plant's.
        seed: Seed of noise and person; None: that of the settings.
        trace: Is given a row every five minutes, the days before the counted ones included; the
            days come out the same without it.
        most_out_h: Days that are out of band for longer are not wanted, and end there [h].
        most_above_k_h: As are those with more degree-hours above cut-in [K·h].

    Raises:
        GivenUpError: The days are not wanted.
        ScenarioError: The days or the plant cannot be used.
    """
    if not (days > 0 and settling_days >= 0):
        raise ScenarioError(
            f"hot days: found {days:g} d after {settling_days:g} d to settle, allowed: above 0 d"
            " after 0 d or more"
        )
    scenario = ScenarioFile.model_validate(
        {
            "about": "hot days",
            "days": days + settling_days,
            "starts": time(0),
            "room": {"warmer_by": (f"{warmer_by_k} K",) if warmer_by_k else ()},
            "grower": grower,
        }
    )
    rehearsal = Rehearsal(
        settings,
        scenario,
        seed=seed,
        room=room,
        plant=plant,
        schedule=schedule,
        law=law,
        swap_at_c=swap_at_c,
        trace=trace,
        trace_every_s=TRACE_EVERY_S,
    )
    counter = _Counter(
        from_s=settling_days * DAY_S,
        margin_k=rehearsal.law.limits.reservoir_margin_mk / 1000,
        most_out_s=most_out_h * HOUR_S,
        most_above_ks=most_above_k_h * HOUR_S,
    )
    rehearsal.observe(counter, from_s=settling_days * DAY_S)
    rehearsal.run()
    return counter.result(account=rehearsal.chamber.account(), alarms=rehearsal.tally.alarms)


@dataclass(slots=True)
class _Hour:
    """One hour of the day over all counted days."""

    lasted_s: float = 0.0
    pump_s: float = 0.0
    runs_s: list[float] = field(default_factory=list)
    rests_s: list[float] = field(default_factory=list)
    starts: int = 0
    least_c: float = float("inf")
    greatest_c: float = float("-inf")


@dataclass(slots=True)
class _Set:
    put_in_s: float
    packs: int
    frozen_share: float
    out_s: float | None = None
    was_cold: bool = False
    warm_s: float | None = None


class _Counter:
    """Follows a rehearsal and counts what `HotDays` reports; counts from midnight on."""

    def __init__(
        self, *, from_s: float, margin_k: float, most_out_s: float, most_above_ks: float
    ) -> None:
        self._from_s = from_s
        self._margin_k = margin_k
        self._most_out_s = most_out_s
        self._most_above_ks = most_above_ks
        self._hours = [_Hour() for _ in range(HOURS)]
        self._sets: list[_Set] = []
        self._at_s = 0.0
        self._lasted_s = self._out_s = self._over_s = 0.0
        self._above_ks = self._below_ks = 0.0
        self._day_ends_s = from_s + DAY_S
        self._out_by_day: list[tuple[float, float]] = []  # lasted and out of band until midnight
        self._air_c, self._reservoir_c = Spread(), Spread()
        self._pump = False
        self._pump_since_s: float | None = None
        self._before: Account | None = None

    def begins(self, account: Account) -> None:
        """Take what the plant had done when the counted days began."""
        self._before = account

    def passed(
        self, air: Course, reservoir: Course, excess: Excess, *, pump: bool, band: Band
    ) -> None:
        """Count a step of the plant."""
        dt_s = air.dt_s
        begins_s = self._at_s
        self._at_s += dt_s
        if self._sets:
            useful_c = band.cut_in_mc / 1000 - self._margin_k
            self._follow(self._sets[-1], reservoir.after_c, useful_c)
        if begins_s < self._from_s:
            return
        if begins_s >= self._day_ends_s:
            self._out_by_day.append((self._lasted_s, self._out_s))
            self._day_ends_s += DAY_S
        self._lasted_s += dt_s
        self._reservoir_c.take(reservoir)
        least_c, greatest_c = self._air_c.take(air)
        self._above_ks += excess.above_ks
        self._below_ks += excess.below_ks
        self._out_s += excess.warm_s + excess.cold_s
        self._over_s += excess.over_1k_s
        if self._out_s > self._most_out_s or self._above_ks > self._most_above_ks:
            raise GivenUpError
        hour = self._hours[int(begins_s % DAY_S // HOUR_S)]
        hour.lasted_s += dt_s
        hour.pump_s += dt_s if pump else 0.0
        hour.least_c = min(hour.least_c, least_c)
        hour.greatest_c = max(hour.greatest_c, greatest_c)

    def _follow(self, one: _Set, reservoir_c: float, useful_c: float) -> None:
        if reservoir_c < useful_c:
            one.was_cold, one.warm_s = True, None
        elif one.was_cold and one.warm_s is None:
            one.warm_s = self._at_s

    def switched(self, at_s: float, *, pump: bool) -> None:
        """Take note that the pump starts or stops."""
        if at_s > self._from_s:
            hour = self._hours[int(at_s % DAY_S // HOUR_S)]
            hour.starts += pump
            if self._pump_since_s is not None:
                (hour.runs_s if self._pump else hour.rests_s).append(at_s - self._pump_since_s)
        self._pump, self._pump_since_s = pump, at_s

    def swapped(self, at_s: float, *, packs: int, frozen_share: float) -> None:
        """Take note of packs that went in."""
        if self._sets:
            self._sets[-1].out_s = at_s
        self._sets.append(_Set(at_s, packs, frozen_share))

    def result(self, *, account: Account, alarms: Sequence[TalliedAlarm]) -> HotDays:
        """Return what was counted.

        Args:
            account: What the plant did over the whole run.
            alarms: Alarms of the whole run.
        """
        lasted_s, hours = self._lasted_s, self._hours
        counted = [each for each in self._sets if each.put_in_s >= self._from_s]
        before = self._before or Account(
            ice_melted_kg=0.0, heat_removed_kj=0.0, energy_balance_error=None
        )
        return HotDays(
            days=lasted_s / DAY_S,
            in_band_share=1.0 - self._out_s / lasted_s,
            in_band_by_day=self._by_day(),
            degree_hours_above=self._above_ks / HOUR_S,
            degree_hours_below=self._below_ks / HOUR_S,
            hours_over_1k=self._over_s / HOUR_S,
            air_min_c=self._air_c.least,
            air_mean_c=self._air_c.total / lasted_s,
            air_max_c=self._air_c.greatest,
            reservoir_min_c=self._reservoir_c.least,
            reservoir_mean_c=self._reservoir_c.total / lasted_s,
            reservoir_max_c=self._reservoir_c.greatest,
            packs_used=sum(each.packs for each in counted),
            sets=tuple(map(self._pack_set, counted)),
            ice_melted_kg=_less(account.ice_melted_kg, before.ice_melted_kg),
            heat_removed_kj=_less(account.heat_removed_kj, before.heat_removed_kj),
            duty=sum(hour.pump_s for hour in hours) / lasted_s,
            starts=sum(hour.starts for hour in hours),
            cycles=tuple(
                HourCycle(
                    hour=number,
                    starts_per_h=hour.starts * HOUR_S / hour.lasted_s,
                    on_s=_mean(hour.runs_s),
                    off_s=_mean(hour.rests_s),
                    duty=hour.pump_s / hour.lasted_s,
                    air_min_c=hour.least_c,
                    air_max_c=hour.greatest_c,
                )
                for number, hour in enumerate(hours)
                if hour.lasted_s
            ),
            alarms=tuple(
                sorted({alarm.name for alarm in alarms if alarm.raised_t_s >= self._from_s})
            ),
        )

    def _by_day(self) -> tuple[float, ...]:
        ends = [*self._out_by_day, (self._lasted_s, self._out_s)]
        shares, before = [], (0.0, 0.0)
        for lasted_s, out_s in ends:
            if lasted_s > before[0]:
                shares.append(1.0 - (out_s - before[1]) / (lasted_s - before[0]))
            before = lasted_s, out_s
        return tuple(shares)

    def _pack_set(self, one: _Set) -> PackSet:
        return PackSet(
            put_in_h=(one.put_in_s - self._from_s) / HOUR_S,
            packs=one.packs,
            frozen_share=one.frozen_share,
            lasted_h=None if one.out_s is None else (one.out_s - one.put_in_s) / HOUR_S,
            useful_h=None if one.warm_s is None else (one.warm_s - one.put_in_s) / HOUR_S,
        )


def _less(whole: float | None, before: float | None) -> float | None:
    return None if whole is None else whole - (before or 0.0)


def _mean(values: Sequence[float]) -> float | None:
    return sum(values) / len(values) if values else None
