"""The model run forward: cycling, then without a break, until the air stays too warm."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from controller.foresight.air_side import COLD_AT_K, SLOW_S, LearnedLoad, Terms, wave_terms
from controller.foresight.band import SPENT_BY_K, SPENT_FOR_S, HeldBand
from controller.foresight.bins import BIN_S
from controller.foresight.lights import Lights
from controller.foresight.sized import OUT_OF_ROOM_K
from controller.foresight.water_side import Water, WaterDrive, WaterSide, coil_k

FARTHEST_S = 60 * 3600.0
STEPS = int(FARTHEST_S / BIN_S)
NEARLY_UNBROKEN = 0.85
"""From this share of time cooling on, the mean of the air slides to cut-out [-]."""
_SHORTEST_RATE_S = 300.0
_SLOW_SHARE = 1.0 - math.exp(-BIN_S / SLOW_S)


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """How things stand now."""

    hour: float
    """Local hour now."""
    air_c: float
    slow_c: float
    """Slow mean of the air [°C]."""
    over_middle_k: float
    """Mean of the air over the middle of the band while it cycled [K]."""
    unbroken: bool
    came_back: bool
    """Whether the air has been at or below cut-in since the swap."""
    too_warm_for_s: float
    """How long the air has been above the limit by now [s]."""


@dataclass(frozen=True, slots=True)
class End:
    """When the cold has run out."""

    ahead_s: float
    """From now [s]."""
    water_c: float
    """The reservoir then [°C]."""


RoomAhead = Callable[[float, float], float]
"""Room [°C] at a local hour, so many seconds from now."""


class Ambient(NamedTuple):
    """What acts on the chamber over one step."""

    wave: tuple[float, float, float, float]
    room_c: float
    cut_in_c: float
    cut_out_c: float
    today_share: float
    """What is left of today's distance [-]."""
    lit: bool


class Outlook:
    """What will act on the chamber, step by step; made once and used by every run."""

    def __init__(
        self,
        *,
        hour: float,
        room: RoomAhead,
        band: HeldBand,
        lights: Lights | None,
        today_lasts_s: float,
        later_s: float = 0.0,
    ) -> None:
        """Begin at an instant.

        Args:
            hour: Local hour then.
            room: The room from now on.
            band: What the air is held between.
            lights: Lights by the clock.
            today_lasts_s: How long today's distance lasts [s].
            later_s: How long from now that instant is [s].
        """
        self._hour, self._room, self._band, self._lights = hour, room, band, lights
        self._lasts_s, self._later_s = today_lasts_s, later_s
        self._steps: list[Ambient] = []

    def at(self, index: int) -> Ambient:
        """Return what acts over a step."""
        while len(self._steps) <= index:
            self._steps.append(self._ambient(len(self._steps)))
        return self._steps[index]

    def _ambient(self, index: int) -> Ambient:
        ahead_s = (index + 0.5) * BIN_S
        hour = self._hour + ahead_s / 3600.0
        from_now_s = self._later_s + ahead_s
        cut_in_c, cut_out_c = self._band.at(hour)
        return Ambient(
            wave=wave_terms(hour),
            room_c=self._room(hour, from_now_s),
            cut_in_c=cut_in_c,
            cut_out_c=cut_out_c,
            today_share=math.exp(-from_now_s / self._lasts_s),
            lit=self._lights is not None and self._lights.on(hour),
        )


