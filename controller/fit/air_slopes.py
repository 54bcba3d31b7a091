"""How the model's air moves where something of the plant is moved, without another replay.

Along a replay the plant's rates are taken linear in its state, so what a small move of a figure
does to the state obeys linear equations of its own (forward sensitivities; Hairer, Nørsett and
Wanner, *Solving Ordinary Differential Equations I*, section I.14). Over a step they have constant
coefficients, and are solved exactly; all moves go through them together.

The slopes of the rates themselves are differences: the rates of a moved plant less those of the
plant, at the middle of every step at once. Only what the plant's tables round off is left out, so
the slopes are good to about a tenth (`tests/fit/test_air_slopes.py`); where a search ends does not
depend on it by more than a fraction of a standard deviation (`tests/fit/test_fitting.py`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from controller.fit.air_replay import ReplayedAir, ReplayedProbe
from controller.fit.stretches import Offsets
from controller.thermal.coil_table import cell_centre, cell_key
from controller.thermal.equations import CROP_REFERENCE_C, CROP_WARMEST_C, Equations
from controller.thermal.moist_air import (
    CP_DRY_AIR_KJ_KGK,
    CP_LIQUID_KJ_KGK,
    CP_VAPOUR_KJ_KGK,
    VAPOUR_AT_ZERO_KJ_KG,
)
from controller.thermal.specs import PlantSpec
from controller.thermal.step_tables import KNOTS_PER_K, LOWEST_KNOT_C, held_ratio_pieces

AIR, RATIO, FABRIC, CROP, PROBE = range(5)
"""Places of the state: temperatures [°C] and humidity ratio [kg/kg]."""
UNITS = np.array([1.0, 1e-3, 1.0, 1.0, 1.0])
"""Those in which the equations are solved: humidity in g/kg, so that no coefficient is huge."""
SMALL = (1e-3, 1e-6, 1e-3, 1e-3)
"""Moves of the first four by which the slopes of the rates are taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """Something moved a little: the plant it gives, the offsets and the lag, and how far it is."""

    spec: PlantSpec
    offsets: Offsets
    log_lag: float
    by: float
    """How far the unknown was moved, in its own unit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AirSlopes:
    """Slopes by each move, one column each."""

    shown: Any
    """Of the probe at each reading [K]."""
    heat_kj: Any
    """Of the heat into the water from the first reading until the end of each step [kJ]."""


class _Course:
    """The state of a replay in the middle of each step, and what drove it, as arrays."""

    def __init__(self, air: ReplayedAir, probe: ReplayedProbe) -> None:
        steps = air.steps
        before = np.array([step.before for step in steps])
        after = np.array([step.after for step in steps])
        middle = 0.5 * (before + after)
        middle[:, AIR] = [step.course.mean_c for step in steps]
        self.dt_s = np.array([step.drive.seconds for step in steps])
        self.state = tuple(middle.T)
        self.probe_c = 0.5 * (probe.ends_c[1:] + probe.ends_c[:-1])
        self.fan = np.array([step.drive.fan for step in steps], dtype=float)
        self.pump = np.array([step.drive.pump for step in steps], dtype=float)
        self.lights = np.array([step.drive.lights for step in steps], dtype=float)
        self.water_c = np.array([step.drive.water_c for step in steps])
        self.room_c = np.array([step.drive.room_c for step in steps])
        self.cooling = np.flatnonzero((self.fan > 0.0) & (self.pump > 0.0))
        keys = [
            cell_key(
                air_c=steps[i].before[AIR], ratio=steps[i].before[RATIO],
                water_c=steps[i].drive.water_c,
            )
            for i in self.cooling
        ]  # fmt: skip
        self.cells, self.cell_of = np.unique(np.array(keys, dtype=int), return_inverse=True)
        tables = air.plant.tables
        planes = []
        for key in self.cells:
            air_c, ratio, water_c = cell_centre(int(key))
            planes.append(tables.coil_cell(air_c=air_c, ratio=ratio, water_c=water_c))
        self.planes = np.array(planes).reshape(-1, 8)[self.cell_of]

    def duty(self, state: Sequence[Any], water_c: Any) -> tuple[Any, Any]:
        """Return heat [kW] and condensate [kg/s] of the coil at a state near that of each step."""
        heat, drip = np.zeros((2, len(self.dt_s)))
        at = self.cooling
        if len(at):
            h0, h_t, h_w, h_r, d0, d_t, d_w, d_r = self.planes.T
            air_c, ratio = state[AIR][at], state[RATIO][at]
            heat[at] = h0 + h_t * air_c + h_w * ratio + h_r * water_c[at]
            drip[at] = d0 + d_t * air_c + d_w * ratio + d_r * water_c[at]
        return heat, drip

    def duty_moved(self, equations: Equations, moved: Equations) -> tuple[Any, Any]:
        """Return by how much the duty changes where the coil is another one."""
        heat, drip = np.zeros((2, len(self.dt_s)))
        if moved.spec.coil == equations.spec.coil or not len(self.cooling):
            return heat, drip
        coil, other = equations.coil_at(1.0), moved.coil_at(1.0)
        changes = []
        for key in self.cells:
            air_c, ratio, water_c = cell_centre(int(key))
            duty = coil.take(air_c=air_c, ratio=ratio, water_c=water_c)
            again = other.take(air_c=air_c, ratio=ratio, water_c=water_c)
            changes.append(
                (again.total_kw - duty.total_kw, again.condensate_kg_s - duty.condensate_kg_s)
            )
        heat[self.cooling], drip[self.cooling] = np.array(changes)[self.cell_of].T
        return heat, drip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rates:
    """Rates of change of the first four places of the state, and the coil's duty."""

    state: tuple[Any, Any, Any, Any]
    to_water_kw: Any


