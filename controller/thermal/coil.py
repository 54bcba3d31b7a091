"""The coil: air over a finned water core, dry, wet, or dry in front and wet behind.

Dry: effectiveness against number of transfer units (Kays and London). Wet: the same with enthalpy
as the driving force (Threlkeld; Braun, Klein and Mitchell 1989, ASHRAE Trans. 95(2)), Lewis
number 1. When the surface passes the dew point inside the coil, the border is found and each
part is treated by its own rule, so that heat and condensate have no jump anywhere. Humid air over
very cold water comes out as fog: the straight line between inlet and surface lies above the curved
line of saturation. Its droplets settle on the coil and count as condensate.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from controller.errors import PhysicsError
from controller.thermal import moist_air
from controller.thermal.exchanger import (
    bracketed_root,
    counterflow_effectiveness,
    counterflow_ntu,
    crossflow_unmixed,
    units_of_effectiveness,
)
from controller.thermal.water import MEAN_CP_KJ_KGK


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilDuty:
    """What the coil does: heat out of the air [kW], condensate [kg/s], both outlets [°C].

    ``wet_share`` is the share of the surface on which water condenses.
    """

    total_kw: float
    sensible_kw: float
    condensate_kg_s: float
    air_out_c: float
    air_out_ratio: float
    water_out_c: float
    wet_share: float

    @property
    def latent_kw(self) -> float:
        """Heat out of the air by condensing [kW]."""
        return self.total_kw - self.sensible_kw


class Coil:
    """One coil at one air flow, water flow and pressure.

    The core is a cross-flow exchanger. Its dry effectiveness is computed as such, once; the
    counterflow core with the same dry effectiveness then stands for it, wet and dry, because
    only counterflow has a closed form for a part of the surface. With the small capacity ratio
    of these cores the two differ by under 2 %.

    Args:
        ua_air_w_k: Between air and surface, dry [W/K], above 0.
        ua_water_w_k: Between water and surface [W/K], above 0.
        air_kg_s: Dry air [kg/s], above 0.
        water_kg_s: Water [kg/s], above 0.
        pressure_pa: Barometric pressure [Pa].
        crossflow: False takes the conductances as those of a counterflow core.

    Raises:
        PhysicsError: A figure is not above 0 or not finite.
    """

    def __init__(
        self,
        *,
        ua_air_w_k: float,
        ua_water_w_k: float,
        air_kg_s: float,
        water_kg_s: float,
        pressure_pa: float = moist_air.STANDARD_PRESSURE_PA,
        crossflow: bool = True,
    ) -> None:
        for name, value in (
            ("ua_air_w_k", ua_air_w_k),
            ("ua_water_w_k", ua_water_w_k),
            ("air_kg_s", air_kg_s),
            ("water_kg_s", water_kg_s),
            ("pressure_pa", pressure_pa),
        ):
            if not 0.0 < value < math.inf:
                raise PhysicsError(f"coil: {name} is {value}; it must be above 0 and finite")
        self._air_kg_s = air_kg_s
        self._water_kw_k = water_kg_s * MEAN_CP_KJ_KGK
        self._pressure_pa = pressure_pa
        derate = 1.0
        if crossflow:
            air_kw_k = air_kg_s * moist_air.specific_heat_kj_kgk(0.01)
            smaller, larger = sorted((air_kw_k, self._water_kw_k))
            ntu = 1.0 / (1000.0 * smaller * (1.0 / ua_air_w_k + 1.0 / ua_water_w_k))
            ratio = smaller / larger
            effectiveness = crossflow_unmixed(ntu=ntu, ratio=ratio)
            derate = counterflow_ntu(effectiveness=effectiveness, ratio=ratio) / ntu
        self._air_side_kw_k = derate * ua_air_w_k / 1000.0
        self._water_side_kw_k = derate * ua_water_w_k / 1000.0

    def take(self, *, air_c: float, ratio: float, water_c: float) -> CoilDuty:
        """Return what the coil takes from this air with this water.

        Water warmer than the air gives a negative duty: the coil warms the chamber.

        Args:
            air_c: Air in [°C], -20 to 60.
            ratio: Its humidity ratio [kg/kg], 0 to 0.2.
            water_c: Water in [°C], 0 to 60.

        Raises:
            PhysicsError: A figure outside its range.
        """
        if not (-20.0 <= air_c <= 60.0 and 0.0 <= ratio <= 0.2 and -1.0 <= water_c <= 60.0):
            raise PhysicsError(
                f"coil: air {air_c} °C with {ratio} kg/kg and water {water_c} °C; allowed are air"
                " from -20 to 60 °C, 0 to 0.2 kg/kg and water from 0 to 60 °C"
            )
        cp = moist_air.specific_heat_kj_kgk(ratio)
        dry = self._dry(air_c=air_c, ratio=ratio, water_c=water_c, cp=cp)
        if water_c >= air_c or ratio <= 1e-6:
            return dry
        dew_c = moist_air.dew_point_c(ratio=ratio, pressure_pa=self._pressure_pa)
        air_side, water_side = self._air_side_kw_k, self._water_side_kw_k
        both = air_side + water_side
        if air_side * dry.air_out_c + water_side * water_c >= both * dew_c:
            return dry
        # water temperature at which the surface under the entering air is just at the dew point
        inlet_border_c = (both * dew_c - air_side * air_c) / water_side
        wet_out_c = self._wet_water_out_c(
            air_kj_kg=moist_air.enthalpy_kj_kg(air_c=air_c, ratio=ratio),
            water_c=water_c,
            share=1.0,
            cp=cp,
        )
        if wet_out_c <= inlet_border_c:
            return self._wet(
                entry_c=air_c, border_c=air_c, ratio=ratio, water_c=water_c,
                border_water_c=wet_out_c, share=1.0, cp=cp,
            )  # fmt: skip
        return self._part_wet(
            air_c=air_c, ratio=ratio, water_c=water_c, dew_c=dew_c, cp=cp, low_c=inlet_border_c
        )

    def _dry(self, *, air_c: float, ratio: float, water_c: float, cp: float) -> CoilDuty:
        air_kw_k = self._air_kg_s * cp
        units = (
            self._air_side_kw_k
            * self._water_side_kw_k
            / (self._air_side_kw_k + self._water_side_kw_k)
            / air_kw_k
        )
        heat_kw = (
            air_kw_k
            * counterflow_effectiveness(units, air_kw_k / self._water_kw_k)
            * (air_c - water_c)
        )
        return CoilDuty(
            total_kw=heat_kw,
            sensible_kw=heat_kw,
            condensate_kg_s=0.0,
            air_out_c=air_c - heat_kw / air_kw_k,
            air_out_ratio=ratio,
            water_out_c=water_c + heat_kw / self._water_kw_k,
            wet_share=0.0,
        )

    def _wet_water_out_c(
        self, *, air_kj_kg: float, water_c: float, share: float, cp: float
    ) -> float:
        """Return the water temperature leaving a wet part that is *share* of the surface."""
        pressure_pa, air_kg_s, water_kw_k = self._pressure_pa, self._air_kg_s, self._water_kw_k
        air_units = share * self._air_side_kw_k / (air_kg_s * cp)
        water_units = share * self._water_side_kw_k / water_kw_k
        water_kj_kg = moist_air.saturated_enthalpy_kj_kg(water_c, pressure_pa)
        drive = air_kj_kg - water_kj_kg
        tangent = moist_air.saturated_enthalpy_slope(water_c, pressure_pa)

        def next_out_c(out_c: float) -> float:
            """Return the outlet that follows when saturation is the chord up to *out_c*."""
            rise_k = out_c - water_c
            slope = tangent
            if rise_k > 1e-5:  # below that the chord is the tangent, and the quotient only noise
                slope = (
                    moist_air.saturated_enthalpy_kj_kg(out_c, pressure_pa) - water_kj_kg
                ) / rise_k
            rate = air_kg_s * slope / water_kw_k
            units = air_units / (1.0 + rate * air_units / water_units)
            return water_c + air_kg_s * counterflow_effectiveness(units, rate) * drive / water_kw_k

        # a fixed point, sped up by Steffensen's extrapolation
        out_c = next_out_c(water_c)
        for _ in range(30):
            once_c = next_out_c(out_c)
            twice_c = next_out_c(once_c)
            bend_k = twice_c - 2.0 * once_c + out_c
            if abs(twice_c - once_c) < 1e-12 or bend_k == 0.0:
                return twice_c
            out_c -= (once_c - out_c) ** 2 / bend_k
        return out_c

    def _wet(
        self, *, entry_c: float, border_c: float, ratio: float, water_c: float,
        border_water_c: float, share: float, cp: float,
    ) -> CoilDuty:  # fmt: skip
        """Return the duty of a coil dry from *entry_c* to *border_c* and wet behind that."""
        air_kg_s = self._air_kg_s
        dry_kw = air_kg_s * cp * (entry_c - border_c)
        wet_kw = (border_water_c - water_c) * self._water_kw_k
        passed = math.exp(-share * self._air_side_kw_k / (air_kg_s * cp))
        border_kj_kg = moist_air.enthalpy_kj_kg(air_c=border_c, ratio=ratio)
        out_kj_kg = border_kj_kg - wet_kw / air_kg_s
        # the one surface state that would do what the whole wet part does
        surface_kj_kg = border_kj_kg - (border_kj_kg - out_kj_kg) / (1.0 - passed)
        surface_c = moist_air.saturated_air_c(surface_kj_kg, self._pressure_pa)
        out_c = surface_c + (border_c - surface_c) * passed
        out_ratio = min(
            ratio,
            (out_kj_kg - moist_air.CP_DRY_AIR_KJ_KGK * out_c)
            / (moist_air.VAPOUR_AT_ZERO_KJ_KG + moist_air.CP_VAPOUR_KJ_KGK * out_c),
        )
        if out_ratio > moist_air.saturated_ratio(out_c, self._pressure_pa):
            # the surplus falls out as fog, and its heat warms the air; the enthalpy stays the same
            out_c = moist_air.saturated_air_c(out_kj_kg, self._pressure_pa)
            out_ratio = moist_air.saturated_ratio(out_c, self._pressure_pa)
        total_kw = dry_kw + wet_kw
        return CoilDuty(
            total_kw=total_kw,
            sensible_kw=air_kg_s * cp * (entry_c - out_c),
            condensate_kg_s=air_kg_s * (ratio - out_ratio),
            air_out_c=out_c,
            air_out_ratio=out_ratio,
            water_out_c=water_c + total_kw / self._water_kw_k,
            wet_share=share,
        )

    def _part_wet(
        self, *, air_c: float, ratio: float, water_c: float, dew_c: float, cp: float, low_c: float
    ) -> CoilDuty:
        """Find the border between dry and wet: the water temperature there that fits both."""
        air_side, water_side = self._air_side_kw_k, self._water_side_kw_k
        both = air_side + water_side
        air_kw_k = self._air_kg_s * cp
        rate = air_kw_k / self._water_kw_k
        all_units = air_side * water_side / both / air_kw_k

        def border_air_c(border_water_c: float) -> float:
            return (both * dew_c - water_side * border_water_c) / air_side

        def wet_share(border_water_c: float) -> float:
            drive_k = air_c - border_water_c
            share = (air_c - border_air_c(border_water_c)) / drive_k
            return 1.0 - units_of_effectiveness(share, rate) / all_units

        def surplus_k(border_water_c: float) -> float:
            share = max(0.0, wet_share(border_water_c))
            if share < 1e-12:
                return water_c - border_water_c
            return (
                self._wet_water_out_c(
                    air_kj_kg=moist_air.enthalpy_kj_kg(
                        air_c=border_air_c(border_water_c), ratio=ratio
                    ),
                    water_c=water_c,
                    share=share,
                    cp=cp,
                )
                - border_water_c
            )

        whole_effectiveness = counterflow_effectiveness(all_units, rate)
        high_c = (both * dew_c / air_side - air_c * (1.0 - whole_effectiveness)) / (
            whole_effectiveness + water_side / air_side
        )
        border_water_c = bracketed_root(surplus_k, low=low_c, high=high_c)
        share = wet_share(border_water_c)
        if share < 1e-9:
            return self._dry(air_c=air_c, ratio=ratio, water_c=water_c, cp=cp)
        return self._wet(
            entry_c=air_c, border_c=border_air_c(border_water_c), ratio=ratio, water_c=water_c,
            border_water_c=border_water_c, share=share, cp=cp,
        )  # fmt: skip