@dataclass(frozen=True, slots=True)
class Ahead:
    """One step of the run."""

    ahead_s: float
    """End of the step, from now [s]."""
    air_c: float
    slow_c: float
    over_k: float
    """Air above cut-in, 0 if not [K]."""
    water: Water
    end: End | None
    """Set once the air has been too warm for long enough."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunConditions:
    """What acts on the chamber in the run."""

    load: LearnedLoad
    """The load as it was learned."""
    values: Terms
    """Its coefficients in this run."""
    outlook: Outlook
    room_probe: bool
    """Whether the load was learned with a room probe."""
    margin_k: float
    """The reservoir must be this much colder than the air to be used [K]."""
    wander: Sequence[float] = ()
    """Load that nobody expected, by step, as a share of `wander_k`; empty: none."""
    wander_k: float = 0.0


def run_out(start: Start, water: Water, side: WaterSide, around: RunConditions) -> End | None:
    """Return when the air begins to stay above its limit, None if not within `FARTHEST_S`."""
    for step in run_ahead(start, water, side, around):
        if step.end is not None:
            return step.end
    return None


def run_ahead(
    start: Start, water: Water, side: WaterSide, around: RunConditions
) -> Iterator[Ahead]:
    """Yield the chamber step by step, to `FARTHEST_S`.

    Cycling, the air is held at its mean; close to a run without a break that mean slides to
    cut-out; without a break the air follows the balance of load and coil from cut-out on.

    Args:
        start: How things stand now.
        water: The reservoir now.
        side: Its equation.
        around: Load, room and band.
    """
    air = _Air(start, around)
    end: End | None = None
    outlook = around.outlook
    for index in range(STEPS):
        ambient = outlook.at(index)
        demand = air.demand(ambient, index)
        duty = None if air.unbroken else air.cycle(ambient, demand, water)
        if duty is None:
            duty = air.run_on(ambient, demand, water)
        if air.warm_s >= SPENT_FOR_S and end is None:
            end = End(max(0.0, (index + 1) * BIN_S - air.warm_s), water.water_c)
        air.slow_c += _SLOW_SHARE * (air.air_c - air.slow_c)
        water = side.after(water, WaterDrive(duty, air.air_c, ambient.room_c))
        yield Ahead(
            (index + 1) * BIN_S, air.air_c, air.slow_c, max(0.0, air.air_c - ambient.cut_in_c),
            water, end,
        )  # fmt: skip


class _Air:
    """The air in a run, and how the coil works to hold it."""

    __slots__ = ("_around", "_held_over_k", "_rate_s", "_slope", "air_c", "came_back", "slow_c",
                 "unbroken", "warm_s")  # fmt: skip

    def __init__(self, start: Start, around: RunConditions) -> None:
        values = around.values
        self._around = around
        self._held_over_k = start.over_middle_k
        self._slope = values.room + values.slow
        self._rate_s = max(_SHORTEST_RATE_S, values.rate)
        self.air_c, self.slow_c = start.air_c, start.slow_c
        self.unbroken, self.came_back = start.unbroken, start.came_back
        self.warm_s = start.too_warm_for_s

    def demand(self, ambient: Ambient, index: int) -> float:
        """Return the load of this step with the air at 0 °C; it falls along the slope [K]."""
        around = self._around
        values, load = around.values, around.load
        cos, sin, cos2, sin2 = ambient.wave
        base_k = (
            values.base
            + values.cos * cos
            + values.sin * sin
            + values.cos2 * cos2
            + values.sin2 * sin2
            + load.today_k * ambient.today_share
        )
        if ambient.lit:
            base_k += load.lights_k
        if around.wander:
            base_k += around.wander_k * around.wander[index]
        outside_c = (
            ambient.room_c - OUT_OF_ROOM_K
            if around.room_probe
            else 0.5 * (ambient.cut_in_c + ambient.cut_out_c)
        )
        return base_k + values.room * outside_c + values.slow * self.slow_c

    def cycle(self, ambient: Ambient, demand: float, water: Water) -> float | None:
        """Hold the air at its mean; return the share of time cooling, None where it is too little.

        None leaves the air at cut-out, from where it goes on without a break.
        """
        middle_c = 0.5 * (ambient.cut_in_c + ambient.cut_out_c)
        held_c = middle_c + self._held_over_k
        duty = self._duty(held_c, demand, water)
        if duty > NEARLY_UNBROKEN:
            lower = min(1.0, (duty - NEARLY_UNBROKEN) / (1.0 - NEARLY_UNBROKEN))
            held_c += lower * (ambient.cut_out_c - held_c)
            duty = self._duty(held_c, demand, water)
            if duty > 1.0:
                self.unbroken = True
                self.air_c = ambient.cut_out_c
                return None
        self.air_c = held_c
        self.came_back = True
        self.warm_s = 0.0
        return duty

    def _duty(self, held_c: float, demand: float, water: Water) -> float:
        """Return the share of time cooling that holds the air, above 1 where none does."""
        load = self._around.load
        x = held_c - water.water_c
        able_k = coil_k(x, load.offset, load.dry)
        if able_k <= 0.0 or x < self._around.margin_k:
            return 2.0
        wanted_k = demand - self._slope * held_c + self._around.values.cold * (x - COLD_AT_K)
        return max(0.0, wanted_k / able_k)

    def run_on(self, ambient: Ambient, demand: float, water: Water) -> float:
        """Let the air follow load and coil without a break; return the share of time cooling."""
        around = self._around
        load, values = around.load, around.values
        previous_c, slope = self.air_c, self._slope
        x = previous_c - water.water_c
        duty = 1.0 if x >= around.margin_k else 0.0
        able_k = 0.0
        if duty:
            able_k = coil_k(x, load.offset, load.dry) + values.unbroken
            able_k -= values.cold * (x - COLD_AT_K)
        # implicit in the air: its own share of load and coil brings it back
        rise_k = (demand - slope * previous_c - able_k) * BIN_S
        self.air_c = air_c = previous_c + rise_k / (self._rate_s + (slope + duty) * BIN_S)
        if air_c <= ambient.cut_out_c:
            self.unbroken = False
        self.came_back = self.came_back or air_c <= ambient.cut_in_c
        limit_c = ambient.cut_in_c + SPENT_BY_K
        # air that still rises above the limit will not come back by this set
        if air_c > limit_c and (self.came_back or rise_k > 0.0):
            over = (air_c - limit_c) / (air_c - previous_c) if previous_c < limit_c else 1.0
            self.warm_s += over * BIN_S
        else:
            self.warm_s = 0.0
        return duty
