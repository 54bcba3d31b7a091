"""A simulated chamber that is worked out ahead of time, in steps as long as its accuracy allows.

A step is made ahead, and made again as a shorter one where something switches within it. What its
probes do along each step is kept for a while, so that readings can be worked out afterwards.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Mapping
from typing import Protocol

from controller.rehearsal.chamber_step import ChamberStep, outlet_course
from controller.rehearsal.plants import Actuators, SimulatedChamber
from controller.thermal.probe import Course, Lag, lag_along, lag_at_rest

AFTER_SWITCH_S = 30.0
"""Longest step after a switch [s]; each one after it may be twice as long as the one before."""
ROOM_EVERY_S = 120.0
"""For how long the room counts as constant [s]; it moves by some hundredths of a kelvin."""
ROUNDING_S = 1e-6
"""Instants that are no further apart are the same [s]."""
_UNKNOWN_TIMES: Mapping[tuple[bool, bool], float] = {}


class Around(Protocol):
    """What is around a chamber at a monotonic instant [s]."""

    def room_c(self, instant: float) -> float:
        """Return the room [°C]."""

    def room_ratio(self, instant: float) -> float | None:
        """Return the humidity ratio of the room's air [kg/kg]; None: as the plant says."""

    def lights_on(self, instant: float) -> bool:
        """Return whether the lights are on from then on."""


