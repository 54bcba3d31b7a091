"""When to put how many packs in over the next two days, and what is lacking where too few are.

The same run forward that gives the forecast, set after set. Where packs suffice, each set is
changed shortly before it is spent, before the night if it would be spent then. Where they do not,
ways of using them are compared by the degree-hours above cut-in that they leave: full sets as soon
as they are frozen, what is frozen as soon as it is, packs that are half frozen.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from controller.foresight.bins import BIN_S
from controller.foresight.course import HourAt, groups_after
from controller.foresight.forecast import Forecast
from controller.foresight.forward import Ahead, ChamberRun, Start
from controller.foresight.room_side import Room
from controller.foresight.situation import Situation
from controller.foresight.swaps import Logged, Swap
from controller.foresight.unknowns import FROZEN_MEAN
from controller.foresight.visits import (
    POLICIES,
    Habits,
    Policy,
    as_soon_as,
    best_visit,
    frozen_at,
    possible_visit,
)
from controller.foresight.water_side import Water, WaterSide
from controller.thermal.freezing import FreezerQueue, frozen_queue

HORIZON_S = 48 * 3600.0
APART_S = 3600.0
MOST_SWAPS = 30
WORTH_A_VISIT_K_H = 0.15
"""Degree-hours over two days that are worth the work of one more pack change."""
WORTH_KEEPING = 0.5
"""No set is changed before this share of its time is over, however many packs lie frozen: it holds
half of its cold then, and would only make work [-]. Of the set that is in the water now the time
that is left counts: each new plan moves an eager change of it on, until its last hour. Counted from
when it went in, it was changed too early: colder water loses more to box and condensation."""
SHORT_K_H = 0.5
"""Degree-hours over two days from which on packs are short."""
MOST_SETS_LACKING = 2
"""More packs than these sets are no longer counted."""
TOO_WARM_K = 0.3
"""Air this far above cut-in counts as too warm [K]."""
HOTTER_K, HOTTER_WITHIN_S = 3.0, 12 * 3600.0
"""How much hotter than forecast the days may come, and how fast; common practice, no source."""
_HOUR_S = 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedSwap:
    """One swap to come."""

    at_s: float
    """Seconds since 1970, UTC."""
    packs: int
    why: str
    too_warm_k_h: float
    """Degree-hours above cut-in from the swap before to this one."""
    least_frozen: float = 1.0
    """How much of a pack must be frozen for it to go in [share]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shortage:
    """What the plan cannot hold, and how many more packs would."""

    from_s: float
    """Seconds since 1970, UTC: when the air begins to be too warm."""
    peak_k: float
    """Most that it gets above cut-in [K]."""
    packs: int | None
    """How many more packs would hold it, None: more than `MOST_SETS_LACKING` sets."""
    freeze_now: bool
    """Whether packs put into the freezer now are frozen in time; else frozen ones must be got."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SwapPlan:
    """The next two days."""

    swaps: tuple[PlannedSwap, ...]
    short: bool
    """Whether the freezer cannot keep up."""
    after_k_h: float = 0.0
    """Degree-hours above cut-in after the last swap."""
    shortage: Shortage | None = None
    """None where packs suffice."""
    warm_from_s: float | None = None
    """When the air begins to be too warm [s since 1970]."""
    peak_k: float = 0.0
    """Most that the air gets above cut-in [K]."""

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
    asked = _Asked(forecast, situation, _freezer(logged, habits), habits, hour_at, {})
    # packs that lie frozen while the air is too warm are cold that nobody used in time: what a
    # plan loses is judged by a day that comes hotter than it looks now
    room = situation.room
    hotter = replace(situation, room=_Hotter(room.wave, room.off_k, room.weather_k))
    hot = replace(asked, situation=hotter, runs={})
    best, least = POLICIES[0], _cost(_planned(hot, POLICIES[0]))
    if least.too_warm_k_h > SHORT_K_H:
        for policy in POLICIES[1:]:
            cost = _cost(_planned(hot, policy))
            if cost.total < least.total:
                best, least = policy, cost
    plan = _planned(asked, best)
    if plan.too_warm_k_h <= SHORT_K_H or plan.warm_from_s is None:
        return plan
    return replace(plan, short=True, shortage=_shortage(asked, best, plan))


class _Cost(NamedTuple):
    too_warm_k_h: float
    total: float
    """With the work of the pack changes [K·h]."""


def _cost(plan: SwapPlan) -> _Cost:
    too_warm_k_h = plan.too_warm_k_h
    return _Cost(too_warm_k_h, too_warm_k_h + WORTH_A_VISIT_K_H * len(plan.swaps))


class _Hotter(Room):
    """The room as it is expected, and warmer by `HOTTER_K` within half a day."""

    def ahead_c(self, hour: float, ahead_s: float) -> float:
        """Return the room this long from now [°C]."""
        usual_c = Room.ahead_c(self, hour, ahead_s)
        return usual_c + HOTTER_K * min(1.0, ahead_s / HOTTER_WITHIN_S)


@dataclass(frozen=True, slots=True)
class _Asked:
    """What a plan is made from."""

    forecast: Forecast
    situation: Situation
    freezer: FreezerQueue
    habits: Habits
    hour_at: HourAt
    runs: dict[tuple[float, Start, Water], ChamberRun]
    """Of this situation, by instant, chamber and reservoir: plans have many in common."""

    def run(self, from_s: float, start: Start, water: Water, side: WaterSide) -> ChamberRun:
        """Return the run that goes on from an instant [s since 1970]; made once."""
        key = (from_s, start, water)
        run = self.runs.get(key)
        if run is None:
            later_s = from_s - self.forecast.as_of_s
            around = self.situation.around_later(later_s, hour=start.hour)
            run = self.runs[key] = ChamberRun(start, water, side, around, keeps_path=True)
        return run


def _shortage(asked: _Asked, policy: Policy, plan: SwapPlan) -> Shortage:
    """Return what is lacking, by the smallest number of packs that would hold the band."""
    assert plan.warm_from_s is not None
    most = MOST_SETS_LACKING * asked.habits.packs_in_set
    for freeze_now in (True, False):
        if freeze_now and math.isinf(asked.habits.freezer.refreeze_s):
            continue
        share = 0.0 if freeze_now else 1.0

        def holds(packs: int, share: float = share) -> bool:
            freezer = asked.freezer.put(packs, asked.forecast.as_of_s, frozen_share=share)
            more = replace(asked, freezer=freezer)
            return _planned(more, policy).too_warm_k_h <= SHORT_K_H

        if holds(most):
            packs = bisect_left(range(1, most), True, key=holds) + 1
            return Shortage(
                from_s=plan.warm_from_s, peak_k=plan.peak_k, packs=packs, freeze_now=freeze_now
            )
    return Shortage(from_s=plan.warm_from_s, peak_k=plan.peak_k, packs=None, freeze_now=False)


class _SetIn(NamedTuple):
    """A set of packs from its change on."""

    from_s: float
    """When it went in, now for the first one [s since 1970]."""
    start: Start
    """The chamber then."""
    water: Water
    """The reservoir then, the set in it."""


class _Visit(NamedTuple):
    """A pack change to come."""

    at_s: float
    """Seconds since 1970; infinite where no pack can go in."""
    packs: int
    why: str
    lacking: str
    """What is missing of a whole set that is frozen; empty where nothing is."""


def _planned(asked: _Asked, policy: Policy) -> SwapPlan:
    """Return the plan that one policy makes."""
    freezer = asked.freezer
    now_s = asked.forecast.as_of_s
    ends_s = now_s + HORIZON_S
    present = _SetIn(now_s, asked.situation.start, _marked(asked.situation))
    spent_s = asked.forecast.early_s
    side = _fresh_side(asked.situation)
    swaps: list[PlannedSwap] = []
    warmth = _Warmth()
    short = False
    while spent_s is not None and spent_s < ends_s and len(swaps) < MOST_SWAPS:
        from_s = present.from_s
        earliest_s = from_s + APART_S if swaps else from_s
        visit = _next_visit(
            asked, policy, freezer, from_s=from_s, earliest_s=earliest_s, spent_s=spent_s
        )
        at_s, packs, why, lacking = visit
        if at_s >= ends_s or math.isinf(at_s):
            short = True
            break
        short = short or lacking != ""
        run = asked.run(*present, side)
        arrived = run.walked(at_s - from_s)
        swaps.append(
            PlannedSwap(
                at_s=at_s,
                packs=packs,
                why=f"{why}; {lacking}" if lacking else why,
                too_warm_k_h=warmth.add(arrived, from_s),
                least_frozen=policy.least_frozen,
            )
        )
        frozen = sum(freezer.frozen_shares(at_s)[:packs]) / packs
        freezer = freezer.without(packs, at_s).put(packs, at_s)
        present = _changed_set(asked, present, run, visit, frozen)
        end = asked.run(*present, side).end()
        spent_s = None if end is None else at_s + end.ahead_s
    rest = asked.run(*present, side).walked(ends_s - present.from_s)
    after_k_h = warmth.add(rest, present.from_s)
    return SwapPlan(
        swaps=tuple(swaps),
        short=short,
        after_k_h=after_k_h,
        warm_from_s=warmth.from_s,
        peak_k=warmth.peak_k,
    )


def _next_visit(
    asked: _Asked,
    policy: Policy,
    freezer: FreezerQueue,
    *,
    from_s: float,
    earliest_s: float,
    spent_s: float,
) -> _Visit:
    """Return the next pack change under a policy.

    Args:
        asked: What the plan is made from.
        policy: When packs go in.
        freezer: When each pack outside the water is frozen.
        from_s: When the set in the water went in, now for the first one [s since 1970].
        earliest_s: No change is earlier than this [s since 1970].
        spent_s: When that set may be spent [s since 1970].
    """
    habits, hour_at = asked.habits, asked.hour_at
    preferred_s, why = best_visit(spent_s, earliest_s, habits, hour_at)
    if policy.eager:
        wanted = 1 if policy.partial else habits.packs_in_set
        frozen_s = max(
            earliest_s,
            frozen_at(freezer, wanted, policy),
            from_s + WORTH_KEEPING * (spent_s - from_s),
        )
        preferred_s, why = as_soon_as(preferred_s, why, frozen_s, habits, hour_at)
    at_s, packs, lacking = possible_visit(preferred_s, freezer, habits, hour_at, policy)
    return _Visit(at_s, packs, why, lacking)


def _changed_set(
    asked: _Asked, present: _SetIn, run: ChamberRun, visit: _Visit, frozen: float
) -> _SetIn:
    """Return what goes on after a pack change.

    Args:
        asked: What the plan is made from.
        present: The set that the change ends.
        run: How that set came to the change.
        visit: The change.
        frozen: Mean share of the ice that the new packs have.
    """
    arrived = run.walked(visit.at_s - present.from_s)
    hour = asked.hour_at(visit.at_s)
    water, air_c, slow_c = present.water, present.start.air_c, present.start.slow_c
    if arrived:
        last = arrived[-1]
        water, air_c, slow_c = run.water_at(last), last.air_c, last.slow_c
    cut_in_c, _ = asked.situation.band.at(hour)
    start = replace(
        present.start,
        hour=hour,
        air_c=air_c,
        slow_c=slow_c,
        unbroken=air_c > cut_in_c,
        came_back=air_c <= cut_in_c,
        too_warm_for_s=0.0,
    )
    water = changed(water, visit.packs, frozen, asked.habits.packs_in_set)
    return _SetIn(visit.at_s, start, water)


class _Warmth:
    """How far and since when the air is above cut-in over a plan."""

    def __init__(self) -> None:
        self.from_s: float | None = None
        self.peak_k = 0.0

    def add(self, steps: Sequence[Ahead], from_s: float) -> float:
        """Take a part of the plan that begins at an instant; return its degree-hours above."""
        for step in steps:
            if step.over_k > TOO_WARM_K and self.from_s is None:
                self.from_s = from_s + step.ahead_s
            self.peak_k = max(self.peak_k, step.over_k)
        return sum(step.over_k for step in steps) * BIN_S / _HOUR_S


def changed(before: Water, packs: int, frozen: float, packs_in_set: int) -> Water:
    """Return the reservoir after a pack change; *frozen* is the share of its ice that is there."""
    swap = Swap(at_s=0.0, packs=packs)
    fresh, *others = groups_after(swap, before.groups, packs_in_set)
    if frozen < 1.0:
        fresh = fresh._replace(frozen=FROZEN_MEAN * frozen)
    return Water(before.water_c, (fresh, *others))


def _freezer(logged: Sequence[Logged], habits: Habits) -> FreezerQueue:
    """Return when each pack outside the water is frozen."""
    freezer = frozen_queue(max(0, habits.packs - habits.packs_in_set), habits.freezer)
    for note in sorted(logged, key=lambda each: each.at_s):
        packs = min(note.packs, len(freezer.shares))
        freezer = freezer.without(packs, note.at_s).put(packs, note.at_s)
    return freezer


def _marked(situation: Situation) -> Water:
    """Return the reservoir with the frozen share of its packs written beside them."""
    frozen = situation.side.frozen
    groups = tuple(
        group if group.frozen is not None else group._replace(frozen=frozen)
        for group in situation.water.groups
    )
    return Water(situation.water.water_c, groups)


def _fresh_side(situation: Situation) -> WaterSide:
    """Return the reservoir's equation for sets to come, frozen as sets usually are."""
    values = situation.fitted.belief.mean._replace(frozen=math.log(FROZEN_MEAN))
    return WaterSide(values, situation.sized)
