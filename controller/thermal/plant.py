"""The whole plant, stepped fast: chamber air, humidity, fabric, crop, coil, reservoir and packs.

The equations are those of `equations.Equations.derivatives`. The method takes every flow at the
mean state over the step: the exact mean of the linearised equations for air and humidity, which
answer within seconds, an implicit midpoint for everything slower. It is of second order. Every flow
enters both of its sides with the same number, so energy and water balances close to rounding
however long the step. ``equations.md`` has it all.
"""

from __future__ import annotations

import math

from controller.errors import PhysicsError
from controller.thermal import moist_air
from controller.thermal.balance import balance_error, stored_kj
from controller.thermal.bath import Bath
from controller.thermal.equations import (
    CROP_REFERENCE_C,
    CROP_WARMEST_C,
    Drive,
    Equations,
)
from controller.thermal.moist_air import (
    CP_DRY_AIR_KJ_KGK,
    CP_LIQUID_KJ_KGK,
    CP_VAPOUR_KJ_KGK,
    VAPOUR_AT_ZERO_KJ_KG,
)
from controller.thermal.packs import melted_share
from controller.thermal.packs import pack_c as pack_temperature_c
from controller.thermal.specs import (
    ChamberSpec,
    CoilSpec,
    FineSpec,
    PackSpec,
    PlantSpec,
    ReservoirSpec,
    RoomSpec,
    SiteSpec,
)
from controller.thermal.state import PackView, PlantState
from controller.thermal.step_tables import (
    KNOTS_PER_K,
    LONGEST_STRIDE_S,
    LOWEST_KNOT_C,
    VAPOUR_LESS_LIQUID_KJ_KGK,
    StepTables,
)

__all__ = [
    "ChamberSpec",
    "CoilSpec",
    "Drive",
    "FineSpec",
    "PackSpec",
    "PackView",
    "Plant",
    "PlantSpec",
    "PlantState",
    "ReservoirSpec",
    "RoomSpec",
    "SiteSpec",
]

_new_tuple = tuple.__new__
_exp = math.exp

LONGEST_STEP_S = 60.0
"""A longer step is cut into equal parts no longer than this [s]."""
COOLING_STEP = 0.7
"""While cooling, no step in which the air moves is longer than this share of the time in which the
fan moves the chamber's air once through the coil [-]: the coil's own slopes are taken where the
step begins, and longer steps swing about a small chamber's balance instead of reaching it."""
MIST_STEP = 1.0
"""No step in which the humidifier reaches an end of its band or leaves one is longer than it needs
to cross its band this many times [-]: with a strong one in a small chamber longer steps swing
between all and nothing, with the air's temperature."""
QUIET_RISE_K, QUIET_COOLING_K = 0.1, 0.02
"""The air's mean over such a longer step lies no further than this from where it begins [K], at
rest and while cooling."""
_FIRST_STRIDE_S = LONGEST_STRIDE_S