class ChamberAhead:
    """A chamber and its probes, worked out as far ahead as somebody asks for."""

    def __init__(
        self,
        chamber: SimulatedChamber,
        *,
        lags_s: Mapping[str, float],
        running: Callable[[], tuple[bool, bool]],
        around: Around,
        now: float,
        moved: Callable[[Course, Course, bool], None],
        kept_s: float = 0.0,
        alone_s: Mapping[tuple[bool, bool], float] = _UNKNOWN_TIMES,
    ) -> None:
        """Begin with every probe at the temperature of its place.

        Args:
            chamber: What is measured.
            lags_s: Time constants of the probes that are fitted, by their names [s].
            running: Says whether pump and fan really run.
            around: Room and lights.
            now: Monotonic instant of the start [s].
            moved: Called for each step once it is final, with the courses of air and reservoir and
                whether the pump ran.
            kept_s: How long steps are kept, so that earlier readings can still be worked out [s].
            alone_s: For how long pump or fan run alone, as a rule, by (pump, fan) [s]: a step ends
                there, which is then not taken back.
        """
        self.chamber = chamber
        self.flow = 1.0
        """Share of the pump's water that moves."""
        self.last_tick = now
        """Instant of the last tick [s]: what is seen to have switched did so then."""
        self._places = tuple(lags_s)
        self._lags_s = tuple(lags_s.values())
        self._running = running
        self._around = around
        self._origin = now
        self._kept_s = kept_s
        self._alone_s = alone_s
        self._moved = moved
        self._drive = Actuators(*running(), around.lights_on(now), self.flow)
        self._longest_s = AFTER_SWITCH_S
        self._switch_at = math.inf  # the next one by a timer
        self._room_number, self._room_c = -1, math.nan
        places_c = {
            "air": chamber.air_c,
            "reservoir": chamber.reservoir_c,
            "coil_outlet": chamber.outlet_c(self._drive),
            "room": around.room_c(now),
        }
        first_c = [places_c[place] for place in self._places]
        still = [Lag(each_c, 0.0, 0.0, 0.0, 0.0) for each_c in first_c]
        self.step = ChamberStep(now, 0.0, (first_c, still), (chamber.air, chamber.reservoir))
        """The newest step; a switch may still make it shorter."""
        self._steps = deque([self.step])
        self._pending = False  # whether the newest step may still be made shorter

    def follow(self) -> None:
        """Let pump, fan and flow be as they are now, from the last tick on."""
        pump, fan = self._running()
        drive = self._drive
        if pump is not drive.pump or fan is not drive.fan or self.flow != drive.flow:
            self.reach(self.last_tick)
            self.end_step(self.last_tick)
            self._drive = Actuators(pump, fan, drive.lights, self.flow)
            self._longest_s = AFTER_SWITCH_S
            self._switch_at = self.last_tick + self._alone_s.get((pump, fan), math.inf)

    def reach(self, instant: float) -> None:
        """Make steps until one reaches an instant [s]."""
        while self.step.ends < instant:
            self.go_on()

    def go_on(self) -> None:
        """Make the next step, ahead of time."""
        last = self.step
        if self._pending:
            self._settle(last)
        begins = last.ends
        outlet_c = self.chamber.outlet_c(self._drive) if "coil_outlet" in self._places else 0.0
        room_c = self._advance(begins, math.inf)
        drive, chamber = self._drive, self.chamber
        air = chamber.air
        dt_s = air.dt_s
        self._longest_s = 2.0 * dt_s
        reservoir, first_c = chamber.reservoir, last.last_c
        lags: list[Lag] = []
        for place, tau_s, probe_c in zip(self._places, self._lags_s, first_c, strict=True):
            if place == "air":
                lags.append(lag_along(probe_c, air, tau_s=tau_s))
            elif place == "reservoir":
                lags.append(lag_along(probe_c, reservoir, tau_s=tau_s))
            elif place == "room":
                lags.append(lag_at_rest(probe_c, room_c, tau_s=tau_s))
            else:
                course = outlet_course(air, outlet_c, chamber.outlet_c(drive))
                lags.append(lag_along(probe_c, course, tau_s=tau_s))
        self.step = step = ChamberStep(begins, dt_s, (first_c, lags), (air, reservoir))
        self._pending = True
        steps, oldest = self._steps, begins - self._kept_s
        steps.append(step)
        while steps[1].begins < oldest:
            steps.popleft()

    def end_step(self, instant: float) -> None:
        """End the newest step at an instant within it, or as it ends by itself.

        The chamber goes there anew, by a shorter step. What the probes showed on the way has been
        read, or may still be worked out, and stays as it is.
        """
        if not self._pending:
            return
        step = self.step
        if instant >= step.ends:
            self._settle(step)
            return
        self._pending = False
        chamber = self.chamber
        chamber.take_back()
        reached = step.begins
        if instant - reached <= ROUNDING_S:
            self._steps.pop()
            self.step = self._steps[-1]
            return
        while instant - reached > ROUNDING_S:
            self._advance(reached, instant)
            reached += chamber.air.dt_s
            self._moved(chamber.air, chamber.reservoir, self._drive.pump)
        step.end_at(instant)

    def true_c(self, instant: float) -> tuple[float, float]:
        """Return the true temperatures of air and reservoir at an instant of the newest step [°C].

        Later than that it is the end of the step that counts.
        """
        step = self.step
        if instant >= step.ends:
            return self.chamber.air_c, self.chamber.reservoir_c
        at_s = instant - step.begins
        return step.air.at(at_s), step.reservoir.at(at_s)

    def probes_c(self, instant: float) -> list[float]:
        """Return what every probe is at, at an instant that the kept steps cover [°C]."""
        step = self._covering(instant)
        if step is None:
            return self._steps[0].first_c
        x = instant - step.begins
        return [lag.at(x) for lag in step.lags]

    def probe_c(self, probe: int, instant: float) -> float:
        """Return what one probe is at, at an instant that the kept steps cover [°C]."""
        step = self._covering(instant)
        if step is None:
            return self._steps[0].first_c[probe]
        return step.lags[probe].at(instant - step.begins)

    def _covering(self, instant: float) -> ChamberStep | None:
        """Return the kept step that an instant lies in; None where the first begins with it."""
        for step in reversed(self._steps):
            if step.begins < instant:
                return step
        return None

    def _advance(self, begins: float, until: float) -> float:
        """Move the chamber on by one step.

        Args:
            begins: Where it stands [s].
            until: Where the step ends at the latest [s].

        Returns:
            The room that was taken for it [°C].
        """
        drive = self._drive
        lights = self._around.lights_on(begins)
        if lights is not drive.lights:
            self._drive = drive = drive._replace(lights=lights)
            self._longest_s = AFTER_SWITCH_S
        longest_s = min(self.chamber.step_s, self._longest_s, until - begins)
        if begins < self._switch_at < begins + longest_s:
            longest_s = self._switch_at - begins
        room_c = self._room(begins + 0.5 * longest_s)
        self.chamber.advance(longest_s, drive, room_c)
        return room_c

    def _room(self, instant: float) -> float:
        """Return the room [°C], the same for `ROOM_EVERY_S`."""
        number = int((instant - self._origin) / ROOM_EVERY_S)
        if number != self._room_number:
            self._room_number = number
            middle = self._origin + (number + 0.5) * ROOM_EVERY_S
            self._room_c = self._around.room_c(middle)
            self.chamber.take_room_air(self._room_c, self._around.room_ratio(middle))
        return self._room_c

    def _settle(self, step: ChamberStep) -> None:
        """Let a step be final."""
        self._pending = False
        self._moved(step.air, step.reservoir, self._drive.pump)