def _ratio(pieces: Any, air_c: Any) -> Any:
    """Return the humidity ratio [kg/kg] at temperatures [°C] by straight pieces of a plant's."""
    index = ((air_c - LOWEST_KNOT_C) * KNOTS_PER_K).astype(int)
    own = pieces[np.clip(index, 0, len(pieces) - 1)]
    return own[:, 0] + own[:, 1] * air_c


class _MovedRates:
    """The rates of one plant along a course: `Equations.derivatives`, for all steps at once."""

    def __init__(self, equations: Equations, course: _Course) -> None:
        self.equations, self._course = equations, course
        self._room_share = equations.spec.room.rh
        pressure_pa = equations.pressure_pa
        # humidity ratio at which the humidifier stops, and that of saturation
        self._held = np.array(held_ratio_pieces(equations.spec.chamber.rh, pressure_pa))
        self._saturated = np.array(held_ratio_pieces(1.0, pressure_pa))

    def rates(
        self,
        state: Sequence[Any],
        *,
        water_c: Any,
        room_c: Any,
        duty_moved: tuple[Any, Any] = (0.0, 0.0),
    ) -> _Rates:
        """Return the rates at a state, with the coil's duty changed by so much."""
        eq, course = self.equations, self._course
        air_c, ratio, fabric_c, crop_c = state
        room_ratio = _ratio(self._saturated, room_c) * self._room_share
        short = _ratio(self._held, air_c) - ratio
        mist_kg_s = np.minimum(eq.humidifier_kg_s, eq.humidistat_kg_s * np.maximum(0.0, short))
        surplus = ratio - _ratio(self._saturated, air_c)
        mist_kg_s = mist_kg_s - eq.fog_kg_s * np.maximum(0.0, surplus)
        heat_kw, drip_kg_s = course.duty(state, water_c)
        heat_kw, drip_kg_s = heat_kw + duty_moved[0], drip_kg_s + duty_moved[1]
        to_fabric_kw = eq.fabric_kw_k * (air_c - fabric_c)
        to_crop_kw = eq.crop_kw_k * (air_c - crop_c)
        breath_kw = eq.crop_kw * np.exp(
            eq.crop_per_k * (np.minimum(crop_c, CROP_WARMEST_C) - CROP_REFERENCE_C)
        )
        vapour_kj_kg = VAPOUR_AT_ZERO_KJ_KG + CP_VAPOUR_KJ_KGK * air_c
        fresh_kj_kgk = CP_DRY_AIR_KJ_KGK + CP_VAPOUR_KJ_KGK * room_ratio
        air_kw = (
            (eq.envelope_kw_k + eq.exchange_kg_s * fresh_kj_kgk) * (room_c - air_c)
            - to_fabric_kw
            - to_crop_kw
            + eq.lights_kw * course.lights
            + eq.fan_kw * course.fan
            - mist_kg_s * (vapour_kj_kg - CP_LIQUID_KJ_KGK * air_c)
            - heat_kw
            + drip_kg_s * vapour_kj_kg
        )
        wet_kg_s = eq.exchange_kg_s * (room_ratio - ratio) + mist_kg_s - drip_kg_s
        return _Rates(
            state=(
                air_kw / (eq.air_kg * (CP_DRY_AIR_KJ_KGK + CP_VAPOUR_KJ_KGK * ratio)),
                wet_kg_s / eq.air_kg,
                to_fabric_kw / eq.fabric_kj_k,
                (to_crop_kw + breath_kw) / eq.crop_kj_k,
            ),
            to_water_kw=heat_kw - drip_kg_s * CP_LIQUID_KJ_KGK * water_c + eq.pump_kw * course.pump,
        )


