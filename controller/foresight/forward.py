"""The model run forward: cycling, then without a break, until the air stays too warm."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from controller.foresight.air_side import COLD_AT_K, SLOW_S, LearnedLoad, Terms, wave_terms
from controller.foresight.band import SPENT_BY_K, SPENT_FOR_S, HeldBand
from controller.foresight.bins import BIN_S
from controller.foresight.lights import Lights
from controller.foresight.sized import OUT_OF_ROOM_K
from controller.foresight.water_side import (
    SMOOTH_K2,
    Water,
    WaterSide,
    coil_k,
    groups_melted,
)

FARTHEST_S = 60 * 3600.0
STEPS = int(FARTHEST_S / BIN_S)
FIRST_DUTY = 0.5
"""Where the share of time cooling is looked for first [-]."""
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
    over_cut_out_k: float
    """Mean of the air over cut-out while it cycles, by the share of time without cooling [K] …"""
    usually_over_k: float
    """… which is no more than this [K]."""
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


class Ahead(NamedTuple):
    """One step of a run."""

    ahead_s: float
    """End of the step, from the run's beginning [s]."""
    air_c: float
    slow_c: float
    over_k: float
    """Air above cut-in while the coil runs without a break, else 0 [K]: how far cycling air
    overshoots is a matter of chamber and timers, and no pack changes it."""
    water_c: float
    packs: tuple[float, ...]
    """The packs, as `groups_melted` takes them."""


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
    return ChamberRun(start, water, side, around).end()


