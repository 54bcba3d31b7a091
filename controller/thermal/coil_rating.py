"""The conductances of a coil from one figure on its label or from a bench: watts per kelvin.

Effectiveness against number of transfer units, solved backwards for a cross-flow core with both
streams unmixed. Source: Kays and London, *Compact Heat Exchangers*; Incropera, 7th ed., table 11.3.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from controller.errors import PhysicsError
from controller.thermal import moist_air
from controller.thermal.exchanger import bracketed_root, crossflow_unmixed
from controller.thermal.water import MEAN_CP_KJ_KGK

AIR_KG_M3 = 1.2
"""Air at 20 °C at sea level [kg/m³]; fans are labelled by volume at about this density."""
AIR_RESISTANCE_SHARE = 0.75
"""Share of a core's resistance on its air side where nothing says more [-]. Own: 21 W/K on the air
side of a 120 mm face against 60 on its water side, fitted to bench reports within 30 %."""
AIR_EXPONENT = 0.5
"""The air side's conductance goes with the flow to this power, in louvred fins. Own fit to bench
reports, as above; 0.6 for round finned tubes."""
MOST_UNITS = 20.0
"""No core has more transfer units: a rating that asks for them is a mistake."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Conductances:
    """Both sides of a core [W/K]."""

    air_w_k: float
    water_w_k: float


def conductances_of_rating(
    *,
    w_per_k: float,
    air_kg_s: float,
    water_kg_s: float,
    water_w_k: float | None = None,
) -> Conductances:
    """Return the conductances with which a dry core takes so many watts per kelvin.

    Worked number: 12 W/K at 51 m³/h (30 ft³/min) and 3.8 L/min: 28.2 W/K on the air side, 84.6 on
    the water side.

    Args:
        w_per_k: Heat over the difference between air in and water in, without condensation [W/K].
        air_kg_s: Dry air in that test [kg/s].
        water_kg_s: Water in that test [kg/s].
        water_w_k: Conductance of the water side, where it is known [W/K]; None: air side and water
            side share the resistance as in cores of this kind.

    Raises:
        PhysicsError: The streams cannot carry so much, or the water side cannot pass it.
    """
    air_w_per_k = 1000.0 * air_kg_s * moist_air.specific_heat_kj_kgk(0.01)
    water_w_per_k = 1000.0 * water_kg_s * MEAN_CP_KJ_KGK
    smaller, larger = sorted((air_w_per_k, water_w_per_k))
    ratio, asked = smaller / larger, w_per_k / smaller
    most = crossflow_unmixed(ntu=MOST_UNITS, ratio=ratio)
    if not 0.0 < asked < most:
        stream = "air" if air_w_per_k <= water_w_per_k else "water"
        raise PhysicsError(
            f"found {w_per_k:g} W/K, allowed: above 0 and below {most * smaller:.3g} W/K, the most "
            f"that so little {stream} can carry; is it watts over the difference between air in "
            "and water in, and are the flows those of the same test?"
        )
    units = bracketed_root(
        lambda ntu: asked - crossflow_unmixed(ntu=ntu, ratio=ratio), low=0.0, high=MOST_UNITS
    )
    whole_w_k = units * smaller
    if water_w_k is None:
        return Conductances(
            air_w_k=whole_w_k / AIR_RESISTANCE_SHARE,
            water_w_k=whole_w_k / (1.0 - AIR_RESISTANCE_SHARE),
        )
    if not whole_w_k < water_w_k:
        raise PhysicsError(
            f"found {w_per_k:g} W/K, which takes {whole_w_k:.3g} W/K from air to water, beside "
            f"{water_w_k:g} W/K between surface and water, allowed: less than that; leave "
            "ua_water_w_k out"
        )
    return Conductances(air_w_k=1.0 / (1.0 / whole_w_k - 1.0 / water_w_k), water_w_k=water_w_k)


def air_side_at(air_w_k: float, *, rated_kg_s: float, air_kg_s: float) -> float:
    """Return the air side's conductance at another flow of air than that of the test [W/K].

    Raises:
        PhysicsError: A flow is not above 0 and finite.
    """
    if not (0.0 < rated_kg_s < math.inf and 0.0 < air_kg_s < math.inf):
        raise PhysicsError(f"air of {rated_kg_s} and {air_kg_s} kg/s: both must be above 0")
    return float(air_w_k * (air_kg_s / rated_kg_s) ** AIR_EXPONENT)
