"""The cycle to expect: the real control law on the real plant, the true air beside the probe.

A probe lags and speaks in steps, and timers bind; so the air swings beyond the switching points
while the probe shows it between them.
"""

from __future__ import annotations

import math
import operator
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from itertools import product

from controller.core.decide import begin, decide
from controller.core.law import Band, Law, Timing
from controller.core.state import DecisionWindow, Inputs
from controller.domain.temperatures import Seen, millidegrees
from controller.rehearsal.chamber_ahead import ChamberAhead
from controller.rehearsal.plants import LumpedChamber
from controller.thermal.moist_air import humidity_ratio
from controller.thermal.plant import Plant
from controller.thermal.probe import Course, stepped_c
from controller.thermal.specs import PlantSpec

SETTLING_S = 3600.0
COUNTED_S = 2 * 3600.0
COUNTED_H = COUNTED_S / 3600.0
STEADY_LITRES = 10_000.0
"""So much water warms by a few hundredths of a kelvin in these hours."""
_ROUNDING = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Hour:
    """Under which the cycle is wanted."""

    when: str
    """``mild``, ``normal`` or ``hottest``."""
    room_c: float
    room_rh: float
    reservoir_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycle:
    """What the pump and the true air do in such an hour."""

    when: str
    on_s: float | None
    """Mean run; None without a whole run."""
    off_s: float | None
    starts_per_h: float
    air_min_c: float
    air_max_c: float


def steady_plant(spec: PlantSpec) -> Plant:
    """Return a plant whose reservoir stays where an `Hour` puts it, for `expected_cycle`."""
    return Plant(replace(spec, reservoir=replace(spec.reservoir, litres=STEADY_LITRES)))


def _never(_least_c: float, _most_c: float, _starts_per_h: float) -> bool:
    """Give nothing up."""
    return False


def expected_cycle(
    plant: Plant,
    band: Band,
    law: Law,
    hour: Hour,
    *,
    tick_s: float,
    lag_s: float,
    given_up: Callable[[float, float, float], bool] = _never,
) -> Cycle:
    """Return the cycle in a steady hour, after an hour of settling.

    Args:
        plant: From `steady_plant`.
        band: Switching points.
        law: Timers and limits.
        hour: Room and reservoir.
        tick_s: Beat of the loop [s].
        lag_s: Time constant of the air probe [s]; 0: none.
        given_up: Asked at each start with the lowest and the highest air [°C] and the starts an
            hour, which can only move apart and grow; where it says so, the cycle ends with these.
    """
    middle_c = (band.cut_in_mc + band.cut_out_mc) / 2000
    pump = fan = False
    count = _Count()
    chamber = LumpedChamber(
        plant, air_c=middle_c, reservoir_c=hour.reservoir_c, room_c=hour.room_c, packs=0
    )
    ahead = ChamberAhead(
        chamber,
        lags_s={"air": lag_s},
        running=lambda: (pump, fan),
        around=_SteadyRoom(hour, plant.equations.pressure_pa),
        now=0.0,
        moved=count.moved,
    )
    control = begin(0.0, last_stop=-1e6)
    water = Seen(millidegrees(hour.reservoir_c))
    tick, settled, last = 0, int(SETTLING_S / tick_s), int((SETTLING_S + COUNTED_S) / tick_s)
    while tick < last:
        limit = settled if tick < settled else last
        tick = _next_tick(ahead, control.window, tick, limit, tick_s)
        now = tick * tick_s
        ahead.reach(now)
        inputs = Inputs(band=band, air=Seen(_shown_mc(ahead.probe_c(0, now))), reservoir=water)
        control, decision = decide(control, inputs, now, law)
        if tick in {settled, last}:
            ahead.end_step(now)
        if decision.pump is not pump or decision.fan is not fan:
            switched, pump, fan = decision.pump is not pump, decision.pump, decision.fan
            ahead.last_tick = now
            ahead.follow()
            if switched:
                count.switched(now, pump=pump)
                if pump and count.begun and given_up(*count.swing):
                    break
        count.begun = tick >= settled
    return count.cycle(hour.when)