def air_slopes(
    air: ReplayedAir,
    probe: ReplayedProbe,
    offsets: Offsets,
    log_lag: float,
    moves: Sequence[Move],
) -> AirSlopes:
    """Return how readings of the air and heat into the water move with each thing moved.

    Args:
        air: The air side as it was replayed.
        probe: What the air's probe makes of it.
        offsets: Those of the replay.
        log_lag: Logarithm of the probe's lag in it [s].
        moves: What is moved, one thing in each.
    """
    course = _Course(air, probe)
    equations = air.plant.equations
    plant = _MovedRates(equations, course)
    lag_s = float(np.exp(log_lag))
    base = plant.rates(course.state, water_c=course.water_c, room_c=course.room_c)
    by_state, water_by_state = _slopes_by_state(plant, course, base, lag_s)
    count = len(course.dt_s)
    by_move = np.zeros((count, 5, len(moves)))
    water_by_move = np.zeros((count, len(moves)))
    for column, move in enumerate(moves):
        moved = equations if move.spec == equations.spec else Equations(move.spec)
        rates = _MovedRates(moved, course).rates(
            course.state,
            water_c=course.water_c - (move.offsets.water_k - offsets.water_k),
            room_c=course.room_c - (move.offsets.room_k - offsets.room_k),
            duty_moved=course.duty_moved(equations, moved),
        )
        for row in range(4):
            by_move[:, row, column] = (rates.state[row] - base.state[row]) / move.by
        water_by_move[:, column] = (rates.to_water_kw - base.to_water_kw) / move.by
        if move.log_lag != log_lag:
            faster = np.exp(log_lag - move.log_lag) - 1.0
            by_move[:, PROBE, column] = (
                (course.state[AIR] - course.probe_c) / lag_s * faster / move.by
            )
    ends = UNITS[:, None] * _slopes_along(
        by_state * UNITS / UNITS[:, None], by_move / UNITS[:, None], course.dt_s
    )
    middles = 0.5 * (ends[1:] + ends[:-1])
    heat_kj = course.dt_s[:, None] * (
        np.einsum("ks,ksp->kp", water_by_state, middles) + water_by_move
    )
    ends_s = np.concatenate([[0.0], air.ends_s])
    index = np.clip(np.searchsorted(ends_s, air.at_s) - 1, 0, count - 1)
    share = ((air.at_s - ends_s[index]) / course.dt_s[index])[:, None]
    shown = ends[:, PROBE]
    return AirSlopes(
        shown=(1.0 - share) * shown[index] + share * shown[index + 1],
        heat_kj=np.cumsum(heat_kj, axis=0),
    )


def _slopes_by_state(
    plant: _MovedRates, course: _Course, base: _Rates, lag_s: float
) -> tuple[Any, Any]:
    """Return, step by step, how the rates and the heat into the water move with the state."""
    count = len(course.dt_s)
    by_state = np.zeros((count, 5, 5))
    water_by_state = np.zeros((count, 5))
    for place, small in enumerate(SMALL):
        state = list(course.state)
        state[place] = state[place] + small
        rates = plant.rates(state, water_c=course.water_c, room_c=course.room_c)
        for row in range(4):
            by_state[:, row, place] = (rates.state[row] - base.state[row]) / small
        water_by_state[:, place] = (rates.to_water_kw - base.to_water_kw) / small
    by_state[:, PROBE, AIR], by_state[:, PROBE, PROBE] = 1.0 / lag_s, -1.0 / lag_s
    return by_state, water_by_state


def _slopes_along(by_state: Any, by_move: Any, dt_s: Any) -> Any:
    """Return the slopes of the state at the beginning and at the end of each step.

    With constant coefficients over a step, x' = Jx + g ends at exp(J·dt)·x + dt·φ₁(J·dt)·g.
    """
    exponential, mean = _exponentials(by_state * dt_s[:, None, None])
    pushed = (dt_s[:, None, None] * mean) @ by_move
    ends = np.zeros((len(dt_s) + 1, *by_move.shape[1:]))
    present = ends[0]
    for index in range(len(dt_s)):
        present = exponential[index] @ present + pushed[index]
        ends[index + 1] = present
    return ends


def _exponentials(matrices: Any) -> tuple[Any, Any]:
    """Return exp(M) and φ₁(M) = (exp(M) - 1)/M of each matrix, by scaling and squaring."""
    largest = float(np.abs(matrices).sum(axis=2).max()) if len(matrices) else 0.0
    halvings = max(0, int(np.ceil(np.log2(max(largest, 1e-9)))) + 2)
    small = matrices / 2.0**halvings
    one = np.eye(matrices.shape[-1])
    mean = np.broadcast_to(one, matrices.shape)
    for order in range(7, 1, -1):
        mean = one + small @ mean / order
    exponential = one + small @ mean
    for _ in range(halvings):
        mean = 0.5 * mean @ (exponential + one)
        exponential = exponential @ exponential
    return exponential, mean
