"""Simulated probes on a simulated chamber: the service's sieve reads them like any others.

Readings lie on the courses of the chamber's steps. What a reading is depends on its instant and its
number alone, so readings that nobody asks for need not be worked out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from collections.abc import Set as AbstractSet

from controller.core.state import DecisionWindow
from controller.domain.temperatures import millidegrees
from controller.errors import ScenarioError
from controller.probes.samples import Fault, Sample
from controller.probes.scratchpad import judge_bytes, scratchpad_bytes
from controller.probes.sieve import Sieve
from controller.rehearsal.chamber_ahead import Around, ChamberAhead
from controller.rehearsal.chamber_step import ChamberStep
from controller.rehearsal.gates import Gate, Gates
from controller.rehearsal.noise import Noise
from controller.rehearsal.plants import SimulatedChamber
from controller.rehearsal.reading_times import ReadingTimes
from controller.settings.simulation import Simulation
from controller.thermal.probe import Course

KEPT_S = 600.0
KEPT_READINGS = 20
"""How long steps are kept, so that the readings before a switch can still be worked out."""
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
        around: Around,
        now: float,
        seed: int,
        moved: Callable[[Course, Course, bool], None] = lambda _air, _reservoir, _pump: None,
        tick_s: float | None = None,
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
            around: Room and lights.
            now: Monotonic instant of the start [s].
            seed: Seed of the noise.
            moved: Called for each step once it is final, with the courses of air and reservoir and
                whether the pump ran.
            tick_s: Time between two ticks, which then come at ``now + n·tick_s`` [s]; None: they
                come as they come.
            pump_alone_s: How long the pump runs before the fan, as a rule [s]: a step ends there,
                which is then not taken back.
            fan_alone_s: How long the fan runs on after the pump, as a rule [s].
        """
        self.dead: set[str] = set()
        """Probes that answer with nothing."""
        self._names = probes
        self._times = ReadingTimes(now, every_s=every_s, tick_s=tick_s or every_s)
        self._number = -1
        self._owed: list[int] = []
        self._passed: Mapping[str, Sieve] | None = None
        lags_s = {
            "air": simulation.air_probe_lag,
            "room": simulation.air_probe_lag,
            "reservoir": simulation.water_probe_lag,
            "coil_outlet": simulation.water_probe_lag,
        }
        self.ahead = ChamberAhead(
            chamber,
            lags_s={name: lags_s[name] for name in probes},
            running=running,
            around=around,
            now=now,
            kept_s=max(KEPT_S, KEPT_READINGS * every_s),
            alone_s={
                (True, False): self._times.whole_ticks(pump_alone_s),
                (False, True): self._times.whole_ticks(fan_alone_s),
            },
            moved=moved,
        )
        """The chamber that they measure."""
        sigma_raw = simulation.probe_noise / 1000 * 16
        self._noise = [Noise(seed, name, sigma_raw) for name in probes]
        most_noise_c = max((noise.most for noise in self._noise), default=0.0) / 16
        self._value_mc: dict[int, int] = {}
        self._gates = Gates(probes, most_noise_c=most_noise_c)

    def collect(self, now: float) -> list[tuple[str, Sample]]:
        """Return the readings that are due at *now*.

        A switch seen now happened at the tick before.
        """
        ahead = self.ahead
        ahead.follow()
        ahead.last_tick = now
        number = self._times.number_at(now)
        due = number > self._number
        if not (due or self._owed or self._passed):
            return []
        ahead.reach(now)
        newest = self._samples(number, now, dead=self.dead) if due else []
        if self._passed is not None:
            self._resume_sieves(self._passed, newest)
        samples = []
        for owed in self._owed:  # from before anything changed at this tick
            samples += self._samples(owed, self._times.instant_of(owed), dead=_NONE_DEAD)
        self._owed = []
        self._number = max(self._number, number)
        return samples + newest

    def move_on(self, now: float) -> None:
        """End the chamber's step at *now*, before something else about it changes."""
        ahead = self.ahead
        ahead.follow()
        ahead.reach(now)
        ahead.end_step(now)
        ahead.last_tick = now

    def true_c(self, now: float) -> tuple[float, float]:
        """Return the true temperatures of air and reservoir [°C] at *now*, on the way of a step."""
        self.ahead.follow()
        self.ahead.reach(now)
        return self.ahead.true_c(now)

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
        self.ahead.follow()
        gates = None if self.dead else self._gates.of(window, sieves)
        if gates is None or limit <= index + 1:
            return index + 1
        stop = self._walk(index, limit, gates)
        self._pass_over(stop, sieves)
        return stop

    def _walk(self, index: int, limit: int, gates: list[Gate]) -> int:
        """Return the first tick after *index* whose readings may lie outside, at most *limit*."""
        ahead, times = self.ahead, self._times
        origin, tick_s = times.origin, times.tick_s
        limit_at = origin + limit * tick_s
        number = self._number
        while True:
            step = ahead.step
            ends, ranges_c = step.ends, step.ranges_c
            near: list[Gate] = []
            dt_s = ends - step.begins
            for gate in gates:
                probe, lowest_c, highest_c, _, _, fastest_k_s, _ = gate
                least_c, most_c = ranges_c[probe]
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
                number = max(number, times.number_at(until))
            if ends >= limit_at:
                return limit
            ahead.go_on()

    def _near(
        self, step: ChamberStep, near: list[Gate], number: int, until: float
    ) -> tuple[int, int]:
        """Look at the readings of a step, after one of that number and up to an instant.

        Returns:
            The tick of the first that may lie outside a bound, or 0; and the last one looked at.
        """
        times, begins, lags = self._times, step.begins, step.lags
        origin, tick_s = times.origin, times.tick_s
        while True:
            tick = times.tick_of(number + 1)
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
        times = self._times
        newest = times.number_at(times.origin + stop * times.tick_s)
        before = newest - (times.tick_of(newest) == stop)
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
        plausible = [sieves[name].plausible(sample) for name, sample in newest]
        if not (plausible and all(plausible)):
            self._owed = [last]
            last -= 1
        at, kept = self._times.instant_of(last), self._gates.kept
        rows = [
            self._all_shown(number, self._times.instant_of(number))
            for number in range(last + 1 - self._gates.most_owed, last + 1)
        ]
        for probe, sieve in enumerate(self._gates.in_order):
            sieve.resume([row[probe] for row in rows[-kept[probe] :]], at)

    def forget_passed(self) -> None:
        """Let what has been passed over be no reading of anybody: the power is cut."""
        self._owed, self._passed = [], None

    def _shown_at(self, probe: int, number: int) -> int:
        """Return a reading by its number, from the steps that are kept [m°C]."""
        return self._shown_mc(
            probe, number, self.ahead.probe_c(probe, self._times.instant_of(number))
        )

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
        shown_mc = self._shown_mc
        return [
            shown_mc(probe, number, each_c) for probe, each_c in enumerate(self.ahead.probes_c(at))
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
