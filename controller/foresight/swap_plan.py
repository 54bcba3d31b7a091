"""When to put how many packs in over the next two days, and what it costs where too few are ready.

The same run forward that gives the forecast, set after set: each set is changed shortly before it
is spent, before the night if it would be spent then, and later where no pack is frozen in time.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from controller.domain.daytime import within
from controller.foresight.bins import BIN_S
from controller.foresight.course import HourAt, groups_after
from controller.foresight.forecast import Forecast
from controller.foresight.forward import Ahead, Start, Surroundings, run_ahead, run_out
from controller.foresight.room_side import Room
from controller.foresight.situation import Situation
from controller.foresight.swaps import Logged, Swap
from controller.foresight.unknowns import FROZEN_MEAN
from controller.foresight.water_side import Group, Water, WaterSide
from controller.thermal.freezing import FreezerPace, FreezerQueue, frozen_queue

HORIZON_S = 48 * 3600.0
SOONER_S = 1800.0
"""A set is changed this long before it is spent: fresh packs need it to cool water and coil."""
BEFORE_BED_S = 900.0
APART_S = 3600.0
MOST_SWAPS = 30
WORTH_MORE_PACKS_K_H = 0.5
"""Degree-hours over two days that are worth the work of more swaps."""
HOTTER_K, HOTTER_WITHIN_S = 3.0, 12 * 3600.0
"""How much hotter than foreseen the days may come, and how fast; common practice, no source."""
_HOUR_S = 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Habits:
    """When somebody is awake, and what the freezer does."""

    wakes_h: float
    """Local hour."""
    sleeps_h: float
    packs: int
    """Packs in all."""
    packs_in_set: int
    freezer: FreezerPace

    def awake(self, hour: float) -> bool:
        """Return whether somebody is awake at a local hour."""
        return within(hour % 24.0, self.wakes_h, self.sleeps_h)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedSwap:
    """One swap to come."""

    at_s: float
    """Seconds since 1970, UTC."""
    packs: int
    why: str
    too_warm_k_h: float
    """Degree-hours above cut-in from the swap before to this one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SwapPlan:
    """The next two days."""

    swaps: tuple[PlannedSwap, ...]
    short: bool
    """Whether the freezer cannot keep up."""
    after_k_h: float = 0.0
    """Degree-hours above cut-in after the last swap."""

    @property
    def too_warm_k_h(self) -> float:
        """Degree-hours above cut-in over the two days."""
        return self.after_k_h + sum(swap.too_warm_k_h for swap in self.swaps)


def plan_swaps(
    forecast: Forecast, logged: Sequence[Logged], habits: Habits, *, hour_at: HourAt
) -> SwapPlan:
    """Return the plan that follows from a forecast.

    Args:
        forecast: The forecast; the first swap goes by its early bound.
        logged: Swaps so far, from which follows what is in the freezer.
        habits: The grower and the freezer.
        hour_at: Local hour at an instant.
    """
    situation = forecast.situation
    if situation is None or habits.packs_in_set < 1:
        return SwapPlan(swaps=(), short=False)
    # packs that lie frozen while the air is too warm are cold that nobody used in time: what the
    # plan loses is judged by a day that comes hotter than it looks now
    hotter = replace(situation, room=_Hotter(situation.room.wave, situation.room.off_k))
    at_worst = [
        _planned(forecast, hotter, logged, habits, hour_at, eager=eager).too_warm_k_h
        for eager in (False, True)
    ]
    eager = at_worst[0] - at_worst[1] > WORTH_MORE_PACKS_K_H
    return _planned(forecast, situation, logged, habits, hour_at, eager=eager)


class _Hotter(Room):
    """The room as it is foreseen, and warmer by `HOTTER_K` within half a day."""

    def ahead_c(self, hour: float, ahead_s: float) -> float:
        """Return the room this long from now [°C]."""
        usual_c = Room.ahead_c(self, hour, ahead_s)
        return usual_c + HOTTER_K * min(1.0, ahead_s / HOTTER_WITHIN_S)


def _planned(
    forecast: Forecast,
    situation: Situation,
    logged: Sequence[Logged],
    habits: Habits,
    hour_at: HourAt,
    *,
    eager: bool,
) -> SwapPlan:
    """Return one plan: as late as it may be, or as soon as a set is frozen."""
    freezer = _freezer(logged, habits)
    now_s, ends_s = forecast.as_of_s, forecast.as_of_s + HORIZON_S
    from_s, start, water = now_s, situation.start, _marked(situation)
    spent_s = forecast.early_s
    side = _fresh_side(situation)
    swaps: list[PlannedSwap] = []
    short = False
    while spent_s is not None and spent_s < ends_s and len(swaps) < MOST_SWAPS:
        earliest_s = from_s + APART_S if swaps else from_s
        wish_s, why = _wished(spent_s, earliest_s, habits, hour_at)
        if eager:
            frozen_s = max(earliest_s, _all_ready_s(freezer.ready_s, habits))
            wish_s, why = _sooner(wish_s, why, frozen_s, habits, hour_at)
        at_s, packs, lacking = _possible(wish_s, freezer.ready_s, habits, hour_at)
        if at_s >= ends_s or math.isinf(at_s):
            short = True
            break
        short = short or lacking != ""
        around = situation.around_later(from_s - now_s, hour=start.hour)
        arrived = _walked(start, water, side, around, at_s - from_s)
        swaps.append(
            PlannedSwap(
                at_s=at_s,
                packs=packs,
                why=f"{why}; {lacking}" if lacking else why,
                too_warm_k_h=_too_warm_k_h(arrived),
            )
        )
        freezer = freezer.without(packs).put(packs, at_s, habits.freezer)
        last = arrived[-1] if arrived else None
        before = water if last is None else last.water
        air_c = start.air_c if last is None else last.air_c
        cut_in_c, _ = situation.band.at(hour_at(at_s))
        swap = Swap(at_s=at_s, packs=packs)
        water = Water(before.water_c, groups_after(swap, before.groups, habits.packs_in_set))
        start = replace(
            start,
            hour=hour_at(at_s),
            air_c=air_c,
            slow_c=start.slow_c if last is None else last.slow_c,
            unbroken=air_c > cut_in_c,
            came_back=air_c <= cut_in_c,
            too_warm_for_s=0.0,
        )
        from_s = at_s
        end = run_out(start, water, side, situation.around_later(from_s - now_s, hour=start.hour))
        spent_s = None if end is None else from_s + end.ahead_s
    around = situation.around_later(from_s - now_s, hour=start.hour)
    rest = _walked(start, water, side, around, ends_s - from_s)
    return SwapPlan(swaps=tuple(swaps), short=short, after_k_h=_too_warm_k_h(rest))


