"""Simulated probes on a simulated chamber: the service's sieve reads them like any others.

The chamber moves in steps as long as its accuracy allows, not from reading to reading: a step is
made ahead, and made again as a shorter one where something switches within it. Readings lie on the
courses of these steps. What a reading is depends on its instant and its number alone, so readings
that nobody asks for need not be worked out.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Mapping
from collections.abc import Set as AbstractSet
from typing import NamedTuple

from controller.core.state import DecisionWindow, ReadingBounds
from controller.domain.temperatures import millidegrees
from controller.errors import ScenarioError
from controller.probes.protocol import Fault, Sample
from controller.probes.scratchpad import judge_bytes, scratchpad_bytes
from controller.probes.sieve import Sieve
from controller.rehearsal.noise import Noise
from controller.rehearsal.plants import Drive, SimulatedChamber
from controller.settings.simulation import Simulation
from controller.thermal.probe import Course, Lag, lag_along, lag_at_rest

AFTER_SWITCH_S = (5.0, 10.0, 15.0, 30.0, 30.0)
"""Longest steps after a switch, one after the other [s]: the air's quick answer is over then."""
ROOM_EVERY_S = 120.0
"""For how long the room counts as constant [s]; it moves by some hundredths of a kelvin."""
KEPT_S = 600.0
KEPT_READINGS = 20
"""How long steps are kept, so that the readings before a switch can still be worked out."""
_NONE_DEAD: frozenset[str] = frozenset()
_ROUNDING_C = 0.002
"""Slack for what lies on whole millidegrees [K]."""
_EDGE_C = 1.0 / 32.0
"""Half a step of the probe [K]."""


class _Step:
    """One step of the chamber and what each probe does along it, probes in their order."""

    __slots__ = ("air", "begins", "bends_c", "ends", "first_c", "lags", "last_c", "reservoir")

    def __init__(
        self,
        begins: float,
        dt_s: float,
        probes: tuple[list[float], list[Lag]],
        courses: tuple[Course, Course],
    ) -> None:
        first_c, lags = probes
        air, reservoir = courses
        ends = begins + dt_s
        self.begins = begins
        self.ends = ends
        self.air = air
        self.reservoir = reservoir
        self.lags = lags
        self.first_c = first_c
        self.last_c: list[float] = []
        self.bends_c: list[float] = []
        self.end_at(ends)

    def end_at(self, instant: float) -> None:
        """Let the step end at an instant."""
        self.ends = instant
        at_s = instant - self.begins
        self.last_c = [lag.at(at_s) for lag in self.lags]
        self.bends_c = [lag.bend_c(at_s) for lag in self.lags]


class _Gate(NamedTuple):
    """Between which bounds the samples of one probe change no decision."""

    probe: int
    lowest_c: float
    """While the probe itself is at or above this, no noise brings a sample below its bound."""
    highest_c: float
    lowest_mc: float
    highest_mc: float
    fastest_k_s: float
    """Course that the sieve surely takes for a true one."""
    median_of: int