class Plant:
    """One plant.

    What it keeps between calls are tables that depend on the spec alone, and the last room asked
    for; the same state and drive always give the same next state.

    Args:
        spec: What the plant is made of.
    """

    def __init__(self, spec: PlantSpec) -> None:
        self.spec = spec
        self.equations = Equations(spec)
        self._tables = StepTables(self.equations)
        eq = self.equations
        band_s = math.inf
        if eq.humidifier_kg_s > 0.0:
            band_s = eq.air_kg * eq.mist_band / eq.humidifier_kg_s
        self._mist_step_s = MIST_STEP * band_s
        self._cooling_step_s = min(self._mist_step_s, COOLING_STEP * eq.air_kg / spec.coil.air_kg_s)
        self._room = (math.nan, math.nan, 0.0, 0.0, 0.0, 0.0)

    def start(
        self,
        *,
        air_c: float,
        reservoir_c: float,
        room_c: float,
        rh: float,
        packs: int | None = None,
        frozen_share: float = 1.0,
        pack_c: float | None = None,
    ) -> PlantState:
        """Return a plant at rest: fabric and crop at the temperature of the air.

        Args:
            air_c: Chamber air [°C], -15 to 60.
            reservoir_c: Reservoir water [°C], 0 to 60.
            room_c: Room air [°C], checked only: the plant is told the room at each step.
            rh: Relative humidity of the chamber [share].
            packs: Packs in the reservoir; None: as many as the spec says.
            frozen_share: Share of each pack that is frozen, 0 to 1.
            pack_c: Temperature of the packs [°C]; None: their plateau if frozen, else the water's.

        Raises:
            PhysicsError: A figure outside its range.
        """
        for name, value, lowest, highest in (
            ("air_c", air_c, -15.0, 60.0),
            ("reservoir_c", reservoir_c, 0.0, 60.0),
            ("room_c", room_c, -30.0, 60.0),
        ):
            if not lowest <= value <= highest:
                raise PhysicsError(
                    f"plant start: {name} is {value} °C; it must lie between {lowest} and"
                    f" {highest} °C"
                )
        eq = self.equations
        if pack_c is None:
            pack_c = eq.packs.fill.plateau_c if frozen_share > 0.0 else reservoir_c
        group = eq.packs.group(
            packs=self.spec.packs.in_reservoir if packs is None else packs,
            frozen_share=frozen_share,
            pack_c=pack_c,
        )
        ratio = moist_air.humidity_ratio(air_c=air_c, rh=rh, pressure_pa=eq.pressure_pa)
        state = PlantState(
            t_s=0.0, air_c=air_c, ratio=ratio, fabric_c=air_c, crop_c=air_c,
            reservoir_c=reservoir_c, slush_kg=0.0, stride_s=0.0, stride_ks=0.0,
            envelope_kj=0.0, exchange_kj=0.0, exchange_kg=0.0, lights_kj=0.0, fans_kj=0.0,
            crop_kj=0.0, mist_kg=0.0, mist_kj=0.0, pump_kj=0.0, leak_kj=0.0, coil_kj=0.0,
            condensate_kg=0.0, drain_kj=0.0, bath=Bath(groups=(group,) if group.packs else ()),
            start_kj=0.0, start_kg=eq.air_kg * ratio,
            air_mean_c=air_c, reservoir_mean_c=reservoir_c,
        )  # fmt: skip
        state = self.settled(state)
        return state._replace(start_kj=self.stored_kj(state))

    # one straight run, because a call more would cost a tenth of the step
    def step(  # noqa: C901, PLR0912, PLR0915
        self,
        state: PlantState,
        *,
        pump: bool,
        fan: bool,
        room_c: float,
        room_rh: float,
        dt_s: float,
        flow: float = 1.0,
        lights: bool = False,
    ) -> PlantState:
        """Return the plant *dt_s* later, everything outside held constant over the step.

        Args:
            state: The plant now.
            pump: Pump on.
            fan: Coil fan on.
            room_c: Room air [°C], -30 to 60.
            room_rh: Room relative humidity [share].
            dt_s: Length of the step [s], above 0; over `LONGEST_STEP_S` it is cut, and sooner where
                coil or humidifier are strong for the chamber.
            flow: Share of the full flow that moves while the pump runs; 0: lost prime.
            lights: Lights on.

        Raises:
            PhysicsError: A figure outside its range, or the plant left the range of the formulas.
        """
        tables = self._tables
        mode = tables.modes.get((dt_s, pump, fan, lights, flow))
        if mode is None:
            if LONGEST_STEP_S < dt_s < math.inf:
                return self._in_parts(
                    state, LONGEST_STEP_S, pump=pump, fan=fan, room_c=room_c, room_rh=room_rh,
                    dt_s=dt_s, flow=flow, lights=lights,
                )  # fmt: skip
            mode = tables.mode(dt_s=dt_s, pump=pump, fan=fan, lights=lights, flow=flow)
        known_c, known_rh, room_ratio, fresh_kw_k, envelope_kw_k, around_kw_k = self._room
        if room_c != known_c or room_rh != known_rh:
            terms = tables.room(room_c, room_rh)
            self._room = (room_c, room_rh, *terms)
            room_ratio, fresh_kw_k, envelope_kw_k, around_kw_k = terms
        (
            dt, per_half_s, fabric_kw_k, fabric_mean_kw_k, fabric_per_s, fabric_k_kj, crop_kw_k,
            crop_mean_kw_k, crop_per_s, crop_half_k_kj, crop_k_kj, sources_kw, lights_step_kj,
            fan_step_kj, pump_kw, leak_kw_k, pump_step_kj, water_half_k_kj, water_k_kj, dt_air_kg,
            next_stride_s, exchange_kg_s, full_kw, per_k, humidistat_kg_s, humidifier_kg_s,
            mist_band, fog_check, knots, means, cells,
        ) = mode  # fmt: skip
        (
            t_s, air_c, ratio, fabric_c, crop_c, water_c, slush_kg, stride_s, stride_ks,
            envelope_kj, exchange_kj, exchange_kg, lights_kj, fans_kj, crop_kj, mist_kg, mist_kj,
            pump_kj, leak_kj, coil_kj, condensate_kg, drain_kj, bath, start_kj, start_kg,
            _, _,
        ) = state  # fmt: skip
        bath_kw_k = bath.kw_k
        bath_kw = bath.kw

        # rates at the start of the step
        latent_kj_kg = VAPOUR_AT_ZERO_KJ_KG + VAPOUR_LESS_LIQUID_KJ_KGK * air_c
        if crop_c < CROP_WARMEST_C:
            breath_kw = full_kw * _exp(per_k * (crop_c - CROP_REFERENCE_C))
        else:
            breath_kw = full_kw * _exp(per_k * (CROP_WARMEST_C - CROP_REFERENCE_C))
            per_k = 0.0
        try:
            held_zero, held_slope = knots[int((air_c - LOWEST_KNOT_C) * KNOTS_PER_K)]
        except (IndexError, ValueError) as error:
            raise PhysicsError(
                f"chamber air at {air_c} °C is outside the range of the formulas; is a heat source"
                " far too strong for the chamber?"
            ) from error
        short = held_zero + held_slope * air_c - ratio
        mist_kg_s = mist_slope = 0.0
        regime = 0
        if short > 0.0:
            mist_kg_s = humidistat_kg_s * short
            if mist_kg_s < humidifier_kg_s:
                mist_slope, regime = humidistat_kg_s, 1
            else:
                mist_kg_s = humidifier_kg_s
        elif short < fog_check * ratio:
            mist_kg_s, held_slope, mist_slope = self._fog(air_c, ratio)
            regime = 2 if mist_kg_s else 0
        to_fabric_kw = fabric_kw_k * (air_c - fabric_c)
        to_crop_kw = crop_kw_k * (air_c - crop_c)
        air_kw = (
            around_kw_k * (room_c - air_c)
            + sources_kw
            - to_fabric_kw
            - to_crop_kw
            - latent_kj_kg * mist_kg_s
        )
        drift_kw_s = fabric_per_s * to_fabric_kw + crop_per_s * (to_crop_kw + breath_kw)
        wet_kg_s = exchange_kg_s * (room_ratio - ratio) + mist_kg_s
        water_kw = pump_kw + leak_kw_k * (room_c - water_c) + bath_kw - bath_kw_k * water_c

        per_kj_k = 1.0 / (CP_DRY_AIR_KJ_KGK + CP_VAPOUR_KJ_KGK * ratio)

        # mean state over the step: rates at the start and their drift, weighted by matrices
        # that are kept per cell of the state
        sure_s, quiet_k = self._mist_step_s, QUIET_RISE_K
        if cells is None or water_c < 0.0:
            heat_kw = drip_kg_s = 0.0
            key = int(air_c) * 3 + regime
            m_tt, m_tw, m_wt, m_ww, n_tt, _, n_wt, _ = means.get(key) or tables.rest_means(
                mode, key
            )
            air_kw *= per_kj_k
            drift_kw_s *= per_kj_k
            air_rise_k = m_tt * air_kw + m_tw * wet_kg_s + n_tt * drift_kw_s
            ratio_rise = m_wt * air_kw + m_ww * wet_kg_s + n_wt * drift_kw_s
            water_mean_c = water_c + water_half_k_kj * water_kw / (
                1.0 + water_half_k_kj * (leak_kw_k + bath_kw_k)
            )
        else:
            sure_s, quiet_k = self._cooling_step_s, QUIET_COOLING_K
            key = (
                (int((air_c + 20.0) * 2.0) * 1024 + int(ratio * 4000.0)) * 512 + int(water_c * 4.0)
            ) * 3 + regime
            (
                h0, h_t, h_w, h_r, d0, d_t, d_w, d_r,
                m_tt, m_tw, m_wt, m_ww, n_tt, n_tw, n_wt, n_ww,
            ) = cells.get(key) or tables.cool_cell(mode, key, flow)  # fmt: skip
            heat_kw = h0 + h_t * air_c + h_w * ratio + h_r * water_c
            drip_kg_s = d0 + d_t * air_c + d_w * ratio + d_r * water_c
            water_rise_k = (
                water_half_k_kj
                * (water_kw + heat_kw - drip_kg_s * CP_LIQUID_KJ_KGK * water_c)
                / (1.0 + water_half_k_kj * (leak_kw_k + bath_kw_k - h_r))
            )
            water_mean_c = water_c + water_rise_k
            vapour_kj_kg = VAPOUR_AT_ZERO_KJ_KG + CP_VAPOUR_KJ_KGK * air_c
            air_kw = (air_kw - heat_kw + vapour_kj_kg * drip_kg_s) * per_kj_k
            wet_kg_s -= drip_kg_s
            wet_drift = d_r * water_rise_k * per_half_s
            drift_kw_s = per_kj_k * (
                drift_kw_s - h_r * water_rise_k * per_half_s + vapour_kj_kg * wet_drift
            )
            air_rise_k = m_tt * air_kw + m_tw * wet_kg_s + n_tt * drift_kw_s - n_tw * wet_drift
            ratio_rise = m_wt * air_kw + m_ww * wet_kg_s + n_wt * drift_kw_s - n_ww * wet_drift
            heat_kw += h_t * air_rise_k + h_w * ratio_rise + h_r * water_rise_k
            drip_kg_s += d_t * air_rise_k + d_w * ratio_rise + d_r * water_rise_k
            coil_kj += heat_kw * dt
            condensate_kg += drip_kg_s * dt
            drain_kw = drip_kg_s * CP_LIQUID_KJ_KGK * water_mean_c
            drain_kj += drain_kw * dt
            pump_kw += heat_kw - drain_kw
        air_mean_c = air_c + air_rise_k
        ratio_mean = ratio + ratio_rise
        vapour_kj_kg = VAPOUR_AT_ZERO_KJ_KG + CP_VAPOUR_KJ_KGK * air_mean_c
        if regime == 2:
            mist_kg_s += mist_slope * (held_slope * air_rise_k - ratio_rise)
        else:
            short_mean = held_zero + held_slope * air_mean_c - ratio_mean
            short_end = 2.0 * short_mean - short
            if dt > sure_s and not (
                -quiet_k < air_rise_k < quiet_k
                and (
                    0.0 < short_end < mist_band
                    if regime
                    else (short_end >= mist_band if mist_kg_s else short_end <= 0.0)
                )
            ):
                return self._in_parts(
                    state, sure_s, pump=pump, fan=fan, room_c=room_c, room_rh=room_rh,
                    dt_s=dt_s, flow=flow, lights=lights,
                )  # fmt: skip
            if regime == 1 and 0.0 < short_end < mist_band:
                mist_kg_s = humidistat_kg_s * short_mean
            elif regime == 1 or (short_end < mist_band if mist_kg_s else short_end > 0.0):
                mist_kg_s = humidistat_kg_s * _clipped_mean(short, short_end, mist_band)

        # flows at the mean state; each enters both of its sides and one account
        outside_k = room_c - air_mean_c
        to_fabric_kw = fabric_mean_kw_k * (air_mean_c - fabric_c)
        to_crop_kw = crop_mean_kw_k * (air_mean_c - crop_c - crop_half_k_kj * breath_kw)
        leak_kw = leak_kw_k * (room_c - water_mean_c)
        breath_kw += breath_kw * per_k * crop_half_k_kj * (breath_kw + to_crop_kw)
        fresh_kg_s = exchange_kg_s * (room_ratio - ratio_mean)
        fresh_kw = fresh_kw_k * outside_k + fresh_kg_s * vapour_kj_kg
        envelope_kw = envelope_kw_k * outside_k
        mist_kw = mist_kg_s * CP_LIQUID_KJ_KGK * air_mean_c
        # the air keeps books in enthalpy and vapour; its temperature follows from both
        ratio_next = ratio + dt_air_kg * (fresh_kg_s + mist_kg_s - drip_kg_s)
        air_kj_kg = (
            CP_DRY_AIR_KJ_KGK * air_c
            + ratio * (VAPOUR_AT_ZERO_KJ_KG + CP_VAPOUR_KJ_KGK * air_c)
            + dt_air_kg
            * (
                envelope_kw + fresh_kw + sources_kw + mist_kw
                - to_fabric_kw - to_crop_kw - heat_kw
            )
        )  # fmt: skip
        water_c += water_k_kj * (pump_kw + leak_kw + bath_kw - bath_kw_k * water_mean_c)
        stride_s += dt
        if water_c < 0.0 or slush_kg > 0.0:
            water_c, slush_kg = self._refrozen(state, water_c)
        stride_ks += dt * water_mean_c
        if stride_s >= bath.stride_s - 0.1:  # a tick's sum may miss the length by a rounding
            bath = self.equations.packs.stride(
                bath, seconds=stride_s, kelvin_s=stride_ks, water_c=water_c,
                stride_s=next_stride_s,
            )  # fmt: skip
            stride_s = stride_ks = 0.0
        return _new_tuple(
            PlantState,
            (
                t_s + dt,
                (air_kj_kg - VAPOUR_AT_ZERO_KJ_KG * ratio_next)
                / (CP_DRY_AIR_KJ_KGK + CP_VAPOUR_KJ_KGK * ratio_next),
                ratio_next,
                fabric_c + fabric_k_kj * to_fabric_kw,
                crop_c + crop_k_kj * (to_crop_kw + breath_kw),
                water_c,
                slush_kg,
                stride_s,
                stride_ks,
                envelope_kj + envelope_kw * dt,
                exchange_kj + fresh_kw * dt,
                exchange_kg + fresh_kg_s * dt,
                lights_kj + lights_step_kj,
                fans_kj + fan_step_kj,
                crop_kj + breath_kw * dt,
                mist_kg + mist_kg_s * dt,
                mist_kj + mist_kw * dt,
                pump_kj + pump_step_kj,
                leak_kj + leak_kw * dt,
                coil_kj,
                condensate_kg,
                drain_kj,
                bath,
                start_kj,
                start_kg,
                air_mean_c,
                water_mean_c,
            ),
        )

    def _in_parts(
        self,
        state: PlantState,
        longest_s: float,
        *,
        pump: bool,
        fan: bool,
        room_c: float,
        room_rh: float,
        dt_s: float,
        flow: float,
        lights: bool,
    ) -> PlantState:
        """Return the plant *dt_s* later by equal steps no longer than *longest_s*."""
        parts = math.ceil(dt_s / longest_s)
        air_sum_c = water_sum_c = 0.0
        for _ in range(parts):
            state = self.step(
                state, pump=pump, fan=fan, room_c=room_c, room_rh=room_rh,
                dt_s=dt_s / parts, flow=flow, lights=lights,
            )  # fmt: skip
            air_sum_c += state.air_mean_c
            water_sum_c += state.reservoir_mean_c
        return state._replace(air_mean_c=air_sum_c / parts, reservoir_mean_c=water_sum_c / parts)

    def swap(
        self, state: PlantState, *, packs: int, frozen_share: float, pack_c: float
    ) -> PlantState:
        """Return the plant after the most spent packs went out and *packs* fresh ones in.

        Args:
            state: The plant now.
            packs: Packs put in, 0 or more; as many go out, or all there are if fewer.
            frozen_share: Share of each fresh pack that is frozen, 0 to 1.
            pack_c: Temperature of the fresh packs [°C], read as in `packs.pack_kj_kg`.

        Raises:
            PhysicsError: A figure outside its range.
        """
        rules = self.equations.packs
        fresh = rules.group(packs=packs, frozen_share=frozen_share, pack_c=pack_c)
        state = self.settled(state)
        return self.settled(state._replace(bath=rules.swap(state.bath, fresh)))

    def settled(self, state: PlantState, *, stride_s: float = _FIRST_STRIDE_S) -> PlantState:
        """Return the same instant with the packs booked up to it and the next stride planned."""
        bath = self.equations.packs.stride(
            state.bath,
            seconds=state.stride_s,
            kelvin_s=state.stride_ks,
            water_c=state.reservoir_c,
            stride_s=stride_s,
        )
        return state._replace(bath=bath, stride_s=0.0, stride_ks=0.0)

    def packs(self, state: PlantState) -> tuple[PackView, ...]:
        """Return what is in the reservoir now, most frozen first."""
        fill = self.equations.packs.fill
        groups = sorted(self.settled(state).bath.groups, key=lambda group: group.kj_kg)
        return tuple(
            PackView(
                packs=group.packs,
                pack_c=pack_temperature_c(fill, group.kj_kg),
                frozen_share=1.0 - melted_share(fill, group.kj_kg),
            )
            for group in groups
        )

    def relative_humidity(self, state: PlantState) -> float:
        """Return the relative humidity of the chamber [share]."""
        return moist_air.relative_humidity(
            air_c=state.air_c, ratio=state.ratio, pressure_pa=self.equations.pressure_pa
        )

    def coil_outlet_c(
        self, state: PlantState, *, pump: bool, fan: bool, flow: float = 1.0
    ) -> float:
        """Return what a probe on the coil's outlet tends to [°C]: leaving water, or air at rest."""
        if not pump or flow <= 0.0:
            return state.air_c
        if not fan:
            return state.reservoir_c
        duty = self.equations.coil_at(flow).take(
            air_c=state.air_c, ratio=state.ratio, water_c=state.reservoir_c
        )
        return duty.water_out_c

    def stored_kj(self, state: PlantState) -> float:
        """Return the heat content of everything inside the plant's border [kJ]."""
        return stored_kj(self.equations, state)

    def balance_error(self, state: PlantState) -> float:
        """Return the larger of the relative errors of the energy and the water balance [-]."""
        return balance_error(self.equations, state)

    def _refrozen(self, before: PlantState, water_c: float) -> tuple[float, float]:
        """Return temperature and ice of water that reached 0 °C from above or below."""
        eq = self.equations
        heat_kj = (water_c - before.reservoir_c) * eq.water_kj_k
        return eq.water_state(eq.water_kj(before.reservoir_c, before.slush_kg) + heat_kj)

    def _fog(self, air_c: float, ratio: float) -> tuple[float, float, float]:
        """Return the (negative) mist of air above saturation, and its slopes as for the mist."""
        eq = self.equations
        saturated = moist_air.saturated_ratio(air_c, eq.pressure_pa)
        if ratio <= saturated:
            return 0.0, 0.0, 0.0
        fog_kg_s = -eq.fog_kg_s * (ratio - saturated)
        return fog_kg_s, eq.saturation_slope(air_c), eq.fog_kg_s


def _clipped_mean(first: float, last: float, highest: float) -> float:
    """Return the mean of a value clipped to 0 to *highest* while it runs from *first* to *last*."""
    if first == last:
        return min(max(first, 0.0), highest)

    def area(value: float) -> float:
        inside = min(max(value, 0.0), highest)
        return 0.5 * inside * inside + highest * max(0.0, value - highest)

    return (area(last) - area(first)) / (last - first)
