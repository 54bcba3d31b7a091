"""Simulated probes on a simulated chamber: the service's sieve reads them like any others."""

from __future__ import annotations

import math
from collections.abc import Callable
from random import Random

from controller.domain.temperatures import millidegrees
from controller.errors import ScenarioError
from controller.probes.protocol import Fault, Sample
from controller.probes.scratchpad import judge_bytes, scratchpad_bytes
from controller.rehearsal.plants import SimulatedChamber
from controller.settings.simulation import Simulation

ROOM_LOOK_EVERY_S = 60.0
_NOISE_LENGTH = 4099
"""Readings after which the noise repeats; a prime, so that probes do not repeat in step."""


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
        moved: Callable[[float, bool], None] = lambda _dt_s, _pump: None,
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
            moved: Told each time the chamber has moved on: by how long [s], and whether the pump
                ran.
        """
        self.chamber = chamber
        self.flow = 1.0
        self.room_c = room_at(now)
        self.dead: set[str] = set()
        """Probes that answer with nothing."""
        self._names = probes
        self._every_s = every_s
        self._running = running
        self._room_at = room_at
        self._lights_at = lights_at
        self._room_until = now
        self._at = self._last_tick = now
        self._drive = running()
        self._moved = moved
        self._read_at = self._followed_at = now
        self._lag_s = {
            "air": simulation.air_probe_lag,
            "room": simulation.air_probe_lag,
            "reservoir": simulation.water_probe_lag,
            "coil_outlet": simulation.water_probe_lag,
        }
        random = Random(seed)  # noqa: S311 - noise, not a secret
        sigma_raw = simulation.probe_noise / 1000 * 16
        self._noise = [random.gauss(0.0, sigma_raw) for _ in range(_NOISE_LENGTH)]
        self._noise_at = 0
        self._follow_c = {name: self._place_c(name) for name in probes}
        self._shares: dict[tuple[str, float], float] = {}
        self._value_mc: dict[int, int] = {}

    def collect(self, now: float) -> list[tuple[str, Sample]]:
        """Return the readings that are due at *now*.

        The chamber is moved on only for a reading or a switch: between two of them nothing that it
        is driven by changes. A switch seen now happened at the tick before.
        """
        self._take_drive()
        self._last_tick = now
        if now < self._read_at:
            return []
        self._advance_to(now)
        self._read_at += self._every_s
        gone_s = now - self._followed_at
        self._followed_at = now
        return [(name, self._sample(name, now, gone_s)) for name in self._names]

    def move_on(self, now: float) -> None:
        """Move the chamber on to *now*, before something else about it changes."""
        self._take_drive()
        self._advance_to(now)

    def _take_drive(self) -> None:
        drive = self._running()
        if drive != self._drive:
            self._advance_to(self._last_tick)
            self._drive = drive

    def _advance_to(self, instant: float) -> None:
        dt_s = instant - self._at
        if dt_s <= 0:
            return
        if instant >= self._room_until:
            self.room_c = self._room_at(instant)
            self.chamber.lights = self._lights_at(instant)
            self._room_until = instant + ROOM_LOOK_EVERY_S
        pump, fan = self._drive
        self.chamber.advance(dt_s, pump=pump, fan=fan, room_c=self.room_c, flow=self.flow)
        self._at = instant
        self._moved(dt_s, pump)

    def close(self) -> None:
        """Do nothing: no thread reads."""

    def _place_c(self, name: str) -> float:
        match name:
            case "air":
                return self.chamber.air_c
            case "reservoir":
                return self.chamber.reservoir_c
            case "coil_outlet":
                return self.chamber.outlet_c()
            case _:
                return self.room_c

    def _sample(self, name: str, now: float, gone_s: float) -> Sample:
        share = self._shares.get((name, gone_s))
        if share is None:
            lag_s = self._lag_s[name]
            share = 1.0 if lag_s <= 0 else -math.expm1(-gone_s / lag_s)
            self._shares[name, gone_s] = share
        follow_c = self._follow_c[name]
        follow_c += share * (self._place_c(name) - follow_c)
        self._follow_c[name] = follow_c
        self._noise_at = (self._noise_at + 1) % _NOISE_LENGTH
        if self.dead and name in self.dead:
            return Sample(now, None, Fault.EMPTY)
        raw = round(follow_c * 16 + self._noise[self._noise_at])
        value_mc = self._value_mc.get(raw)
        if value_mc is None:
            value_mc = self._through_the_chip(raw)
        return Sample(now, value_mc)

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
