"""Whether the plant's books balance: what is stored against what crossed the border."""

from __future__ import annotations

import math

from controller.thermal import moist_air
from controller.thermal.equations import Equations
from controller.thermal.plant_state import PlantState


def stored_kj(eq: Equations, state: PlantState) -> float:
    """Return the heat content of everything inside the plant's border [kJ]."""
    bath = state.bath
    return (
        eq.air_kg * moist_air.enthalpy_kj_kg(air_c=state.air_c, ratio=state.ratio)
        + eq.fabric_kj_k * state.fabric_c
        + eq.crop_kj_k * state.crop_c
        + eq.water_kj(state.reservoir_c, state.slush_kg)
        + eq.packs.held_kj(bath)
        + bath.kw_k * state.stride_ks
        - bath.kw * state.stride_s
    )


def balance_error(eq: Equations, state: PlantState) -> float:
    """Return the larger of the relative errors of the energy and the water balance [-].

    What is stored now, less what was stored at the start, less what came in, over the sum of
    all that crossed the border; over 1 kJ and 1 kg as long as nothing has.
    """
    energy, water = state.energy_in_kj, state.water_in_kg
    missing_kj = stored_kj(eq, state) - state.start_kj - math.fsum(energy)
    missing_kg = eq.air_kg * state.ratio - state.start_kg - math.fsum(water)
    crossed_kj = math.fsum(map(abs, energy)) or 1.0
    crossed_kg = math.fsum(map(abs, water)) or 1.0
    return max(abs(missing_kj) / crossed_kj, abs(missing_kg) / crossed_kg)
