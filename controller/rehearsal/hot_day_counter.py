"""Follows a rehearsal of hot days and counts what they come to.

Days that repeat each other to the end need not be rehearsed: once a day, or two days together,
bring the same pack changes and the same air as those before, and leave as many frozen packs in the
freezer, the days that are left are taken to repeat them. Near a border that decides between two
verdicts, more are rehearsed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

from controller.rehearsal.grower import FROZEN_THROUGH
from controller.rehearsal.hot_day_figures import HotDays, HourCycle, PackSet
from controller.rehearsal.plants import Account
from controller.rehearsal.tally import HOUR_S, Spread, TalliedAlarm, TrueCourses

HOURS = 24
DAY_S = 86_400.0
PERIODS = (1, 2)
"""Days together that may repeat."""
SAME_TIME_S = 2400.0
SAME_SHARE = 0.004
SAME_PACKS = 0.1
"""Two days are the same when packs were changed within forty minutes of the same time of day, all
of them frozen through, the air was as long in band within six minutes, and the freezer holds as
many frozen packs within a tenth of one. Own choice, finer than what is read off such days. Days on
which packs go in half frozen drift for long, and are rehearsed to the end."""
LOST_SHARE = 0.9
"""A day out of band for this share of it is lost; after two of them the others are taken to be like
the last. Own choice: whatever holds is in band for 96 %."""

STEADY_DAYS = 3
STEADY_SHARE = 0.97
"""So many days in band for this share of each, alike within `SAME_SHARE`, after which the freezer
holds as many frozen packs as before them, go on like this: enough for who asks for the time in band
alone, and not at which hour packs are changed."""
ALL_LOST = 0.995
"""A first day out of band for this share of it is lost, and the others like it, where the day
before it was too, or where it leaves no more frozen packs than it began with, within one: nothing
is colder when they begin."""

_NOTHING_YET = Account(ice_melted_kg=0.0, heat_removed_kj=0.0, energy_balance_error=None)


class Border(NamedTuple):
    """A share of time in band that decides something."""

    share: float
    margin: float
    """So near to it days are not taken to repeat others, if all of them are left; half as near if
    half of them are. Each may differ by `SAME_SHARE` from the day that it is taken to repeat."""


class GivenUpError(Exception):
    """Days were ended early, as they are out of band for longer than is wanted."""


@dataclass(slots=True)
class _Hour:
    """One hour of the day over all rehearsed days."""

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
    has_cooled: bool = False
    warm_s: float | None = None

    @property
    def useful_s(self) -> float | None:
        """How long it kept the water cold; None: to the end."""
        return None if self.warm_s is None else self.warm_s - self.put_in_s


@dataclass(slots=True)
class _Totals:
    """Sums since the counted days began."""

    lasted_s: float = 0.0
    out_s: float = 0.0
    over_1k_s: float = 0.0
    above_ks: float = 0.0
    below_ks: float = 0.0
    air_ks: float = 0.0
    reservoir_ks: float = 0.0
    pump_s: float = 0.0
    starts: float = 0.0
    ice_kg: float = 0.0
    heat_kj: float = 0.0
    frozen_packs: float = 0.0
    """In the freezer by then; no sum."""

    def plus(self, day: _Totals, before: _Totals, times: float) -> _Totals:
        """Return these with the day between two others added so many times."""

        def of(name: str) -> float:
            more: float = getattr(day, name) - getattr(before, name)
            value: float = getattr(self, name)
            return value + times * more

        return _Totals(*(of(name) for name in self.__dataclass_fields__))

    @property
    def in_band_share(self) -> float:
        """Share of time in band."""
        return 1.0 - self.out_s / self.lasted_s


class HotDayCounter:
    """Counts what `HotDays` reports."""

    def __init__(
        self,
        *,
        from_s: float,
        days: float,
        until_repeated: bool,
        until_steady: bool,
        border: Border | None,
        margin_k: float,
        most_out_s: float,
        most_above_ks: float,
    ) -> None:
        """Begin.

        Args:
            from_s: When the counted days begin, a midnight [s since the start].
            days: Counted days.
            until_repeated: Whether a day that repeats the one before it ends the rehearsal.
            until_steady: Whether days in band that go on like this end it too.
            border: Near this none of the two ends it; None: nothing hangs on the share.
            margin_k: The reservoir is useful while it is colder than cut-in by this [K].
            most_out_s: Days that are out of band for longer are given up [s].
            most_above_ks: As are those with more degree-seconds above cut-in [K·s].
        """
        self._from_s = from_s
        self._days = days
        self._until_repeated = until_repeated
        self._until_steady = until_steady
        self._border = border
        self._margin_k = margin_k
        self._most_out_s = most_out_s
        self._most_above_ks = most_above_ks
        self._hours = [_Hour() for _ in range(HOURS)]
        self._sets: list[_Set] = []
        self._at_s = 0.0
        self._out_before_s = self._cooling_down_s = 0.0
        """Out of band on the day before the counted ones, and of it in its first hour, in which a
        chamber that begins warm is cooled down."""
        self._sums = _Totals()
        self._midnights: list[_Totals] = []
        self._air_c, self._reservoir_c = Spread(), Spread()
        self._pump = False
        self._pump_since_s: float | None = None
        self._before: Account | None = None
        if from_s == 0.0:
            self._before, self._midnights = _NOTHING_YET, [_Totals()]
        self._period = 0
        """Days that repeat those before them; 0: none so far."""

    @property
    def first_s(self) -> float:
        """When this first asks for the account of the plant [s since the start]."""
        return self._from_s or DAY_S

    def reached(self, account: Account, frozen_packs: float) -> float | None:
        """Take what the plant has done by a midnight; return the next one, None at the end.

        Args:
            account: Of the plant so far.
            frozen_packs: Packs in the freezer, each by its frozen share.
        """
        if self._before is None:
            self._before = account
        self._midnights.append(self._totals(account, frozen_packs))
        if self._until_repeated:
            self._period = next((days for days in PERIODS if self._same_again(days)), 0)
            if self._is_lost() or (self._until_steady and self._is_steady()):
                self._period = self._period or 1
            if self._period and self._is_near_border():
                self._period = 0
        if self._period:
            return None
        return self._from_s + len(self._midnights) * DAY_S

    def passed(self, step: TrueCourses) -> None:
        """Count a step of the plant."""
        air, reservoir, air_c, reservoir_c, excess, pump, band = step
        dt_s = air.dt_s
        begins_s = self._at_s
        self._at_s += dt_s
        if self._sets:
            useful_c = band.cut_in_mc / 1000 - self._margin_k
            self._follow(self._sets[-1], reservoir.after_c, useful_c)
        if begins_s < self._from_s:
            if begins_s >= self._from_s - DAY_S:
                self._out_before_s += excess.warm_s + excess.cold_s
                if begins_s < HOUR_S:
                    self._cooling_down_s += excess.warm_s + excess.cold_s
            return
        sums = self._sums
        sums.lasted_s += dt_s
        self._reservoir_c.take(reservoir, reservoir_c)
        self._air_c.take(air, air_c)
        sums.above_ks += excess.above_ks
        sums.below_ks += excess.below_ks
        sums.out_s += excess.warm_s + excess.cold_s
        sums.over_1k_s += excess.over_1k_s
        if sums.out_s > self._most_out_s or sums.above_ks > self._most_above_ks:
            raise GivenUpError
        hour = self._hours[int(begins_s % DAY_S // HOUR_S)]
        hour.lasted_s += dt_s
        hour.pump_s += dt_s if pump else 0.0
        hour.least_c = min(hour.least_c, air_c[0])
        hour.greatest_c = max(hour.greatest_c, air_c[1])

    def _follow(self, one: _Set, reservoir_c: float, useful_c: float) -> None:
        if reservoir_c < useful_c:
            one.has_cooled, one.warm_s = True, None
        elif one.has_cooled and one.warm_s is None:
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
        self._sets.append(_Set(at_s, packs, frozen_share))

    def _totals(self, account: Account, frozen_packs: float) -> _Totals:
        before = self._before or _NOTHING_YET
        sums = self._sums
        return _Totals(
            sums.lasted_s,
            sums.out_s,
            sums.over_1k_s,
            sums.above_ks,
            sums.below_ks,
            self._air_c.total,
            self._reservoir_c.total,
            sum(hour.pump_s for hour in self._hours),
            sum(hour.starts for hour in self._hours),
            _less(account.ice_melted_kg, before.ice_melted_kg) or 0.0,
            _less(account.heat_removed_kj, before.heat_removed_kj) or 0.0,
            frozen_packs,
        )

    def _sets_between(self, first: int, after: int) -> list[_Set]:
        """Return the sets of the counted days from *first*, counted from 0, to before *after*.

        Day -1 is the one before them.
        """
        return [
            each
            for each in self._sets
            if first <= math.floor((each.put_in_s - self._from_s) / DAY_S) < after
        ]

    def _same_again(self, period: int) -> bool:
        """Return whether the days that end now repeat as many before them.

        The first of those may be the day before the counted ones, its first hour aside.
        """
        last = len(self._midnights) - 1
        first = last - 2 * period
        if first < (-1 if self._from_s >= DAY_S else 0):
            return False
        middle, end = self._midnights[last - period], self._midnights[last]
        if abs(end.frozen_packs - middle.frozen_packs) > SAME_PACKS:
            return False
        out_before_s = self._cooling_down_s - self._out_before_s
        first_out_s = out_before_s if first < 0 else self._midnights[first].out_s
        out_s = (end.out_s - middle.out_s) - (middle.out_s - first_out_s)
        if abs(out_s) > SAME_SHARE * DAY_S * period:
            return False
        now = self._sets_between(last - period, last)
        before = self._sets_between(first, last - period)
        return len(now) == len(before) and all(
            abs(one.put_in_s - period * DAY_S - other.put_in_s) <= SAME_TIME_S
            and one.packs == other.packs
            and min(one.frozen_share, other.frozen_share) >= FROZEN_THROUGH
            for one, other in zip(now, before, strict=True)
        )

    def _is_steady(self) -> bool:
        """Return whether the last days were in band alike and took nothing from the stock."""
        marks = self._midnights[-STEADY_DAYS - 1 :]
        if len(marks) <= STEADY_DAYS:
            return False
        out_s = [after.out_s - before.out_s for before, after in pairwise(marks)]
        return (
            max(out_s) <= (1.0 - STEADY_SHARE) * DAY_S
            and max(out_s) - min(out_s) <= SAME_SHARE * DAY_S
            and marks[-1].frozen_packs >= marks[0].frozen_packs - SAME_PACKS
        )

    def _is_lost(self) -> bool:
        """Return whether the last two days, or all of the first, were out of band.

        Such days bring no other verdict by being rehearsed to the end.
        """
        if len(self._midnights) == 2 and self._from_s >= DAY_S:
            begins, ends = self._midnights
            no_colder = (
                self._out_before_s > ALL_LOST * DAY_S
                or ends.frozen_packs <= begins.frozen_packs + 1.0
            )
            return no_colder and ends.out_s > ALL_LOST * DAY_S
        marks = self._midnights[-3:]
        return len(marks) == 3 and all(
            after.out_s - before.out_s > LOST_SHARE * DAY_S for before, after in pairwise(marks)
        )

    def _is_near_border(self) -> bool:
        """Return whether the days that are left could bring the whole to the other side."""
        if self._border is None:
            return False
        left_share = 1.0 - (len(self._midnights) - 1) / self._days
        whole = self._with_repeated(self._midnights[-1])
        distance = abs(whole.in_band_share - self._border.share)
        return distance < self._border.margin * left_share

    def _with_repeated(self, sums: _Totals) -> _Totals:
        """Return the sums of the days so far with those that are left, which repeat the last."""
        times = (self._days - sums.lasted_s / DAY_S) / self._period
        return sums.plus(self._midnights[-1], self._midnights[-1 - self._period], times)

    def _repeat_sets(self, rehearsed: int, period: int) -> None:
        """Put in the sets of the last days again, on the days that are left."""
        last = self._sets_between(rehearsed - period, rehearsed)
        before = self._sets_between(rehearsed - 2 * period, rehearsed - period)
        for one, other in zip(reversed(last), reversed(before), strict=False):
            if one.warm_s is None and one is self._sets[-1] and other.useful_s is not None:
                one.warm_s = one.put_in_s + other.useful_s  # it is still in the water
        for day in range(period, math.ceil(self._days) - rehearsed + period, period):
            for one in last:
                shift_s = day * DAY_S
                self._sets.append(
                    _Set(
                        one.put_in_s + shift_s,
                        one.packs,
                        one.frozen_share,
                        one.has_cooled,
                        None if one.warm_s is None else one.warm_s + shift_s,
                    )
                )

    def result(self, *, account: Account, alarms: Sequence[TalliedAlarm]) -> HotDays:
        """Return what was counted.

        Args:
            account: What the plant did over the whole run.
            alarms: Alarms of the whole run.
        """
        sums, hours = self._totals(account, 0.0), self._hours
        rehearsed = sums.lasted_s / DAY_S
        by_day = self._by_day(sums)
        if self._period:
            left, period = self._days - rehearsed, self._period
            sums = self._with_repeated(sums)
            by_day += (by_day[-period:] * math.ceil(left / period))[: math.ceil(left)]
            self._repeat_sets(len(self._midnights) - 1, period)
        lasted_s = sums.lasted_s
        counted = self._pack_sets(ends_s=self._from_s + lasted_s)
        known = account.ice_melted_kg is not None
        return HotDays(
            days=lasted_s / DAY_S,
            rehearsed_days=rehearsed,
            in_band_share=sums.in_band_share,
            in_band_by_day=by_day,
            degree_hours_above=sums.above_ks / HOUR_S,
            degree_hours_below=sums.below_ks / HOUR_S,
            hours_over_1k=sums.over_1k_s / HOUR_S,
            air_min_c=self._air_c.least,
            air_mean_c=sums.air_ks / lasted_s,
            air_max_c=self._air_c.greatest,
            reservoir_min_c=self._reservoir_c.least,
            reservoir_mean_c=sums.reservoir_ks / lasted_s,
            reservoir_max_c=self._reservoir_c.greatest,
            packs_used=sum(each.packs for each in counted),
            sets=counted,
            ice_melted_kg=sums.ice_kg if known else None,
            heat_removed_kj=sums.heat_kj if known else None,
            duty=sums.pump_s / lasted_s,
            starts=round(sums.starts),
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

    def _by_day(self, end: _Totals) -> tuple[float, ...]:
        shares, before = [], _Totals()
        for mark in [*self._midnights[1:], end]:
            lasted_s = mark.lasted_s - before.lasted_s
            if lasted_s > 60.0:
                shares.append(1.0 - (mark.out_s - before.out_s) / lasted_s)
            before = mark
        return tuple(shares)

    def _pack_sets(self, *, ends_s: float) -> tuple[PackSet, ...]:
        inside = [each for each in self._sets if each.put_in_s < ends_s]
        follows: list[_Set | None] = [*inside[1:], None]
        return tuple(
            PackSet(
                put_in_h=(one.put_in_s - self._from_s) / HOUR_S,
                packs=one.packs,
                frozen_share=one.frozen_share,
                lasted_h=None if after is None else (after.put_in_s - one.put_in_s) / HOUR_S,
                useful_h=None if one.useful_s is None else one.useful_s / HOUR_S,
            )
            for one, after in zip(inside, follows, strict=False)  # none goes in, none follows
            if one.put_in_s >= self._from_s
        )


def _less(whole: float | None, before: float | None) -> float | None:
    return None if whole is None else whole - (before or 0.0)


def _mean(values: Sequence[float]) -> float | None:
    return sum(values) / len(values) if values else None
