"""The plant's differential equations, written once; `plant` steps them, a reference solves them.

Units inside: kJ, kW, kg, s, °C. See ``equations.md`` for symbols and assumptions.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from controller.errors import PhysicsError
from controller.thermal import moist_air
from controller.thermal.bath import PackBath
from controller.thermal.coil import Coil
from controller.thermal.moist_air import (
    CP_DRY_AIR_KJ_KGK,
    CP_LIQUID_KJ_KGK,
    CP_VAPOUR_KJ_KGK,
    VAPOUR_AT_ZERO_KJ_KG,
)
from controller.thermal.packs import pack_c
from controller.thermal.specs import CoilSpec, PlantSpec
from controller.thermal.water import LATENT_HEAT_KJ_KG, MEAN_CP_KJ_KGK

CROP_REFERENCE_C = 15.0
"""Temperature at which ``crop_w_per_kg`` holds [°C]."""
CROP_WARMEST_C = 30.0
"""Above this the crop's heat grows no further. From memory: a fruiting fungus breathes fastest near
30 °C and fails above; without an end the exponential would set the chamber on fire."""
FOG_S = 30.0
"""Air above saturation loses its surplus as fog with this time constant [s]. Own choice, short
against a cycle; the equilibrium does not depend on it."""
FLOW_EXPONENT = 0.8
"""Water-side conductance against flow, turbulent tube flow (Dittus and Boelter)."""
AIR_EXPONENT = 0.5
"""Air-side conductance against mass flow, louvred fins; 0.6 for round finned tubes. Own fit to
bench figures of 120 mm cores at several fan speeds."""
_REFERENCE_C = 17.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """What acts on the plant from outside over a stretch of time.

    Args:
        pump: Pump on.
        fan: Coil fan on.
        room_c: Room air [°C].
        room_rh: Room relative humidity [share].
        flow: Share of the full water flow that really moves while the pump runs; 0: lost prime.
        lights: Lights on.
    """

    pump: bool
    fan: bool
    room_c: float
    room_rh: float
    flow: float = 1.0
    lights: bool = False


def coil_at(coil: CoilSpec, *, pressure_pa: float, flow: float) -> Coil:
    """Return a coil at a barometric pressure [Pa] and a share of its full water flow above 0.

    Raises:
        PhysicsError: The share lies outside 0 to 2, or is 0.
    """
    if not 0.0 < flow <= 2.0:
        raise PhysicsError(f"water flow {flow} of the full flow must lie above 0 and up to 2")
    density_share = pressure_pa / moist_air.STANDARD_PRESSURE_PA
    return Coil(
        ua_air_w_k=coil.ua_air_w_k * density_share**AIR_EXPONENT,
        ua_water_w_k=coil.ua_water_w_k * flow**FLOW_EXPONENT,
        air_kg_s=coil.air_kg_s * density_share,
        water_kg_s=coil.water_kg_s * flow,
        pressure_pa=pressure_pa,
    )


class Equations:
    """Coefficients of one plant and the rates of change they give.

    The vector of state is: air [°C], humidity ratio [kg/kg], fabric [°C], crop [°C], heat content
    of the reservoir water [kJ, 0 at 0 °C liquid], then heat content of each pack group [kJ/kg].
    """

    def __init__(self, spec: PlantSpec) -> None:
        chamber, fine = spec.chamber, spec.fine
        self.spec = spec
        self.pressure_pa = moist_air.pressure_at_altitude_pa(spec.site.altitude_m)
        self.air_density_share = self.pressure_pa / moist_air.STANDARD_PRESSURE_PA
        reference = moist_air.humidity_ratio(
            air_c=_REFERENCE_C, rh=chamber.rh, pressure_pa=self.pressure_pa
        )
        self.air_kg = chamber.volume_m3 / moist_air.specific_volume_m3_kg(
            air_c=_REFERENCE_C, ratio=reference, pressure_pa=self.pressure_pa
        )
        self.exchange_kg_s = chamber.air_changes_per_h * self.air_kg / 3600.0
        self.envelope_kw_k = chamber.envelope_w_k / 1000.0
        self.fabric_kj_k = fine.fabric_kj_k
        self.fabric_kw_k = fine.fabric_w_k / 1000.0
        # an empty chamber keeps a crop too small to matter, so that no formula divides by zero
        crop_kg = max(chamber.crop_kg + chamber.fruit_kg, 1e-3)
        self.crop_kj_k = crop_kg * fine.crop_kj_kgk
        self.crop_kw_k = crop_kg * fine.crop_w_kgk / 1000.0
        self.crop_kw = (
            chamber.crop_kg * chamber.crop_w_per_kg + chamber.fruit_kg * chamber.fruit_w_per_kg
        ) / 1000.0
        self.crop_per_k = math.log(fine.crop_q10) / 10.0
        self.lights_kw = chamber.lights_w / 1000.0
        self.fan_kw = chamber.fans_w / 1000.0
        self.pump_kw = spec.reservoir.pump_w / 1000.0
        self.box_kw_k = spec.reservoir.ua_w_k / 1000.0
        self.tubing_kw_k = fine.tubing_w_k / 1000.0
        self.water_kg = spec.reservoir.litres
        self.water_kj_k = self.water_kg * MEAN_CP_KJ_KGK
        self.humidifier_kg_s = chamber.humidifier_kg_per_h / 3600.0
        self.mist_band = fine.humidistat_band * moist_air.saturated_ratio(
            _REFERENCE_C, self.pressure_pa
        )
        self.humidistat_kg_s = self.humidifier_kg_s / self.mist_band
        self.fog_kg_s = self.air_kg / FOG_S
        self.packs = PackBath(spec.packs, film_w_m2k=fine.pack_film_w_m2k)

    def breath_kw(self, crop_c: float) -> float:
        """Return the heat of the crop at its temperature [kW]."""
        counted_c = min(crop_c, CROP_WARMEST_C)
        return self.crop_kw * math.exp(self.crop_per_k * (counted_c - CROP_REFERENCE_C))

    def coil_at(self, flow: float) -> Coil:
        """Return the coil at a share of the full water flow above 0.

        Raises:
            PhysicsError: The share lies outside 0 to 2, or is 0.
        """
        return coil_at(self.spec.coil, pressure_pa=self.pressure_pa, flow=flow)

    def held_ratio(self, air_c: float) -> float:
        """Return the humidity ratio at which the humidifier stops [kg/kg]."""
        return moist_air.humidity_ratio(
            air_c=air_c, rh=self.spec.chamber.rh, pressure_pa=self.pressure_pa
        )

    def saturation_slope(self, air_c: float) -> float:
        """Return d(humidity ratio at saturation)/dT [kg/(kg·K)], by a difference."""
        above = moist_air.saturated_ratio(air_c + 0.01, self.pressure_pa)
        return (above - moist_air.saturated_ratio(air_c - 0.01, self.pressure_pa)) / 0.02

    def mist_kg_s(self, *, air_c: float, ratio: float) -> float:
        """Return the water that enters the air from the humidifier, less what leaves as fog [kg/s].

        Full below the band under the set humidity, nothing above it, in proportion between.
        """
        short = self.held_ratio(air_c) - ratio
        mist_kg_s = min(self.humidifier_kg_s, self.humidistat_kg_s * max(0.0, short))
        surplus = ratio - moist_air.saturated_ratio(air_c, self.pressure_pa)
        return mist_kg_s - self.fog_kg_s * max(0.0, surplus)

    def water_state(self, water_kj: float) -> tuple[float, float]:
        """Return temperature [°C] and ice [kg] of the reservoir water with this heat content."""
        if water_kj >= 0.0:
            return water_kj / self.water_kj_k, 0.0
        slush_kg = -water_kj / LATENT_HEAT_KJ_KG
        if slush_kg <= self.water_kg:
            return 0.0, slush_kg
        beyond_kj = (slush_kg - self.water_kg) * LATENT_HEAT_KJ_KG
        return -beyond_kj / (self.water_kg * 2.03), self.water_kg

    def water_kj(self, water_c: float, slush_kg: float) -> float:
        """Return the heat content of the reservoir water, the inverse of `water_state` [kJ]."""
        held_kj = -slush_kg * LATENT_HEAT_KJ_KG
        return held_kj + water_c * (self.water_kj_k if water_c >= 0.0 else self.water_kg * 2.03)

    def derivatives(
        self, y: Sequence[float], drive: Drive, packs: Sequence[int], coil: Coil | None
    ) -> list[float]:
        """Return the rates of change of the vector of state, with nothing approximated.

        Args:
            y: Vector of state as the class describes it.
            drive: What acts from outside.
            packs: Number of packs in each group.
            coil: `coil_at` of the flow, or None when pump, fan or flow is off.
        """
        air_c, ratio, fabric_c, crop_c, water_kj, *group_kj_kg = y
        room_ratio = moist_air.humidity_ratio(
            air_c=drive.room_c, rh=drive.room_rh, pressure_pa=self.pressure_pa
        )
        water_c, _ = self.water_state(water_kj)
        mist_kg_s = self.mist_kg_s(air_c=air_c, ratio=ratio)
        to_crop_kw = self.crop_kw_k * (air_c - crop_c)
        to_fabric_kw = self.fabric_kw_k * (air_c - fabric_c)
        breath_kw = self.breath_kw(crop_c)
        air_kw = (
            (
                self.envelope_kw_k
                + self.exchange_kg_s * (CP_DRY_AIR_KJ_KGK + CP_VAPOUR_KJ_KGK * room_ratio)
            )
            * (drive.room_c - air_c)
            - to_fabric_kw
            - to_crop_kw
            + (self.lights_kw if drive.lights else 0.0)
            + (self.fan_kw if drive.fan else 0.0)
            - mist_kg_s * (VAPOUR_AT_ZERO_KJ_KG + (CP_VAPOUR_KJ_KGK - CP_LIQUID_KJ_KGK) * air_c)
        )
        wet_kg_s = self.exchange_kg_s * (room_ratio - ratio) + mist_kg_s
        leak_kw_k = self.box_kw_k + (self.tubing_kw_k if drive.pump else 0.0)
        water_kw = (self.pump_kw if drive.pump else 0.0) + leak_kw_k * (drive.room_c - water_c)
        if coil is not None and water_c >= 0.0:  # frozen solid, nothing moves
            duty = coil.take(air_c=air_c, ratio=ratio, water_c=water_c)
            air_kw -= duty.total_kw - duty.condensate_kg_s * (
                VAPOUR_AT_ZERO_KJ_KG + CP_VAPOUR_KJ_KGK * air_c
            )
            wet_kg_s -= duty.condensate_kg_s
            water_kw += duty.total_kw - duty.condensate_kg_s * CP_LIQUID_KJ_KGK * water_c
        group_rates: list[float] = []
        for count, kj_kg in zip(packs, group_kj_kg, strict=True):
            heat_kw = self.packs.group_kw_k(count, kj_kg) * (
                water_c - pack_c(self.packs.fill, kj_kg)
            )
            water_kw -= heat_kw
            group_rates.append(heat_kw / (count * self.spec.packs.kg))
        return [
            air_kw / (self.air_kg * (CP_DRY_AIR_KJ_KGK + CP_VAPOUR_KJ_KGK * ratio)),
            wet_kg_s / self.air_kg,
            to_fabric_kw / self.fabric_kj_k,
            (to_crop_kw + breath_kw) / self.crop_kj_k,
            water_kw,
            *group_rates,
        ]
