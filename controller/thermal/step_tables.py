"""What the plant's step looks up instead of working out: constants and linear pieces.

Everything here follows from the spec, the kind of step and the cell in which the state lies. It is
filled in as the plant comes by, and never changes what a step returns.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

from controller.errors import PhysicsError
from controller.thermal import moist_air
from controller.thermal.coil_table import Cell, CoilTable, cell_centre, cell_key
from controller.thermal.equations import Equations, coil_at
from controller.thermal.mean_matrix import step_matrices
from controller.thermal.moist_air import (
    CP_LIQUID_KJ_KGK,
    CP_VAPOUR_KJ_KGK,
    VAPOUR_AT_ZERO_KJ_KG,
)
from controller.thermal.probe import swift_s
from controller.thermal.specs import CoilSpec

LONGEST_STRIDE_S = 120.0
STRIDE_STEPS = 12
"""The packs are booked every twelfth step, at least every two minutes."""
MOST_MODES = 256
"""Kinds of step whose constants are kept: steps of ever new lengths must not fill the memory."""
MOST_FLOWS = 16
"""Water flows whose coil table is kept."""
MOST_COILS = 16
"""Coils, each at one flow, whose tables are kept for the next plant that has the same."""
KNOTS_PER_K = 20.0
LOWEST_KNOT_C, HIGHEST_KNOT_C = -40.0, 90.0
VAPOUR_LESS_LIQUID_KJ_KGK = CP_VAPOUR_KJ_KGK - CP_LIQUID_KJ_KGK
_NO_COIL: Cell = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)

RoomTerms = tuple[float, float, float, float]
"""Humidity ratio, then conductance to the room by fresh air, by walls, by both [kW/K]."""


class StepMeans(NamedTuple):
    """What rates at the start and their drift do over a step of one length in one cell.

    Entries of `mean_matrix` for temperature T, humidity W and fabric F, per kW over the air's
    specific heat, per kg/s and per kW; ``m`` the mean by rates, ``n`` the mean by drifts, ``e`` the
    end by rates. Then what the air's swift answer looks like.
    """

    m_tt: float
    m_tw: float
    m_tf: float
    m_wt: float
    m_ww: float
    m_wf: float
    m_ft: float
    m_fw: float
    m_ff: float
    n_tt: float
    n_tw: float
    n_wt: float
    n_ww: float
    n_ft: float
    n_fw: float
    e_tt: float
    e_tw: float
    e_tf: float
    e_wt: float
    e_ww: float
    e_wf: float
    heeded_t: float
    heeded_w: float
    """Share of what the linear answer misses, of heat and of water, that the air has at the end
    [-]; the rest has gone where the air is coupled to."""
    per_s: float
    """Rate at which the air's swift answer fades [1/s]."""
    swift_s: float
    """A slope at the start that no parabola has, times this, is the size of the swift answer [s];
    0 where the step is too short to tell."""


CoolCell = tuple[Cell, StepMeans]
"""A plane of the coil's, and the means that go with it."""


class Mode(NamedTuple):
    """What is constant while step length, pump, fan, lights and flow stay as they are."""

    dt_s: float
    per_half_s: float
    fabric_kw_k: float
    fabric_k_kj: float
    crop_kw_k: float
    crop_mean_kw_k: float
    crop_per_s: float
    crop_half_k_kj: float
    crop_k_kj: float
    sources_kw: float
    lights_kj: float
    fan_kj: float
    pump_kw: float
    leak_kw_k: float
    pump_kj: float
    water_half_k_kj: float
    water_k_kj: float
    dt_air_kg: float
    stride_s: float
    exchange_kg_s: float
    crop_kw: float
    crop_per_k: float
    humidistat_kg_s: float
    humidifier_kg_s: float
    mist_band: float
    fog_check: float
    knots: tuple[tuple[float, float], ...]
    means: dict[int, StepMeans]
    cells: dict[int, CoolCell] | None


@lru_cache(MOST_COILS)
def _coil_table(coil: CoilSpec, pressure_pa: float, flow: float) -> CoilTable:
    """Return the table of a coil; plants that differ in something else fill it together."""
    return CoilTable(coil_at(coil, pressure_pa=pressure_pa, flow=flow))


@lru_cache(MOST_COILS)
def held_ratio_pieces(rh: float, pressure_pa: float) -> tuple[tuple[float, float], ...]:
    """Return the humidifier's set point against air temperature as straight pieces.

    Args:
        rh: Relative humidity at which the humidifier stops [share].
        pressure_pa: Barometric pressure [Pa].
    """
    count = round((HIGHEST_KNOT_C - LOWEST_KNOT_C) * KNOTS_PER_K)
    places = [LOWEST_KNOT_C + index / KNOTS_PER_K for index in range(count + 1)]
    ratios = [
        moist_air.humidity_ratio(air_c=place, rh=rh, pressure_pa=pressure_pa) for place in places
    ]
    pieces: list[tuple[float, float]] = []
    for index in range(count):
        slope = (ratios[index + 1] - ratios[index]) * KNOTS_PER_K
        pieces.append((ratios[index] - slope * places[index], slope))
    return tuple(pieces)