class PlantProbes:
    """Moves the chamber on to the instant of the tick, then reads its probes.

    Every probe follows its place with a first-order lag, adds noise, and answers in steps of
    1/16 K through the same nine bytes that a chip would give.
    """

    def __init__(
        self,
        chamber: SimulatedChamber,
        *,
        probes: tuple[str, ...],
        simulation: Simulation,
        every_s: float,
        running: Callable[[], tuple[bool, bool]],
        room_at: Callable[[float], float],
        now: float,
        seed: int,
        lights_at: Callable[[float], bool] = lambda _instant: False,
        moved: Callable[[Course, Course, bool], None] = lambda _air, _reservoir, _pump: None,
        tick_s: float | None = None,
        ratio_at: Callable[[float], float | None] = lambda _instant: None,
    ) -> None:
        """Begin with every probe at the temperature of its place.

        Args:
            chamber: What is measured.
            probes: Names of the probes that are fitted.
            simulation: Lags and noise.
            every_s: Time between two readings [s].
            running: Says whether pump and fan really run.
            room_at: Room temperature [°C] at a monotonic instant [s].
            now: Monotonic instant of the start [s].
            seed: Seed of the noise.
            lights_at: Whether the lights are on at a monotonic instant [s].
            moved: Called for each step once it is final, with the courses of air and reservoir and
                whether the pump ran.
            tick_s: Time between two ticks, which then come at ``now + n·tick_s`` [s]; None: they
                come as they come.
            ratio_at: Humidity ratio of the room's air [kg/kg] at a monotonic instant [s]; None: as
                the plant says.
        """
        self.chamber = chamber
        self.flow = 1.0
        self.dead: set[str] = set()
        """Probes that answer with nothing."""
        self._names = probes
        self._every_s = every_s
        self._running = running
        self._room_at = room_at
        self._lights_at = lights_at
        self._ratio_at = ratio_at
        self._moved = moved
        self._origin = self._last_tick = now
        self._tick_s = tick_s or every_s
        self._number = -1
        self._owed: list[int] = []
        self._passed: Mapping[str, Sieve] | None = None
        self._kept_s = max(KEPT_S, KEPT_READINGS * every_s)
        self._drive = Drive(*running(), lights_at(now), self.flow)
        self._rung = 0
        self._room_number, self._room_c = -1, math.nan
        lags_s = {
            "air": simulation.air_probe_lag,
            "room": simulation.air_probe_lag,
            "reservoir": simulation.water_probe_lag,
            "coil_outlet": simulation.water_probe_lag,
        }
        self._lags_s = [lags_s[name] for name in probes]
        sigma_raw = simulation.probe_noise / 1000 * 16
        self._noise = [Noise(seed, name, sigma_raw) for name in probes]
        self._most_noise_c = max((noise.most for noise in self._noise), default=0.0) / 16
        places_c = {
            "air": chamber.air_c,
            "reservoir": chamber.reservoir_c,
            "coil_outlet": chamber.outlet_c(self._drive),
            "room": room_at(now),
        }
        first_c = [places_c[name] for name in probes]
        still = [Lag(each_c, 0.0, 0.0, 0.0, 0.0) for each_c in first_c]
        self._step = _Step(now, 0.0, (first_c, still), (chamber.air, chamber.reservoir))
        self._steps = deque([self._step])
        self._pending = False  # whether the last step may still be made shorter
        self._value_mc: dict[int, int] = {}
        self._gates: list[_Gate] | None = None
        self._gates_of: DecisionWindow | None = None

    def collect(self, now: float) -> list[tuple[str, Sample]]:
        """Return the readings that are due at *now*.

        A switch seen now happened at the tick before.
        """
        self._take_drive()
        self._last_tick = now
        number = self._number_at(now)
        due = number > self._number
        if not (due or self._owed or self._passed):
            return []
        self._reach(now)
        newest = self._samples(number, now, dead=self.dead) if due else []
        if self._passed is not None:
            self._resume_sieves(self._passed, newest)
        samples = []
        for owed in self._owed:  # from before anything changed at this tick
            samples += self._samples(owed, self._instant_of(owed), dead=_NONE_DEAD)
        self._owed = []
        self._number = max(self._number, number)
        return samples + newest

    def move_on(self, now: float) -> None:
        """End the chamber's step at *now*, before something else about it changes."""
        self._take_drive()
        self._reach(now)
        self._cut(now)
        self._last_tick = now

    def true_c(self, now: float) -> tuple[float, float]:
        """Return the true temperatures of air and reservoir [°C] at *now*, on the way of a step."""
        self._take_drive()
        self._reach(now)
        step = self._step
        at_s = now - step.begins
        return step.air.at(at_s), step.reservoir.at(at_s)

    def close(self) -> None:
        """Do nothing: no thread reads."""

    def quiet_until(
        self, index: int, limit: int, window: DecisionWindow, sieves: Mapping[str, Sieve]
    ) -> int:
        """Return the first tick at which a reading may lie outside a window, at most *limit*.

        The readings until then are passed over: they are worked out only where noise could carry
        one across a bound, and the sieves go on as if they had taken them all.

        Args:
            index: The tick that has just been turned.
            limit: The tick that will be turned in any case, after *index*.
            window: Within which the decision of that tick stands.
            sieves: What judges the samples, by the name of the probe.
        """
        self._take_drive()
        gates = self._gates_for(window, sieves)
        if gates is None or limit <= index + 1:
            return index + 1
        stop = self._walk(index, limit, gates)
        self._pass_over(stop, sieves)
        return stop

    def _gates_for(self, window: DecisionWindow, sieves: Mapping[str, Sieve]) -> list[_Gate] | None:
        """Return the gates of a window; None where some probe cannot be passed over."""
        if self.dead:
            return None
        for sieve in sieves.values():
            if not sieve.settled:
                return None
        if window is self._gates_of:
            return self._gates
        self._gates_of, self._gates = window, None
        spans: dict[str, ReadingBounds | None] = {
            "air": window.air,
            "reservoir": window.reservoir,
            "room": window.room,
            "coil_outlet": window.coil_outlet,
        }
        margin_c = self._most_noise_c + _EDGE_C + _ROUNDING_C
        gates: list[_Gate] = []
        for probe, name in enumerate(self._names):
            span, rules = spans[name], sieves[name].rules
            if span is None or 2.0 * margin_c > rules.free_jump_mk / 1000:
                return None
            lowest_mc = max(span.lowest_mc - rules.offset_mk, rules.lowest_mc)
            highest_mc = min(span.highest_mc - rules.offset_mk, rules.highest_mc)
            gates.append(
                _Gate(
                    probe,
                    lowest_mc / 1000 + margin_c,
                    highest_mc / 1000 - margin_c,
                    lowest_mc,
                    highest_mc,
                    rules.fastest_mk_per_s / 1000,
                    rules.median_of,
                )
            )
        self._gates = gates
        return gates

    def _walk(self, index: int, limit: int, gates: list[_Gate]) -> int:
        """Return the first tick after *index* whose readings may lie outside, at most *limit*."""
        origin, tick_s = self._origin, self._tick_s
        limit_at = origin + limit * tick_s
        number = self._number
        while True:
            step = self._step
            near: list[_Gate] = []
            dt_s = step.ends - step.begins
            for gate in gates:
                probe = gate.probe
                first_c, last_c = step.first_c[probe], step.last_c[probe]
                least_c, most_c = (first_c, last_c) if first_c < last_c else (last_c, first_c)
                bend_c = step.bends_c[probe]
                if most_c - least_c + 2.0 * bend_c > gate.fastest_k_s * dt_s > 0.0:
                    # the sieve might hold a sample back: it sees them all
                    passed = math.floor((step.begins - origin) / tick_s + 1e-6)
                    return min(limit, max(index, passed) + 1)
                if least_c - bend_c < gate.lowest_c or most_c + bend_c > gate.highest_c:
                    near.append(gate)
            until = min(step.ends, limit_at)
            if near:
                while True:
                    tick = self._tick_of(number + 1)
                    at = origin + tick * tick_s
                    if at > until or tick >= limit:
                        break
                    number += 1
                    for gate in near:
                        if self._leaves(gate, number, at):
                            return tick
            else:
                number = max(number, self._number_at(until))
            if step.ends >= limit_at:
                return limit
            self._plan()

    def _leaves(self, gate: _Gate, number: int, at: float) -> bool:
        """Return whether the median that a reading makes may lie outside its bounds."""
        follow_c = self._follow_c(gate.probe, at)
        if gate.lowest_c <= follow_c <= gate.highest_c:
            return False
        value_mc = self._shown_mc(gate.probe, number, follow_c)
        if gate.lowest_mc <= value_mc <= gate.highest_mc:
            return False
        outside = 1
        for before in range(number - 1, number - gate.median_of, -1):
            follow_c = self._follow_c(gate.probe, self._instant_of(before))
            value_mc = self._shown_mc(gate.probe, before, follow_c)
            outside += not gate.lowest_mc <= value_mc <= gate.highest_mc
        return outside > gate.median_of // 2

    def _pass_over(self, stop: int, sieves: Mapping[str, Sieve]) -> None:
        """Let the sieves go on to the last reading before the tick *stop*, or the one at it."""
        newest = self._number_at(self._origin + stop * self._tick_s)
        before = newest - (self._tick_of(newest) == stop)
        first = self._number + 1
        if before < first:
            return
        self._number = before
        if before - first < max(1, *(sieve.rules.median_of - 1 for sieve in sieves.values())):
            self._owed = list(range(first, before + 1))
        else:
            self._passed = sieves

    def _resume_sieves(self, sieves: Mapping[str, Sieve], newest: list[tuple[str, Sample]]) -> None:
        """Let the sieves go on behind the readings that were passed over.

        The median that the next sample makes must be whole. Where none is due or one will be
        refused, that sample is the last of those passed over.

        Args:
            sieves: What judges the samples, by the name of the probe.
            newest: The samples that are due now.
        """
        self._passed = None
        last = self._number
        if not newest or any(
            sample.value_mc is None or not rules.lowest_mc <= sample.value_mc <= rules.highest_mc
            for name, sample in newest
            for rules in (sieves[name].rules,)
        ):
            self._owed = [last]
            last -= 1
        for probe, name in enumerate(self._names):
            sieve = sieves[name]
            first = last + 1 - max(1, sieve.rules.median_of - 1)
            values_mc = [self._shown_at(probe, number) for number in range(first, last + 1)]
            sieve.resume(values_mc, self._instant_of(last))

    def forget_passed(self) -> None:
        """Let what has been passed over be no reading of anybody: the power is cut."""
        self._owed, self._passed = [], None

    def _shown_at(self, probe: int, number: int) -> int:
        """Return a reading by its number, from the steps that are kept [m°C]."""
        return self._shown_mc(probe, number, self._follow_c(probe, self._instant_of(number)))

    def _number_at(self, now: float) -> int:
        """Return the number of the newest reading that is due."""
        return int((now - self._origin) / self._every_s + 1e-6)

    def _tick_of(self, number: int) -> int:
        """Return the tick at which a reading is taken."""
        return max(1, math.ceil(number * self._every_s / self._tick_s - 1e-6))

    def _instant_of(self, number: int) -> float:
        return self._origin + self._tick_of(number) * self._tick_s

    def _take_drive(self) -> None:
        pump, fan = self._running()
        drive = self._drive
        if pump is not drive.pump or fan is not drive.fan or self.flow != drive.flow:
            self._reach(self._last_tick)
            self._cut(self._last_tick)
            self._drive = drive._replace(pump=pump, fan=fan, flow=self.flow)
            self._rung = 0

    def _reach(self, instant: float) -> None:
        """Make steps until one reaches an instant."""
        while self._step.ends < instant:
            self._plan()

    def _plan(self) -> None:
        """Make the next step, ahead of time."""
        last = self._step
        if self._pending:
            self._settle(last)
        begins = last.ends
        lights = self._lights_at(begins)
        drive, chamber = self._drive, self.chamber
        if lights is not drive.lights:
            drive = self._drive = drive._replace(lights=lights)
            self._rung = 0
        dt_s = chamber.step_s
        if self._rung < len(AFTER_SWITCH_S):
            dt_s = min(dt_s, AFTER_SWITCH_S[self._rung])
            self._rung += 1
        room_c = self._room(begins + 0.5 * dt_s)
        watched = "coil_outlet" in self._names
        outlet_c = chamber.outlet_c(drive) if watched else 0.0
        chamber.advance(dt_s, drive, room_c)
        lags: list[Lag] = []
        first_c = last.last_c
        for probe, name in enumerate(self._names):
            if name == "air":
                course = chamber.air
            elif name == "reservoir":
                course = chamber.reservoir
            elif name == "room":
                lags.append(lag_at_rest(first_c[probe], room_c, tau_s=self._lags_s[probe]))
                continue
            else:
                after_c = chamber.outlet_c(drive)
                course = Course(dt_s, outlet_c, 0.5 * (outlet_c + after_c), after_c)
            lags.append(lag_along(first_c[probe], course, tau_s=self._lags_s[probe]))
        self._step = _Step(begins, dt_s, (first_c, lags), (chamber.air, chamber.reservoir))
        self._steps.append(self._step)
        self._pending = True

    def _room(self, instant: float) -> float:
        """Return the room [°C], the same for `ROOM_EVERY_S`."""
        number = int((instant - self._origin) / ROOM_EVERY_S)
        if number != self._room_number:
            self._room_number = number
            middle = self._origin + (number + 0.5) * ROOM_EVERY_S
            self._room_c = self._room_at(middle)
            self.chamber.take_room_air(self._room_c, self._ratio_at(middle))
        return self._room_c

    def _cut(self, instant: float) -> None:
        """End the last step at an instant within it."""
        if not self._pending:
            return
        step = self._step
        if instant < step.ends:
            dt_s = instant - step.begins
            self.chamber.shorten(dt_s)
            if dt_s <= 0.0:
                self._steps.pop()
                self._step = self._steps[-1]
                self._pending = False
                return
            step.air, step.reservoir = self.chamber.air, self.chamber.reservoir
            step.end_at(instant)
        self._settle(step)

    def _settle(self, step: _Step) -> None:
        """Let a step be final."""
        self._pending = False
        self._moved(step.air, step.reservoir, self._drive.pump)
        steps, oldest = self._steps, step.ends - self._kept_s
        while len(steps) > 1 and steps[1].begins < oldest:
            steps.popleft()

    def _follow_c(self, probe: int, instant: float) -> float:
        """Return a probe's own temperature at an instant that the kept steps cover [°C]."""
        for step in reversed(self._steps):
            if step.begins < instant:
                return step.lags[probe].at(instant - step.begins)
        return self._steps[0].first_c[probe]

    def _samples(
        self, number: int, at: float, *, dead: AbstractSet[str]
    ) -> list[tuple[str, Sample]]:
        return [
            (
                name,
                Sample(at, None, Fault.EMPTY)
                if name in dead
                else Sample(at, self._shown_mc(probe, number, self._follow_c(probe, at))),
            )
            for probe, name in enumerate(self._names)
        ]

    def _shown_mc(self, probe: int, number: int, follow_c: float) -> int:
        raw = round(follow_c * 16 + self._noise[probe].at(number))
        value_mc = self._value_mc.get(raw)
        return self._through_the_chip(raw) if value_mc is None else value_mc

    def _through_the_chip(self, raw: int) -> int:
        """Return what the sieve's own reading of a chip's nine bytes makes of *raw* sixteenths."""
        judged = judge_bytes(scratchpad_bytes(millidegrees(raw / 16)))
        if judged.value_mc is None:
            raise ScenarioError(
                f"the simulated chamber reached {raw / 16:.1f} °C, which no probe can show "
                f"({judged.fault}); check the plant's figures"
            )
        self._value_mc[raw] = judged.value_mc
        return judged.value_mc
