"""Days of a simulated plant under a plain thermostat, as its records would have them."""

from __future__ import annotations

import math
from random import Random

from controller.fit.stretches import Observed
from controller.foresight.swaps import Swap
from controller.thermal.plant import Plant
from controller.thermal.specs import PlantSpec

STEP_S = 5.0
LAG_S = 80.0
DAY_S = 86_400.0


def recorded_plant(
    spec: PlantSpec,
    *,
    days: float,
    begins_s: float = 0.0,
    swap_every_h: float = 10.0,
    swing_k: float = 4.0,
    cut_in_c: float = 17.0,
    cut_out_c: float = 15.5,
) -> tuple[list[Observed], list[Swap]]:
    """Return readings once a minute and at every switch, and the swaps of whole sets.

    Args:
        spec: The plant; its room is the middle of the day's wave.
        days: Length [d].
        begins_s: First instant, seconds since 1970 [s].
        swap_every_h: Time between swaps [h].
        swing_k: Half the difference of the room's day and night [K].
        cut_in_c: Thermostat.
        cut_out_c: Thermostat.
    """
    plant, random = Plant(spec), Random(7)
    middle_c = 0.5 * (spec.room.day_c + spec.room.night_c)
    state = plant.start(air_c=16.0, reservoir_c=8.0, room_c=middle_c, rh=spec.chamber.rh, packs=0)
    seen: list[Observed] = []
    swaps: list[Swap] = []
    probe_c, on, switched_s, next_swap_s = 16.0, False, -1e6, 1800.0
    for index in range(int(days * DAY_S / STEP_S)):
        t_s = index * STEP_S
        room_c = middle_c + swing_k * math.cos((t_s / 3600.0 - 16.0) * math.pi / 12.0)
        before = on
        if t_s - switched_s >= 180.0:
            if not on and probe_c >= cut_in_c and state.reservoir_c < probe_c - 2.0:
                on = True
            elif on and (probe_c <= cut_out_c or state.reservoir_c > probe_c - 2.0):
                on = False
        if on is not before:
            switched_s = t_s
        if on is not before or t_s % 60.0 < STEP_S:

            def shown(value_c: float) -> float:
                return round((value_c + random.gauss(0.0, 0.02)) * 16.0) / 16.0

            seen.append(
                Observed(
                    begins_s + t_s, shown(probe_c), shown(state.reservoir_c), shown(room_c), on, on
                )
            )
        if t_s >= next_swap_s:
            next_swap_s += swap_every_h * 3600.0
            packs = spec.packs.in_reservoir
            state = plant.swap(state, packs=packs, frozen_share=0.97, pack_c=-15.0)
            swaps.append(Swap(at_s=begins_s + t_s, packs=packs))
        state = plant.step(state, pump=on, fan=on, room_c=room_c, room_rh=spec.room.rh, dt_s=STEP_S)
        probe_c += (state.air_c - probe_c) * -math.expm1(-STEP_S / LAG_S)
    return seen, swaps
