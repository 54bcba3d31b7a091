"""The model run forward: cycling, then without a break, until the air stays too warm."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from controller.foresight.air_side import (
    BASE,
    BREAK,
    COS,
    RATE,
    ROOM,
    SLOW,
    SLOW_S,
    TODAY_LASTS_S,
    Load,
)
from controller.foresight.band import SPENT_BY_K, SPENT_FOR_S, HeldBand
from controller.foresight.bins import BIN_S
from controller.foresight.lights import Lights
from controller.foresight.room_side import day_wave
from controller.foresight.sized import OUT_OF_ROOM_K
from controller.foresight.water_side import Step, Water, WaterSide, coil_k

FARTHEST_S = 60 * 3600.0
NEARLY_UNBROKEN = 0.85
_SHORTEST_RATE_S = 300.0


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
class Surroundings:
    """What acts on the chamber in the run."""

    load: Load
    """The load as it was learned."""
    values: list[float]
    """Its coefficients in this run."""
    room: RoomAhead
    room_probe: bool
    """Whether the load was learned with a room probe."""
    band: HeldBand
    lights: Lights | None = None
    """Lights by the clock."""
    disturbance_k: Callable[[int], float] | None = None
    """Load that nobody foresaw, by step [K]."""


def run_out(start: Start, water: Water, side: WaterSide, around: Surroundings) -> End | None:
    """Return when the air begins to stay above its limit, None if not within `FARTHEST_S`."""
    for step in run_ahead(start, water, side, around):
        if step.end is not None:
            return step.end
    return None


# one straight run: three regimes share the state, and a call more in each step would be felt
def run_ahead(  # noqa: C901, PLR0912, PLR0915
    start: Start, water: Water, side: WaterSide, around: Surroundings
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
    load, values, band = around.load, around.values, around.band
    lights = around.lights
    air_c, slow_c = start.air_c, start.slow_c
    unbroken, came_back = start.unbroken, start.came_back
    warm_s = start.too_warm_for_s
    slow_share = 1.0 - math.exp(-BIN_S / SLOW_S)
    per_room, per_slow = values[ROOM], values[SLOW]
    rate_s = max(_SHORTEST_RATE_S, values[RATE])
    break_k = values[BREAK]
    offset, dry = load.offset, load.dry
    end: End | None = None
    for index in range(int(FARTHEST_S / BIN_S)):
        ahead_s = (index + 0.5) * BIN_S
        hour = start.hour + ahead_s / 3600.0
        room_c = around.room(hour, ahead_s)
        cut_in_c, cut_out_c = band.at(hour)
        middle_c = 0.5 * (cut_in_c + cut_out_c)
        base_k = (
            values[BASE]
            + sum(a * b for a, b in zip(values[COS : COS + 4], day_wave(hour), strict=True))
            + load.today_k * math.exp(-ahead_s / TODAY_LASTS_S)
        )
        if lights is not None and lights.on(hour):
            base_k += load.lights_k
        if around.disturbance_k is not None:
            base_k += around.disturbance_k(index)
        outside_c = room_c - OUT_OF_ROOM_K if around.room_probe else middle_c

        # load at an air temperature, as a line in it
        level_k = base_k + per_room * outside_c + per_slow * slow_c
        slope = per_room + per_slow

        duty = 1.0
        if not unbroken:
            held_c = middle_c + start.over_middle_k
            wanted_k = level_k - slope * held_c
            able_k = coil_k(held_c - water.water_c, offset, dry)
            duty = 2.0 if able_k <= 0.0 else max(0.0, wanted_k / able_k)
            if water.water_c > held_c - band.margin_k:
                duty = 2.0
            if duty > NEARLY_UNBROKEN:
                lower = min(1.0, (duty - NEARLY_UNBROKEN) / (1.0 - NEARLY_UNBROKEN))
                held_c += lower * (cut_out_c - held_c)
                wanted_k = level_k - slope * held_c
                able_k = coil_k(held_c - water.water_c, offset, dry)
                if able_k < wanted_k or water.water_c > held_c - band.margin_k:
                    unbroken = True
                    air_c = cut_out_c
                    duty = 1.0
                else:
                    duty = wanted_k / able_k
            if not unbroken:
                air_c = held_c
                came_back = True
        if unbroken:
            usable = water.water_c <= air_c - band.margin_k
            able_k = coil_k(air_c - water.water_c, offset, dry) if usable else 0.0
            duty = 1.0 if usable else 0.0
            # implicit in the air: its own share of load and coil brings it back
            rise_k = (level_k - slope * air_c - (break_k if usable else 0.0) - able_k) * BIN_S
            air_was_c = air_c
            air_c += rise_k / (rate_s + (slope + (1.0 if usable else 0.0)) * BIN_S)
            if air_c <= cut_out_c:
                unbroken = False
            came_back = came_back or air_c <= cut_in_c
            limit_c = cut_in_c + SPENT_BY_K
            # air that still rises above the limit will not come back by this set
            if air_c > limit_c and (came_back or rise_k > 0.0):
                over_s = BIN_S
                if air_was_c < limit_c:
                    over_s = BIN_S * (air_c - limit_c) / (air_c - air_was_c)
                warm_s += over_s
                if warm_s >= SPENT_FOR_S and end is None:
                    end = End(max(0.0, (index + 1) * BIN_S - warm_s), water.water_c)
            else:
                warm_s = 0.0
        else:
            warm_s = 0.0
        slow_c += slow_share * (air_c - slow_c)
        water = side.after(water, Step(min(1.0, duty), air_c, room_c))
        yield Ahead((index + 1) * BIN_S, air_c, slow_c, max(0.0, air_c - cut_in_c), water, end)