class _Count:
    """Counts runs, rests and starts, and follows the true air, once the hour has settled."""

    def __init__(self) -> None:
        self.begun = False
        """Whether steps and starts count."""
        self._least_c, self._most_c = math.inf, -math.inf
        self._runs_s: list[float] = []
        self._rests_s: list[float] = []
        self._starts = 0
        self._since_s = 0.0

    @property
    def swing(self) -> tuple[float, float, float]:
        """The lowest and the highest air [°C], and the starts an hour."""
        return self._least_c, self._most_c, self._starts / COUNTED_H

    def moved(self, air: Course, _reservoir: Course, _pump: bool) -> None:
        """Take a step of the chamber."""
        if self.begun:
            least_c, most_c = air.extremes_c()
            self._least_c, self._most_c = min(self._least_c, least_c), max(self._most_c, most_c)

    def switched(self, now: float, *, pump: bool) -> None:
        """Take a start or a stop of the pump."""
        if self._since_s > SETTLING_S:
            (self._rests_s if pump else self._runs_s).append(now - self._since_s)
        self._since_s = now
        self._starts += pump and self.begun

    def cycle(self, when: str) -> Cycle:
        """Return what was counted."""
        least_c, most_c, starts_per_h = self.swing
        return Cycle(
            when=when,
            on_s=_mean(self._runs_s),
            off_s=_mean(self._rests_s),
            starts_per_h=starts_per_h,
            air_min_c=least_c,
            air_max_c=most_c,
        )


def _next_tick(
    ahead: ChamberAhead, window: DecisionWindow | None, tick: int, limit: int, tick_s: float
) -> int:
    """Return the first tick after *tick* at which the decision may be another one.

    Args:
        ahead: The chamber, at that tick.
        window: Within which the last decision stands.
        tick: The last one.
        limit: The tick that is turned in any case.
        tick_s: Time between two [s].
    """
    if window is None or window.air is None:
        return tick + 1
    if window.until < limit * tick_s:
        limit = max(tick + 1, math.ceil(window.until / tick_s))
    lowest_mc, highest_mc = window.air
    while True:
        step = ahead.step
        ends = min(limit, int(step.ends / tick_s + _ROUNDING))
        least_c, most_c = step.ranges_c[0]
        if not lowest_mc <= _shown_mc(least_c) <= _shown_mc(most_c) <= highest_mc:
            lag, begins = step.lags[0], step.begins
            for each in range(tick + 1, ends + 1):
                if not lowest_mc <= _shown_mc(lag.at(each * tick_s - begins)) <= highest_mc:
                    return each
        if ends == limit:
            return limit
        tick = max(tick, ends)
        ahead.go_on()


def _shown_mc(probe_c: float) -> int:
    """Return what the probe says [m°C]."""
    return millidegrees(stepped_c(probe_c))


class _SteadyRoom:
    """The room of an hour, and no lights."""

    def __init__(self, hour: Hour, pressure_pa: float) -> None:
        self._room_c = hour.room_c
        self._ratio = humidity_ratio(air_c=hour.room_c, rh=hour.room_rh, pressure_pa=pressure_pa)

    def room_c(self, instant: float) -> float:
        """Return the room [°C]."""
        del instant
        return self._room_c

    def room_ratio(self, instant: float) -> float:
        """Return the humidity ratio of its air [kg/kg]."""
        del instant
        return self._ratio

    def lights_on(self, instant: float) -> bool:
        """Return False."""
        del instant
        return False


def _mean(values: list[float]) -> float | None:
    return sum(values) / len(values) if values else None