class ChamberRun:
    """The chamber run forward from an instant, as far as somebody asked for."""

    def __init__(
        self,
        start: Start,
        water: Water,
        side: WaterSide,
        around: RunConditions,
        *,
        keeps_path: bool = False,
    ) -> None:
        """Begin; nothing is run yet.

        Args:
            start: How things stand.
            water: The reservoir.
            side: Its equation.
            around: Load, room and band.
            keeps_path: Whether `walked` will be asked.
        """
        self._around = around
        self._groups = water.groups
        self._water_after, self._packs = side.stepper(water)
        self._over_cut_out_k, self._usually_over_k = start.over_cut_out_k, start.usually_over_k
        self._last_duty: float | None = None
        self._state = (
            start.air_c, start.slow_c, water.water_c, start.too_warm_for_s, start.unbroken,
            start.came_back,
        )  # fmt: skip
        self._done = 0
        self._end: End | None = None
        self._path: list[Ahead] | None = [] if keeps_path else None

    def end(self) -> End | None:
        """Return when the air begins to stay above its limit, None if not within `FARTHEST_S`."""
        if self._end is None and self._done < STEPS:
            self._go_on(STEPS, to_end=True)
        return self._end

    def walked(self, for_s: float) -> list[Ahead]:
        """Return the steps, whether or not the cold runs out meanwhile.

        Args:
            for_s: No step ends later than this from the beginning [s], nor than `FARTHEST_S`.
        """
        assert self._path is not None
        steps = 0
        while steps < STEPS and (steps + 1) * BIN_S <= for_s:
            steps += 1
        if steps > self._done:
            self._go_on(steps, to_end=False)
        return self._path[:steps]

    def water_at(self, step: Ahead) -> Water:
        """Return the reservoir at the end of a step."""
        return Water(step.water_c, groups_melted(self._groups, step.packs))

    # one straight run in plain numbers: a forecast takes ten thousand of its steps
    def _go_on(self, steps: int, *, to_end: bool) -> None:  # noqa: C901, PLR0912, PLR0915
        """Run to a step, or to the one after which the cold has run out.

        Cycling, the air is held at its mean, which comes down to cut-out as the pauses get shorter;
        without a break the air follows the balance of load and coil from cut-out on.
        """
        around, path, water_after, packs = (
            self._around, self._path, self._water_after, self._packs
        )  # fmt: skip
        load, values, outlook = around.load, around.values, around.outlook
        base, room, cos, sin, cos2, sin2, rate, slow, less_unbroken, cold = values
        offset, dry, today_k, lights_k = load.offset, load.dry, load.today_k, load.lights_k
        room_probe, margin_k = around.room_probe, around.margin_k
        wander, wander_k = around.wander, around.wander_k
        over_cut_out_k, usually_over_k = self._over_cut_out_k, self._usually_over_k
        last_duty = self._last_duty
        slope = room + slow
        rate_s = max(_SHORTEST_RATE_S, rate)
        air_c, slow_c, water_c, warm_s, unbroken, came_back = self._state
        sqrt = math.sqrt

        def duty_at(held_c: float, demand: float) -> float:
            """Return the share of time cooling that holds the air, above 1 where none does."""
            x = held_c - water_c
            if x <= 0.0 or x < margin_k:
                return 2.0
            dry_k, wet_k = dry * x, x - offset
            able_k = 0.5 * (dry_k + wet_k + sqrt((dry_k - wet_k) ** 2 + SMOOTH_K2))
            wanted_k = demand - slope * held_c + cold * (x - COLD_AT_K)
            share = wanted_k / able_k
            return share if share > 0.0 else 0.0  # noqa: FURB136

        for index in range(self._done, steps):
            wave, room_c, cut_in_c, cut_out_c, today_share, lit = outlook.at(index)
            # the load of this step with the air at 0 °C; it falls along the slope
            base_k = (
                base
                + cos * wave[0]
                + sin * wave[1]
                + cos2 * wave[2]
                + sin2 * wave[3]
                + today_k * today_share
            )
            if lit:
                base_k += lights_k
            if wander:
                base_k += wander_k * wander[index]
            outside_c = room_c - OUT_OF_ROOM_K if room_probe else 0.5 * (cut_in_c + cut_out_c)
            demand = base_k + room * outside_c + slow * slow_c
            if not unbroken:
                if duty_at(cut_out_c, demand) > 1.0:
                    # too little: from cut-out on it goes without a break
                    unbroken = True
                    air_c = cut_out_c
                else:
                    # the air is held at its mean
                    if last_duty is None:
                        over_k = min(over_cut_out_k * (1.0 - FIRST_DUTY), usually_over_k)
                        last_duty = min(1.0, duty_at(cut_out_c + over_k, demand))
                    over_k = min(over_cut_out_k * (1.0 - last_duty), usually_over_k)
                    air_c = cut_out_c + over_k
                    duty = last_duty = min(1.0, duty_at(air_c, demand))
                    came_back = True
                    warm_s = 0.0
            if unbroken:
                previous_c = air_c
                x = previous_c - water_c
                duty = 1.0 if x >= margin_k else 0.0
                able_k = 0.0
                if duty:
                    able_k = coil_k(x, offset, dry) + less_unbroken
                    able_k -= cold * (x - COLD_AT_K)
                # implicit in the air: its own share of load and coil brings it back
                rise_k = (demand - slope * previous_c - able_k) * BIN_S
                air_c = previous_c + rise_k / (rate_s + (slope + duty) * BIN_S)
                if air_c <= cut_out_c:
                    unbroken = False
                came_back = came_back or air_c <= cut_in_c
                limit_c = cut_in_c + SPENT_BY_K
                # air that still rises above the limit will not come back by this set
                if air_c > limit_c and (came_back or rise_k > 0.0):
                    over = (air_c - limit_c) / (air_c - previous_c) if previous_c < limit_c else 1.0
                    warm_s += over * BIN_S
                else:
                    warm_s = 0.0
            if warm_s >= SPENT_FOR_S and self._end is None:
                self._end = End(max(0.0, (index + 1) * BIN_S - warm_s), water_c)
                if path is None:
                    return  # nobody goes on from here
            slow_c += _SLOW_SHARE * (air_c - slow_c)
            water_c = water_after(water_c, duty, air_c, room_c)
            if path is not None:
                over_k = max(0.0, air_c - cut_in_c) if unbroken else 0.0
                path.append(
                    Ahead((index + 1) * BIN_S, air_c, slow_c, over_k, water_c, tuple(packs))
                )
                if to_end and self._end is not None:
                    steps = index + 1
                    break
        self._state = air_c, slow_c, water_c, warm_s, unbroken, came_back
        self._last_duty = last_duty
        self._done = steps