class StepTables:
    """The tables of one plant."""

    def __init__(self, equations: Equations) -> None:
        self._equations = equations
        self._coils: dict[float, CoilTable] = {}
        self._knots = held_ratio_pieces(equations.spec.chamber.rh, equations.pressure_pa)
        self.modes: dict[tuple[float, bool, bool, bool, float], Mode] = {}
        # what depends on neither lights nor pump is kept once for all of them
        self._means: dict[float, dict[int, StepMeans]] = {}
        self._cells: dict[tuple[float, float], dict[int, CoolCell]] = {}

    def coil_cell(self, *, air_c: float, ratio: float, water_c: float, flow: float = 1.0) -> Cell:
        """Return the linear piece of the coil's duty that a state lies in.

        Args:
            air_c: Air in [°C].
            ratio: Its humidity ratio [kg/kg].
            water_c: Water in [°C], 0 or more.
            flow: Share of the full flow of water.
        """
        if flow not in self._coils:
            eq = self._equations
            self._coils[flow] = _coil_table(eq.spec.coil, eq.pressure_pa, flow)
        table = self._coils[flow]
        key = cell_key(air_c=air_c, ratio=ratio, water_c=water_c)
        return table.cells.get(key) or table.fill(key)

    def rest_means(self, mode: Mode, key: int) -> StepMeans:
        """Work out, keep and return the means at rest with this key, whole °C times 3 + regime."""
        whole_c, regime = divmod(key, 3)
        means = self._means_of(mode, regime, air_c=whole_c + 0.5, ratio=0.01)
        mode.means[key] = means
        return means

    def cool_cell(self, mode: Mode, key: int, flow: float) -> CoolCell:
        """Work out, keep and return the cell with this key, the coil table's times 3 + regime."""
        table_key, regime = divmod(key, 3)
        table = self._coils[flow]
        cell = table.cells.get(table_key) or table.fill(table_key)
        air_c, ratio, _ = cell_centre(table_key)
        assert mode.cells is not None
        whole = (cell, self._means_of(mode, regime, air_c=air_c, ratio=ratio, cell=cell))
        mode.cells[key] = whole
        return whole

    def _means_of(
        self, mode: Mode, regime: int, *, air_c: float, ratio: float, cell: Cell | None = None
    ) -> StepMeans:
        """Return what the rates at the start of a step do to its mean and its end.

        Regime 0: humidifier off or full; 1: in its band; 2: fog. The state is that of the middle
        of a cell: the order of the method does not suffer, since flows are taken anew at the mean.
        """
        eq = self._equations
        held_slope = mist_slope = 0.0
        if regime == 1:
            mist_slope = eq.humidistat_kg_s
            held_slope = self._knots[int((air_c - LOWEST_KNOT_C) * KNOTS_PER_K)][1]
        elif regime == 2:
            mist_slope = eq.fog_kg_s
            held_slope = eq.saturation_slope(air_c)
        _, h_t, h_w, _, _, d_t, d_w, _ = cell or _NO_COIL
        vapour_kj_kg = VAPOUR_AT_ZERO_KJ_KG + CP_VAPOUR_KJ_KGK * air_c
        latent_kj_kg = VAPOUR_AT_ZERO_KJ_KG + VAPOUR_LESS_LIQUID_KJ_KGK * air_c
        air_kj_k = eq.air_kg * moist_air.specific_heat_kj_kgk(ratio)
        cooled_kw_k = (
            mode.fabric_kw_k + mode.crop_kw_k + eq.envelope_kw_k
            + eq.exchange_kg_s * moist_air.specific_heat_kj_kgk(ratio)
            + latent_kj_kg * mist_slope * held_slope + h_t - vapour_kj_kg * d_t
        )  # fmt: skip
        fabric_per_s = mode.fabric_kw_k / eq.fabric_kj_k
        jacobian = (
            -cooled_kw_k / air_kj_k,
            (latent_kj_kg * mist_slope - h_w + vapour_kj_kg * d_w) / air_kj_k,
            mode.fabric_kw_k / air_kj_k,
            (mist_slope * held_slope - d_t) / eq.air_kg,
            -(eq.exchange_kg_s + mist_slope + d_w) / eq.air_kg,
            0.0,
            fabric_per_s,
            0.0,
            -fabric_per_s,
        )
        e, m, n = step_matrices(jacobian, mode.dt_s)
        a, f = 1.0 / eq.air_kg, 1.0 / eq.fabric_kj_k
        per_s = -jacobian[0]
        return StepMeans(
            m[0] * a, m[1] * a, m[2] * f,
            m[3] * a, m[4] * a, m[5] * f,
            m[6] * a, m[7] * a, m[8] * f,
            n[0] * a, n[1] * a, n[3] * a, n[4] * a, n[6] * a, n[7] * a,
            e[0] * a, e[1] * a, e[2] * f, e[3] * a, e[4] * a, e[5] * f,
            e[0] / mode.dt_s, e[4] / mode.dt_s, per_s, swift_s(per_s, mode.dt_s),
        )  # fmt: skip

    def room(self, room_c: float, room_rh: float) -> RoomTerms:
        """Return what a step needs to know of a room.

        Raises:
            PhysicsError: The room lies outside -30 to 60 °C or its humidity outside 0 to 1.
        """
        eq = self._equations
        if not -30.0 <= room_c <= 60.0:
            raise PhysicsError(f"room at {room_c} °C; the plant allows -30 to 60 °C")
        room_ratio = moist_air.humidity_ratio(air_c=room_c, rh=room_rh, pressure_pa=eq.pressure_pa)
        fresh_kw_k = eq.exchange_kg_s * moist_air.specific_heat_kj_kgk(room_ratio)
        return room_ratio, fresh_kw_k, eq.envelope_kw_k, fresh_kw_k + eq.envelope_kw_k

    def mode(self, *, dt_s: float, pump: bool, fan: bool, lights: bool, flow: float) -> Mode:
        """Work out, keep and return the constants of one kind of step.

        Raises:
            PhysicsError: The length is not above 0, or the flow lies outside 0 to 2.
        """
        if not 0.0 < dt_s < math.inf:
            raise PhysicsError(f"plant step of {dt_s} s: it must be above 0 and finite")
        if not 0.0 <= flow <= 2.0:
            raise PhysicsError(f"water flow {flow} of the full flow must lie between 0 and 2")
        eq = self._equations
        half_s = 0.5 * dt_s
        cooling = pump and fan and flow > 0.0
        if cooling and flow not in self._coils:
            if len(self._coils) >= MOST_FLOWS:
                self._coils.clear()
                self._forget_modes()  # their cells belong to the coils
            self._coils[flow] = _coil_table(eq.spec.coil, eq.pressure_pa, flow)
        fan_kw = eq.fan_kw if fan else 0.0
        lights_kw = eq.lights_kw if lights else 0.0
        pump_kw = eq.pump_kw if pump else 0.0
        mode = Mode(
            dt_s=dt_s,
            per_half_s=1.0 / half_s,
            # "mean": the crop's own answer within the step, eliminated beforehand
            fabric_kw_k=eq.fabric_kw_k,
            fabric_k_kj=dt_s / eq.fabric_kj_k,
            crop_kw_k=eq.crop_kw_k,
            crop_mean_kw_k=eq.crop_kw_k / (1.0 + half_s * eq.crop_kw_k / eq.crop_kj_k),
            crop_per_s=eq.crop_kw_k / eq.crop_kj_k,
            crop_half_k_kj=half_s / eq.crop_kj_k,
            crop_k_kj=dt_s / eq.crop_kj_k,
            sources_kw=fan_kw + lights_kw,
            lights_kj=lights_kw * dt_s,
            fan_kj=fan_kw * dt_s,
            pump_kw=pump_kw,
            leak_kw_k=eq.box_kw_k + (eq.tubing_kw_k if pump else 0.0),
            pump_kj=pump_kw * dt_s,
            water_half_k_kj=half_s / eq.water_kj_k,
            water_k_kj=dt_s / eq.water_kj_k,
            dt_air_kg=dt_s / eq.air_kg,
            stride_s=min(LONGEST_STRIDE_S, STRIDE_STEPS * dt_s),
            exchange_kg_s=eq.exchange_kg_s,
            crop_kw=eq.crop_kw,
            crop_per_k=eq.crop_per_k,
            humidistat_kg_s=eq.humidistat_kg_s,
            humidifier_kg_s=eq.humidifier_kg_s,
            mist_band=eq.mist_band,
            # humidity below the humidifier's set point over this is surely below saturation
            fog_check=max(0.05, self._equations.spec.chamber.rh) - 1.0,
            knots=self._knots,
            means=self._means.setdefault(dt_s, {}),
            cells=self._cells.setdefault((dt_s, flow), {}) if cooling else None,
        )
        if len(self.modes) >= MOST_MODES:  # steps of ever new lengths must not fill the memory
            self._forget_modes()
        self.modes[dt_s, pump, fan, lights, flow] = mode
        return mode

    def _forget_modes(self) -> None:
        self.modes.clear()
        self._means.clear()
        self._cells.clear()
