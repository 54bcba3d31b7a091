"""A build: equipment with the person who looks after it, rehearsed through hot days."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import time

from controller.domain.units import Seconds
from controller.errors import ScenarioError
from controller.planning.design_hour import conditions_at, useful_max_c, warmest_hour
from controller.rehearsal.hot_day_counter import Border, GivenUpError
from controller.rehearsal.hot_day_figures import HotDays
from controller.rehearsal.hot_days import hot_days, hot_days_scenario
from controller.rehearsal.room_file import RoomSeries
from controller.rehearsal.trace_row import TraceRow
from controller.settings.load import Settings
from controller.settings.scenario_file import GrowerScript, ScenarioFile
from controller.thermal.freezing import FREEZER_C, freezers_kg_per_day, refreeze_h
from controller.thermal.heat_load import steady_hour
from controller.thermal.specs import PlantSpec

BEFORE_BED_MIN = 15
LEAST_SPENT_K = 4.0
"""Packs carry no load with water closer to their plateau than this; water is not called spent while
it is colder [K]. Own choice, from packs of 30 mm under the load they are bought for."""
NIGHT_SPARE = 4.0 / 3.0
DAYS = 10.0
"""A hot spell [d]. Rehearsed only until a day repeats the one before it."""
SETTLING_DAYS = 1.0
COARSE_DAYS = 1.0
SUPPLY_DAYS = 3.0
"""Coarse days that show whether packs and freezer keep up: on fewer, the set that is in the water
when they begin hides that the freezer does not."""
COARSE_SETTLING_DAYS = 0.5
COARSE_TICK_S = 20.0
"""Variants of a build are compared with each other by shorter days on a longer tick; against 5 s it
moves packs and duty by 1 to 5 %."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Build:
    """What is rehearsed: settings, the equipment in their place, and when somebody is there."""

    settings: Settings
    plant: PlantSpec
    always_awake: bool = False
    """Whether somebody changes packs at night too."""
    room: RoomSeries | None = None
    """The room over the settling day and the counted ones; None: the plant's day, each day."""
    nothing_frozen_yet: bool = False
    """Whether the packs not in the water have just gone into the freezer when the days begin, as
    after days on which it could not keep up; else they lie there frozen."""

    def grower(self) -> GrowerScript:
        """Return the person: comes when water is spent, and before bed if packs will not last."""
        ready = 0 if self.nothing_frozen_yet else None
        people = self.settings.people
        if self.always_awake:
            return GrowerScript(wakes=people.wakes, sleeps=people.wakes, packs_ready=ready)
        minutes = people.sleeps.hour * 60 + people.sleeps.minute - BEFORE_BED_MIN
        bed = time(minutes % 1440 // 60, minutes % 60)
        return GrowerScript(
            wakes=people.wakes,
            sleeps=people.sleeps,
            packs_ready=ready,
            swaps_at=(bed,),
            keeps_while_frozen=self.frozen_at_bed(),
        )

    def frozen_at_bed(self) -> float:
        """Return the frozen share with which packs last the night, 0 to 1; 1: none does.

        From the heat that comes into the reservoir in the warmest hour and what a set takes up,
        with a third to spare: a person knows after a few days how long packs last.
        """
        people, plant = self.settings.people, self.plant
        night_h = (
            people.wakes.hour
            - people.sleeps.hour
            + (people.wakes.minute - people.sleeps.minute) / 60
        ) % 24.0
        spent_c = self.spent_c()
        load_w = steady_hour(
            plant,
            conditions_at(self.settings, plant, warmest_hour(plant)),
            reservoir_c=0.5 * spent_c,
        ).reservoir_w
        fill = plant.packs.filling
        set_kj = plant.packs.in_reservoir * plant.packs.kg * fill.latent_kj_kg
        if set_kj <= 0.0:
            return 1.0
        return min(1.0, NIGHT_SPARE * max(0.0, load_w) * 3.6 * night_h / set_kj)

    def spent_c(self) -> float:
        """Return the reservoir at which the person changes packs [°C].

        Raises:
            PhysicsError: A figure outside the range of the formulas.
        """
        useful_c = useful_max_c(self.settings, self.plant)
        least_c = max(0.0, self.plant.packs.filling.plateau_c) + LEAST_SPENT_K
        return least_c if useful_c is None else max(useful_c, least_c)

    def scenario(self, days: float = SETTLING_DAYS + DAYS) -> ScenarioFile:
        """Return the scenario of these days, for a rehearsal of any kind.

        The person changes packs when the water reaches `spent_c`, which a scenario does not say.
        """
        return hot_days_scenario(self.grower(), days=days)

    def with_plant(self, plant: PlantSpec) -> Build:
        """Return the same build with other equipment."""
        return replace(self, plant=plant)

    def reservoir_kj(self, days: HotDays) -> float:
        """Return the heat that came into the reservoir over rehearsed days [kJ].

        From the coil, the pump and the room; it is what packs must take up, whatever their state
        when the days began.
        """
        plant = self.plant
        room_c = 0.5 * (plant.room.day_c + plant.room.night_c)
        leak_w_k = plant.reservoir.ua_w_k + days.duty * plant.fine.tubing_w_k
        steady_w = leak_w_k * (room_c - days.reservoir_mean_c) + plant.reservoir.pump_w * days.duty
        return (days.heat_removed_kj or 0.0) + 86.4 * days.days * steady_w

    def limit_kg_per_day(self) -> float:
        """Return what the freezers can give back, by their plates and by the time a pack takes."""
        packs = self.plant.packs
        one_h = refreeze_h(packs)
        resting_kg = (packs.count - packs.in_reservoir) * packs.kg
        by_time = 0.0 if math.isinf(one_h) else resting_kg * 24.0 / one_h
        return min(by_time, freezers_kg_per_day(self.plant))

    def keeps_up(self, days: HotDays) -> bool:
        """Return whether the freezer gives back what rehearsed days take, day after day.

        A few days do not show it: the cold that reservoir, chamber and packs begin with hides it.
        """
        needed_kg = self.reservoir_kj(days) / days.days / self._kj_kg(days.reservoir_mean_c)
        return needed_kg <= self.limit_kg_per_day()

    def needed_kg_per_day(self) -> float:
        """Return the packs that a hot day takes, from the heat of four hours of it [kg/day]."""
        settings, plant, first = self.settings, self.plant, warmest_hour(self.plant)
        water_c = 0.5 * self.spent_c()
        watts = [
            steady_hour(
                plant, conditions_at(settings, plant, (first + after) % 24), reservoir_c=water_c
            ).reservoir_w
            for after in (0, 6, 12, 18)
        ]
        return max(0.0, sum(watts) / len(watts)) * 86.4 / self._kj_kg(water_c)

    def _kj_kg(self, water_c: float) -> float:
        """Return what a kilogram of frozen pack takes up until it is as warm as the water."""
        packs = self.plant.packs
        fill = packs.filling
        frozen_c = FREEZER_C if packs.freezer_c is None else packs.freezer_c
        return (
            fill.latent_kj_kg
            + fill.solid_kj_kgk * max(0.0, fill.plateau_c - frozen_c)
            + fill.liquid_kj_kgk * max(0.0, water_c - fill.plateau_c)
        )

    def days(
        self,
        days: float = DAYS,
        *,
        settling_days: float = SETTLING_DAYS,
        until_steady: bool = False,
        border: Border | None = None,
        trace: Callable[[TraceRow], None] | None = None,
        most_out_h: float = math.inf,
        most_above_k_h: float = math.inf,
    ) -> HotDays | None:
        """Rehearse hot days on the tick of the settings, no further once they repeat each other.

        Args:
            days: Counted days.
            settling_days: Days before these.
            until_steady: As for `hot_days`.
            border: As for `hot_days`.
            trace: Is given a row every five minutes.
            most_out_h: Days that are out of band for longer are given up [h].
            most_above_k_h: As are those with more degree-hours above cut-in [K·h].

        Returns:
            What they came to; None: the chamber grew far too hot for the formulas, or they were
            given up.

        Raises:
            PhysicsError: A figure of the plant outside the range of the formulas.
        """
        grower, spent_c = self.grower(), self.spent_c()
        try:
            return hot_days(
                self.settings,
                plant=self.plant,
                days=days,
                settling_days=settling_days,
                until_repeated=self.room is None,
                until_steady=until_steady,
                border=border,
                room=self.room,
                grower=grower,
                swap_at_c=spent_c,
                trace=trace,
                most_out_h=most_out_h,
                most_above_k_h=most_above_k_h,
            )
        except (ScenarioError, GivenUpError):
            return None

    def coarse_days(
        self,
        days: float = COARSE_DAYS,
        *,
        trace: Callable[[TraceRow], None] | None = None,
        most_out_h: float = math.inf,
        most_above_k_h: float = math.inf,
    ) -> HotDays | None:
        """Rehearse fewer days on a longer tick, to be compared with others of this kind alone.

        In the plant's room, each day the same, also where the build has one of its own.

        Args:
            days: Counted days.
            trace: As for `days`.
            most_out_h: As for `days`.
            most_above_k_h: As for `days`.

        Returns:
            As `days`.

        Raises:
            PhysicsError: A figure of the plant outside the range of the formulas.
        """
        settings = self.settings
        tick_s = Seconds(max(COARSE_TICK_S, settings.timing.tick))
        coarse = settings.model_copy(
            update={
                "timing": settings.timing.model_copy(update={"tick": tick_s}),
                "readings": settings.readings.model_copy(
                    update={"every": Seconds(max(tick_s, settings.readings.every))}
                ),
            }
        )
        # a stock of frozen packs would hide in so few days that the freezer cannot keep up; with
        # none a freezer that can would be judged by days on which it has yet to freeze them all
        spent = self.needed_kg_per_day() > self.limit_kg_per_day()
        return replace(self, settings=coarse, room=None, nothing_frozen_yet=spent).days(
            days,
            settling_days=COARSE_SETTLING_DAYS,
            trace=trace,
            most_out_h=most_out_h,
            most_above_k_h=most_above_k_h,
        )
