"""One step of the plant, the whole of its physics in one straight run.

``equations.md`` describes the method, `plant` what it is used for.
"""

from __future__ import annotations

import math

from controller.errors import PhysicsError
from controller.thermal import moist_air
from controller.thermal.equations import CROP_REFERENCE_C, CROP_WARMEST_C, Equations
from controller.thermal.moist_air import (
    CP_DRY_AIR_KJ_KGK,
    CP_LIQUID_KJ_KGK,
    CP_VAPOUR_KJ_KGK,
    VAPOUR_AT_ZERO_KJ_KG,
)
from controller.thermal.plant_state import PlantState
from controller.thermal.step_lengths import (
    COOLING_RISE_K,
    COOLING_RISE_RATIO,
    MIST_STEP,
    SURE_COOLING_S,
    clipped_mean,
    shorter_s,
)
from controller.thermal.step_tables import (
    KNOTS_PER_K,
    LOWEST_KNOT_C,
    VAPOUR_LESS_LIQUID_KJ_KGK,
    StepTables,
)

_new_tuple = tuple.__new__
_exp = math.exp


class PlantStep:
    """Steps one plant. What it keeps are tables that depend on its spec, and the last room."""

    def __init__(self, equations: Equations) -> None:
        """Begin with empty tables.

        Args:
            equations: The plant's coefficients.
        """
        self.equations = equations
        self.tables = StepTables(equations)
        band_s = math.inf
        if equations.humidifier_kg_s > 0.0:
            band_s = equations.air_kg * equations.mist_band / equations.humidifier_kg_s
        self._sure_s = MIST_STEP * band_s
        self._room = (math.nan, math.nan, 0.0, 0.0, 0.0, 0.0)

    # one straight run, because a call more would cost a tenth of the step
    def attempt(  # noqa: C901, PLR0912, PLR0915, PLR0917
        self, state: PlantState, dt_s: float, pump: bool, fan: bool, room_c: float,
        room_rh: float, flow: float, lights: bool,
    ) -> PlantState | float:  # fmt: skip
        """Return the plant *dt_s* later, or a shorter step that should be tried [s]."""
        tables = self.tables
        mode = tables.modes.get((dt_s, pump, fan, lights, flow))
        if mode is None:
            mode = tables.mode(dt_s=dt_s, pump=pump, fan=fan, lights=lights, flow=flow)
        known_c, known_rh, room_ratio, fresh_kw_k, envelope_kw_k, around_kw_k = self._room
        if room_c != known_c or room_rh != known_rh:
            terms = tables.room(room_c, room_rh)
            self._room = (room_c, room_rh, *terms)
            room_ratio, fresh_kw_k, envelope_kw_k, around_kw_k = terms
        (
            dt, per_half_s, fabric_kw_k, fabric_k_kj, crop_kw_k,
            crop_mean_kw_k, crop_per_s, crop_half_k_kj, crop_k_kj, sources_kw, lights_step_kj,
            fan_step_kj, pump_kw, leak_kw_k, pump_step_kj, water_half_k_kj, water_k_kj, dt_air_kg,
            next_stride_s, exchange_kg_s, full_kw, per_k, humidistat_kg_s, humidifier_kg_s,
            mist_band, fog_check, knots, means, cells,
        ) = mode  # fmt: skip
        (
            t_s, air_c, ratio, fabric_c, crop_c, water_c, slush_kg, stride_s, stride_ks,
            envelope_kj, exchange_kj, exchange_kg, lights_kj, fans_kj, crop_kj, mist_kg, mist_kj,
            pump_kj, leak_kj, coil_kj, condensate_kg, drain_kj, bath, start_kj, start_kg,
            _, _, _, _, _,
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
        drift_kw_s = crop_per_s * (to_crop_kw + breath_kw)
        wet_kg_s = exchange_kg_s * (room_ratio - ratio) + mist_kg_s
        water_kw = pump_kw + leak_kw_k * (room_c - water_c) + bath_kw - bath_kw_k * water_c

        per_kj_k = 1.0 / (CP_DRY_AIR_KJ_KGK + CP_VAPOUR_KJ_KGK * ratio)

        # mean state over the step and its end: rates at the start and their drift, weighted by
        # matrices that are kept per cell of the state
        wet_drift = heat_kw = drip_kg_s = drain_kw = 0.0
        cooling = cells is not None and water_c >= 0.0
        if not cooling:
            key = int(air_c) * 3 + regime
            answer = means.get(key) or tables.rest_means(mode, key)
        else:
            key = (
                (int(air_c + 20.0) * 1024 + int(ratio * 2000.0)) * 512 + int(water_c * 2.0)
            ) * 3 + regime
            (h0, h_t, h_w, h_r, d0, d_t, d_w, d_r), answer = (
                cells.get(key) or tables.cool_cell(mode, key, flow)  # type: ignore[union-attr]
            )
            heat_kw = h0 + h_t * air_c + h_w * ratio + h_r * water_c
            drip_kg_s = d0 + d_t * air_c + d_w * ratio + d_r * water_c
            water_rise_k = (
                water_half_k_kj
                * (water_kw + heat_kw - drip_kg_s * CP_LIQUID_KJ_KGK * water_c)
                / (1.0 + water_half_k_kj * (leak_kw_k + bath_kw_k - h_r))
            )
            vapour_kj_kg = VAPOUR_AT_ZERO_KJ_KG + CP_VAPOUR_KJ_KGK * air_c
            air_kw += vapour_kj_kg * drip_kg_s - heat_kw
            wet_kg_s -= drip_kg_s
            wet_drift = -d_r * water_rise_k * per_half_s
            drift_kw_s -= h_r * water_rise_k * per_half_s + vapour_kj_kg * wet_drift
        (
            m_tt, m_tw, m_tf, m_wt, m_ww, m_wf, m_ft, m_fw, m_ff, n_tt, n_tw, n_wt, n_ww, n_ft,
            n_fw, e_tt, e_tw, e_tf, e_wt, e_ww, e_wf, heeded_t, heeded_w, per_s, swift,
        ) = answer  # fmt: skip
        air_kw *= per_kj_k
        drift_kw_s *= per_kj_k
        air_rise_k = (
            m_tt * air_kw + m_tw * wet_kg_s + m_tf * to_fabric_kw + n_tt * drift_kw_s
            + n_tw * wet_drift
        )  # fmt: skip
        ratio_rise = (
            m_wt * air_kw + m_ww * wet_kg_s + m_wf * to_fabric_kw + n_wt * drift_kw_s
            + n_ww * wet_drift
        )  # fmt: skip
        fabric_rise_k = (
            m_ft * air_kw + m_fw * wet_kg_s + m_ff * to_fabric_kw + n_ft * drift_kw_s
            + n_fw * wet_drift
        )  # fmt: skip
        air_end_k = (
            e_tt * air_kw + e_tw * wet_kg_s + e_tf * to_fabric_kw
            + dt * (m_tt * drift_kw_s + m_tw * wet_drift)
        )  # fmt: skip
        if cooling:
            if dt > SURE_COOLING_S and not (
                -COOLING_RISE_K < air_rise_k < COOLING_RISE_K
                and -COOLING_RISE_RATIO < ratio_rise < COOLING_RISE_RATIO
            ):
                return shorter_s(dt, max(SURE_COOLING_S, 0.5 * dt))
            heat_kw += h_t * air_rise_k + h_w * ratio_rise + h_r * water_rise_k
            drip_kg_s += d_t * air_rise_k + d_w * ratio_rise + d_r * water_rise_k
            water_kw += heat_kw - drip_kg_s * CP_LIQUID_KJ_KGK * water_c
        water_mean_c = water_c + water_half_k_kj * water_kw / (
            1.0 + water_half_k_kj * (leak_kw_k + bath_kw_k)
        )
        air_mean_c = air_c + air_rise_k
        ratio_mean = ratio + ratio_rise
        vapour_kj_kg = VAPOUR_AT_ZERO_KJ_KG + CP_VAPOUR_KJ_KGK * air_mean_c

        # water in the air: each flow enters both of its sides and one account
        fresh_kg_s = exchange_kg_s * (room_ratio - ratio_mean)
        if regime:
            if regime == 1:
                mist_kg_s = humidistat_kg_s * (held_zero + held_slope * air_mean_c - ratio_mean)
            else:
                mist_kg_s += mist_slope * (held_slope * air_rise_k - ratio_rise)
            # the rest of what the linear answer misses is what the humidifier answers to
            balanced = dt_air_kg * (fresh_kg_s + mist_kg_s - drip_kg_s)
            linear = (
                e_wt * air_kw + e_ww * wet_kg_s + e_wf * to_fabric_kw
                + dt * (m_wt * drift_kw_s + m_ww * wet_drift)
            )  # fmt: skip
            mist_kg_s += (1.0 - heeded_w) * (linear - balanced) / dt_air_kg
        ratio_next = ratio + dt_air_kg * (fresh_kg_s + mist_kg_s - drip_kg_s)
        if regime != 2:
            short_end = held_zero + held_slope * (air_c + air_end_k) - ratio_next
            if regime:
                crosses = not 0.0 < short_end < mist_band
            else:
                crosses = short_end < mist_band if mist_kg_s else short_end > 0.0
            if crosses:
                if dt > self._sure_s:
                    edge = mist_band if (short_end >= mist_band if regime else mist_kg_s) else 0.0
                    until_s = dt * (short - edge) / (short - short_end)
                    return shorter_s(dt, max(self._sure_s, until_s))
                mist_kg_s = humidistat_kg_s * clipped_mean(short, short_end, mist_band)
                ratio_next = ratio + dt_air_kg * (fresh_kg_s + mist_kg_s - drip_kg_s)

        # heat, likewise
        outside_k = room_c - air_mean_c
        to_fabric_kw = fabric_kw_k * (air_mean_c - fabric_c - fabric_rise_k)
        to_crop_kw = crop_mean_kw_k * (air_mean_c - crop_c - crop_half_k_kj * breath_kw)
        leak_kw = leak_kw_k * (room_c - water_mean_c)
        breath_kw += breath_kw * per_k * crop_half_k_kj * (breath_kw + to_crop_kw)
        fresh_kw = fresh_kw_k * outside_k + fresh_kg_s * vapour_kj_kg
        envelope_kw = envelope_kw_k * outside_k
        mist_kw = mist_kg_s * CP_LIQUID_KJ_KGK * air_mean_c
        # the air keeps books in enthalpy and vapour; its temperature follows from both
        next_kj_kgk = CP_DRY_AIR_KJ_KGK + CP_VAPOUR_KJ_KGK * ratio_next
        balanced_c = (
            CP_DRY_AIR_KJ_KGK * air_c
            + ratio * (VAPOUR_AT_ZERO_KJ_KG + CP_VAPOUR_KJ_KGK * air_c)
            + dt_air_kg
            * (
                envelope_kw + fresh_kw + sources_kw + mist_kw
                - to_fabric_kw - to_crop_kw - heat_kw
            )
            - VAPOUR_AT_ZERO_KJ_KG * ratio_next
        ) / next_kj_kgk  # fmt: skip
        air_next_c = air_c + air_end_k
        air_next_c += heeded_t * (balanced_c - air_next_c)
        to_fabric_kw += (balanced_c - air_next_c) * next_kj_kgk / dt_air_kg
        swift_k = 0.0
        if swift:
            slope_k = 6.0 * air_rise_k - 2.0 * (air_next_c - air_c)
            swift_k = swift * (dt_air_kg * air_kw - slope_k) / dt
        if cooling:
            coil_kj += heat_kw * dt
            condensate_kg += drip_kg_s * dt
            drain_kw = drip_kg_s * CP_LIQUID_KJ_KGK * water_mean_c
            drain_kj += drain_kw * dt
            pump_kw += heat_kw - drain_kw
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
                air_next_c,
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
                dt,
                swift_k,
                per_s,
            ),
        )

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