def _too_warm_k_h(steps: Sequence[Ahead]) -> float:
    return sum(step.over_k for step in steps) * BIN_S / _HOUR_S


def _all_ready_s(ready_s: Sequence[float], habits: Habits) -> float:
    """Return when a full set is frozen [s]."""
    wanted = habits.packs_in_set
    return ready_s[wanted - 1] if len(ready_s) >= wanted else math.inf


def _sooner(
    wish_s: float, why: str, frozen_s: float, habits: Habits, hour_at: HourAt
) -> tuple[float, str]:
    """Return the swap as soon as a set is frozen and somebody awake, where that is sooner."""
    at_s = _waking(frozen_s, habits, hour_at)
    if at_s >= wish_s:
        return wish_s, why
    return at_s, "a set is frozen, and the freezer is what runs short"


def _freezer(logged: Sequence[Logged], habits: Habits) -> FreezerQueue:
    """Return when each pack outside the water is frozen."""
    freezer = frozen_queue(max(0, habits.packs - habits.packs_in_set), habits.freezer)
    for note in sorted(logged, key=lambda each: each.at_s):
        packs = min(note.packs, len(freezer.ready_s))
        freezer = freezer.without(packs).put(packs, note.at_s, habits.freezer)
    return freezer


def _wished(
    spent_s: float, earliest_s: float, habits: Habits, hour_at: HourAt
) -> tuple[float, str]:
    """Return when the set is best changed, and why."""
    wish_s = max(spent_s - SOONER_S, earliest_s)
    at = _clock(hour_at(spent_s))
    if habits.awake(hour_at(wish_s)):
        return wish_s, f"the cold may run out from {at} on"
    asleep_for_s = (hour_at(wish_s) - habits.sleeps_h) % 24.0 * _HOUR_S
    bed_s = wish_s - asleep_for_s - BEFORE_BED_S
    if bed_s >= earliest_s:
        return bed_s, f"before the night: the cold may run out from {at} on"
    return _waking(wish_s, habits, hour_at), f"on waking: the cold may run out from {at} on"


def _possible(
    wish_s: float, ready_s: Sequence[float], habits: Habits, hour_at: HourAt
) -> tuple[float, int, str]:
    """Return when how many packs can go in, and what is lacking."""
    ready = sum(at_s <= wish_s for at_s in ready_s)
    wanted = habits.packs_in_set
    if ready >= wanted:
        return wish_s, wanted, ""
    if ready:
        return wish_s, ready, f"only {ready} of {wanted} packs are frozen by then"
    if not ready_s:
        return math.inf, 0, "there are no packs in the freezer"
    at_s = _waking(ready_s[0], habits, hour_at)
    if math.isinf(at_s):
        return math.inf, 0, "the packs never freeze in this freezer"
    ready = sum(each_s <= at_s for each_s in ready_s)
    packs = min(ready, wanted)
    return at_s, packs, f"no pack is frozen before {_clock(hour_at(ready_s[0]))}"


def _waking(at_s: float, habits: Habits, hour_at: HourAt) -> float:
    """Return the first moment from an instant on when somebody is awake [s]."""
    if math.isinf(at_s):
        return at_s
    hour = hour_at(at_s)
    return at_s if habits.awake(hour) else at_s + (habits.wakes_h - hour) % 24.0 * _HOUR_S


def _walked(
    start: Start, water: Water, side: WaterSide, around: Surroundings, for_s: float
) -> list[Ahead]:
    steps = []
    for step in run_ahead(start, water, side, around):
        if step.ahead_s > for_s:
            break
        steps.append(step)
    return steps


def _marked(situation: Situation) -> Water:
    """Return the reservoir with the frozen share of its packs written beside them."""
    frozen = situation.side.frozen
    groups = tuple(
        group if group.frozen is not None else Group(group.share, group.melted, frozen)
        for group in situation.water.groups
    )
    return Water(situation.water.water_c, groups)


def _fresh_side(situation: Situation) -> WaterSide:
    """Return the reservoir's equation for sets to come, frozen as sets usually are."""
    values = situation.fitted.belief.mean._replace(frozen=math.log(FROZEN_MEAN))
    return WaterSide(values, situation.sized)


def _clock(hour: float) -> str:
    minutes = round(hour * 60.0) % 1440
    return f"{minutes // 60:02d}:{minutes % 60:02d}"