TIMERS_S = ((300.0, 480.0), (180.0, 300.0), (120.0, 300.0), (120.0, 180.0), (60.0, 180.0))
"""Minimum run and rest that are worth trying [s]: three to eight minutes of rest spare a small pump
and its relay. Common practice, no source."""
KEEPS_K = 0.05
"""Air that leaves the band by no more than this stays in it: less than a probe can say [K]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """Switching points that keep the true air where it shall be."""

    cut_in_c: float
    cut_out_c: float
    starts_per_h: float
    """At the busiest of the hours looked at."""
    keeps: bool
    """Whether the air stays inside; where no pair does, this is the one that comes nearest."""
    minimum_run_s: float
    anti_short_cycle_s: float


_Rank = tuple[float, float]
"""How far the air leaves the band [K], 0 where it stays in; then the starts an hour."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Trial:
    """Tries switching points and timers in some hours."""

    plant: Plant
    law: Law
    hours: tuple[Hour, ...]
    low_c: float
    high_c: float
    tick_s: float
    lag_s: float

    def judge(
        self, points: Band, timing: Timing, may_win: Callable[[_Rank], bool]
    ) -> tuple[_Rank, Proposal] | None:
        """Return rank and proposal; None as soon as no later hour can make it win."""
        out_k = starts_per_h = 0.0
        law = replace(self.law, timing=timing)

        def rank_with(least_c: float, most_c: float, starts: float) -> _Rank:
            most_out_k = max(out_k, most_c - self.high_c, self.low_c - least_c)
            return 0.0 if most_out_k <= KEEPS_K else most_out_k, max(starts_per_h, starts)

        def given_up(least_c: float, most_c: float, starts: float) -> bool:
            # more of the hour, or one hour more, never lowers a rank
            return not may_win(rank_with(least_c, most_c, starts))

        for hour in self.hours:
            cycle = expected_cycle(
                self.plant,
                points,
                law,
                hour,
                tick_s=self.tick_s,
                lag_s=self.lag_s,
                given_up=given_up,
            )
            out_k, starts_per_h = rank_with(cycle.air_min_c, cycle.air_max_c, cycle.starts_per_h)
            if not may_win((out_k, starts_per_h)):
                return None
        return (out_k, starts_per_h), Proposal(
            cut_in_c=points.cut_in_mc / 1000,
            cut_out_c=points.cut_out_mc / 1000,
            starts_per_h=starts_per_h,
            keeps=out_k == 0.0,
            minimum_run_s=timing.minimum_run_s,
            anti_short_cycle_s=timing.anti_short_cycle_s,
        )


def propose_points(
    spec: PlantSpec,
    law: Law,
    hours: tuple[Hour, ...],
    *,
    low_c: float,
    high_c: float,
    tick_s: float,
    lag_s: float,
) -> Proposal:
    """Return the switching points and timers with the fewest starts that keep the air in a band.

    Args:
        spec: The plant.
        law: Timers and limits; its timers are tried first.
        hours: Hours in which the air must stay inside.
        low_c: Lowest air [°C].
        high_c: Highest air [°C].
        tick_s: Beat of the loop [s].
        lag_s: Time constant of the air probe [s].
    """
    trial = _Trial(
        plant=steady_plant(spec),
        law=law,
        hours=hours,
        low_c=low_c,
        high_c=high_c,
        tick_s=tick_s,
        lag_s=lag_s,
    )
    best_rank, best, points = _best_points(trial)
    # then the timers, from gentle on pump and relay to quick; a tie leaves them as they are
    for minimum_run_s, rest_s in TIMERS_S:
        timing = replace(
            law.timing,
            minimum_run_s=max(minimum_run_s, law.timing.prime_s),
            anti_short_cycle_s=max(rest_s, law.timing.run_on_s),
        )
        better = trial.judge(points, timing, partial(_beats_clearly, best=best_rank))
        if better is not None:
            best_rank, best = better
    return best


def _best_points(trial: _Trial) -> tuple[_Rank, Proposal, Band]:
    """Return the best points under the law's own timers, with their rank."""
    width_k = trial.high_c - trial.low_c
    best: tuple[_Rank, Proposal, Band] | None = None
    best_rank = (math.inf, math.inf)
    for below, above in product((0.1, 0.25, 0.4), repeat=2):
        points = Band(
            _on_step(trial.high_c - below * width_k), _on_step(trial.low_c + above * width_k)
        )
        better = trial.judge(points, trial.law.timing, partial(operator.gt, best_rank))
        if better is not None:
            best_rank, best = better[0], (*better, points)
    assert best is not None  # the first pair wins over none
    return best


def _beats_clearly(rank: _Rank, *, best: _Rank) -> bool:
    return rank[0] < best[0] - 0.02 or (rank[0] <= best[0] and rank[1] < 0.9 * best[1])


def _on_step(temp_c: float) -> int:
    """Return the nearest temperature that the probe can say [m°C]."""
    return millidegrees(stepped_c(temp_c))
