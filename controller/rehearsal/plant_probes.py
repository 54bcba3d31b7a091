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

from controller.core.state import DecisionWindow
from controller.domain.temperatures import millidegrees
from controller.errors import ScenarioError
from controller.probes.samples import Fault, Sample
from controller.probes.scratchpad import judge_bytes, scratchpad_bytes
from controller.probes.sieve import Sieve
from controller.rehearsal.chamber_step import ChamberStep, outlet_course
from controller.rehearsal.gates import Gate, Gates
from controller.rehearsal.noise import Noise
from controller.rehearsal.plants import Actuators, SimulatedChamber
from controller.settings.simulation import Simulation
from controller.thermal.probe import Course, Lag, lag_along, lag_at_rest

AFTER_SWITCH_S = 30.0
"""Longest step after a switch [s]; each one after it may be twice as long as the one before."""
ROOM_EVERY_S = 120.0
"""For how long the room counts as constant [s]; it moves by some hundredths of a kelvin."""
KEPT_S = 600.0
KEPT_READINGS = 20
"""How long steps are kept, so that the readings before a switch can still be worked out."""
ROUNDING_S = 1e-6
"""Instants that are no further apart are the same [s]."""
_exp = math.exp
_NONE_DEAD: frozenset[str] = frozenset()


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
        pump_alone_s: float = math.inf,
        fan_alone_s: float = math.inf,
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
            pump_alone_s: How long the pump runs before the fan, as a rule [s]: a step ends there,
                which is then not taken back.
            fan_alone_s: How long the fan runs on after the pump, as a rule [s].
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
        share = every_s / self._tick_s
        self._ticks_a_reading = round(share) if abs(share - round(share)) < 1e-9 else 0
        self._owed: list[int] = []
        self._passed: Mapping[str, Sieve] | None = None
        self._kept_s = max(KEPT_S, KEPT_READINGS * every_s)
        self._drive = Actuators(*running(), lights_at(now), self.flow)
        self._alone_s = {
            (True, False): self._whole_ticks(pump_alone_s),
            (False, True): self._whole_ticks(fan_alone_s),
        }
        self._longest_s = AFTER_SWITCH_S
        self._switch_at = math.inf  # the next one by a timer
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
        most_noise_c = max((noise.most for noise in self._noise), default=0.0) / 16
        places_c = {
            "air": chamber.air_c,
            "reservoir": chamber.reservoir_c,
            "coil_outlet": chamber.outlet_c(self._drive),
            "room": room_at(now),
        }
        first_c = [places_c[name] for name in probes]
        still = [Lag(each_c, 0.0, 0.0, 0.0, 0.0) for each_c in first_c]
        self._step = ChamberStep(now, 0.0, (first_c, still), (chamber.air, chamber.reservoir))
        self._steps = deque([self._step])
        self._pending = False  # whether the last step may still be made shorter
        self._value_mc: dict[int, int] = {}
        self._gates = Gates(probes, most_noise_c=most_noise_c)

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
        if now >= step.ends:
            return self.chamber.air_c, self.chamber.reservoir_c
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
        gates = None if self.dead else self._gates.of(window, sieves)
        if gates is None or limit <= index + 1:
            return index + 1
        stop = self._walk(index, limit, gates)
        self._pass_over(stop, sieves)
        return stop

    def _walk(self, index: int, limit: int, gates: list[Gate]) -> int:
        """Return the first tick after *index* whose readings may lie outside, at most *limit*."""
        origin, tick_s = self._origin, self._tick_s
        limit_at = origin + limit * tick_s
        number = self._number
        while True:
            step = self._step
            ends = step.ends
            near: list[Gate] = []
            firsts_c, lasts_c, bends_c = step.first_c, step.last_c, step.bends_c
            dt_s = ends - step.begins
            for gate in gates:
                probe, lowest_c, highest_c, _, _, fastest_k_s, _ = gate
                least_c, most_c, bend_c = firsts_c[probe], lasts_c[probe], bends_c[probe]
                if least_c > most_c:
                    least_c, most_c = most_c, least_c
                least_c -= bend_c
                most_c += bend_c
                if most_c - least_c > fastest_k_s * dt_s > 0.0:
                    # the sieve might hold a sample back: it sees them all
                    passed = math.floor((step.begins - origin) / tick_s + 1e-6)
                    return min(limit, max(index, passed) + 1)
                if least_c < lowest_c or most_c > highest_c:
                    near.append(gate)
            until = min(ends, limit_at)
            if near:
                tick, number = self._near(step, near, number, until)
                if tick:
                    return min(tick, limit)
            else:
                number = max(number, self._number_at(until))
            if ends >= limit_at:
                return limit
            self._plan()

    def _near(
        self, step: ChamberStep, near: list[Gate], number: int, until: float
    ) -> tuple[int, int]:
        """Look at the readings of a step, after one of that number and up to an instant.

        Returns:
            The tick of the first that may lie outside a bound, or 0; and the last one looked at.
        """
        origin, tick_s, begins, lags = self._origin, self._tick_s, step.begins, step.lags
        whole = self._ticks_a_reading
        while True:
            tick = (number + 1) * whole if whole and number >= 0 else self._tick_of(number + 1)
            at = origin + tick * tick_s
            if at > until:
                return 0, number
            number += 1
            x = at - begins
            for gate in near:
                probe, lowest_c, highest_c, lowest_mc, highest_mc, _, _ = gate
                a, b, c, k, rate, swift, swift_rate = lags[probe]
                follow_c = a + x * (b + c * x) + k * _exp(-x * rate)
                if swift:
                    follow_c += swift * _exp(-x * swift_rate)
                if (
                    not lowest_c <= follow_c <= highest_c
                    and not lowest_mc <= self._shown_mc(probe, number, follow_c) <= highest_mc
                    and self._leaves(gate, number)
                ):
                    return tick, number

    def _leaves(self, gate: Gate, number: int) -> bool:
        """Return whether a reading outside makes a median that may lie outside its bounds."""
        outside, most = 1, gate.median_of // 2
        for before in range(number - 1, number - gate.median_of, -1):
            value_mc = self._shown_at(gate.probe, before)
            outside += not gate.lowest_mc <= value_mc <= gate.highest_mc
        return outside > most

    def _pass_over(self, stop: int, sieves: Mapping[str, Sieve]) -> None:
        """Let the sieves go on to the last reading before the tick *stop*, or the one at it."""
        newest = self._number_at(self._origin + stop * self._tick_s)
        before = newest - (self._tick_of(newest) == stop)
        first = self._number + 1
        if before < first:
            return
        self._number = before
        if before - first < self._gates.most_owed:
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
        at, kept = self._instant_of(last), self._gates.kept
        rows = [
            self._all_shown(number, self._instant_of(number))
            for number in range(last + 1 - self._gates.most_owed, last + 1)
        ]
        for probe, sieve in enumerate(self._gates.in_order):
            sieve.resume([row[probe] for row in rows[-kept[probe] :]], at)

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
        if self._ticks_a_reading and number > 0:
            return number * self._ticks_a_reading
        return max(1, math.ceil(number * self._every_s / self._tick_s - 1e-6))

    def _instant_of(self, number: int) -> float:
        return self._origin + self._tick_of(number) * self._tick_s

    def _whole_ticks(self, time_s: float) -> float:
        """Return when a time that begins with a tick is noticed to be over [s]."""
        return (
            time_s if time_s == math.inf else self._tick_s * math.ceil(time_s / self._tick_s - 1e-9)
        )

    def _take_drive(self) -> None:
        pump, fan = self._running()
        drive = self._drive
        if pump is not drive.pump or fan is not drive.fan or self.flow != drive.flow:
            self._reach(self._last_tick)
            self._cut(self._last_tick)
            self._drive = drive._replace(pump=pump, fan=fan, flow=self.flow)
            self._longest_s = AFTER_SWITCH_S
            self._switch_at = self._last_tick + self._alone_s.get((pump, fan), math.inf)

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
        outlet_c = self.chamber.outlet_c(self._drive) if "coil_outlet" in self._names else 0.0
        room_c = self._advance(begins, math.inf)
        drive, chamber = self._drive, self.chamber
        air = chamber.air
        dt_s = air.dt_s
        self._longest_s = 2.0 * dt_s
        first_c, lags_s = last.last_c, self._lags_s
        lags: list[Lag] = []
        for probe, name in enumerate(self._names):
            if name == "air":
                course = air
            elif name == "reservoir":
                course = chamber.reservoir
            elif name == "room":
                lags.append(lag_at_rest(first_c[probe], room_c, tau_s=lags_s[probe]))
                continue
            else:
                course = outlet_course(air, outlet_c, chamber.outlet_c(drive))
            lags.append(lag_along(first_c[probe], course, tau_s=lags_s[probe]))
        self._step = step = ChamberStep(begins, dt_s, (first_c, lags), (air, chamber.reservoir))
        self._pending = True
        steps, oldest = self._steps, begins - self._kept_s
        steps.append(step)
        while steps[1].begins < oldest:
            steps.popleft()

    def _advance(self, begins: float, until: float) -> float:
        """Move the chamber on by one step.

        Args:
            begins: Where it stands [s].
            until: Where the step ends at the latest [s].

        Returns:
            The room that was taken for it [°C].
        """
        lights = self._lights_at(begins)
        if lights is not self._drive.lights:
            self._drive = self._drive._replace(lights=lights)
            self._longest_s = AFTER_SWITCH_S
        longest_s = min(self.chamber.step_s, self._longest_s, until - begins)
        if begins < self._switch_at < begins + longest_s:
            longest_s = self._switch_at - begins
        room_c = self._room(begins + 0.5 * longest_s)
        self.chamber.advance(longest_s, self._drive, room_c)
        return room_c

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
        """End the last step at an instant within it.

        The chamber goes there anew, by a shorter step. What the probes showed on the way has been
        read, or may still be worked out, and stays as it is.
        """
        if not self._pending:
            return
        step = self._step
        if instant >= step.ends:
            self._settle(step)
            return
        self._pending = False
        chamber = self.chamber
        chamber.take_back()
        reached = step.begins
        if instant - reached <= ROUNDING_S:
            self._steps.pop()
            self._step = self._steps[-1]
            return
        while instant - reached > ROUNDING_S:
            self._advance(reached, instant)
            reached += chamber.air.dt_s
            self._moved(chamber.air, chamber.reservoir, self._drive.pump)
        step.end_at(instant)

    def _settle(self, step: ChamberStep) -> None:
        """Let a step be final."""
        self._pending = False
        self._moved(step.air, step.reservoir, self._drive.pump)

    def _follow_c(self, probe: int, instant: float) -> float:
        """Return a probe's own temperature at an instant that the kept steps cover [°C]."""
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

    def _samples(
        self, number: int, at: float, *, dead: AbstractSet[str]
    ) -> list[tuple[str, Sample]]:
        return [
            (name, Sample(at, None, Fault.EMPTY) if name in dead else Sample(at, value_mc))
            for name, value_mc in zip(self._names, self._all_shown(number, at), strict=True)
        ]

    def _all_shown(self, number: int, at: float) -> list[int]:
        """Return what every probe shows at a reading, from the steps that are kept [m°C].

        Args:
            number: Number of the reading.
            at: Its instant [s].
        """
        step = self._covering(at)
        if step is None:
            follow_c = self._steps[0].first_c
        else:
            x = at - step.begins
            follow_c = [lag.at(x) for lag in step.lags]
        return [self._shown_mc(probe, number, each_c) for probe, each_c in enumerate(follow_c)]

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
