"""Packs: heat against temperature of one pack, and how fast it passes into the water.

The heat content is counted per kilogram of fill, zero when just melted: negative down to
``-latent`` while it melts at its plateau, below that a warming solid, above zero a warming liquid.
The way from water to the melting front grows as the pack melts from both faces inwards, so a pack
gives its last heat much more slowly than its first.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from controller.errors import PhysicsError
from controller.thermal.water import LATENT_HEAT_KJ_KG

LIQUID_CONDUCTIVITY_W_MK = 0.56
"""Water near 0 °C, still, as in a gel [W/(m·K)]. Source: IAPWS-95 at 2 °C gives 0.5607."""
FILL_DENSITY_KG_M3 = 1000.0
"""Water and thin gels [kg/m³]."""

PackShape = Literal["slab", "bottle"]
"""A flat pack that takes heat through both faces, or a round one that takes it through its side."""
DEEPEST_FRONT = 3.0
"""Where the ice in a bottle has dwindled to a thread, the way to it is counted no longer than this
many half radii [-]: the thread breaks up. Own choice; it leaves 5 % of the melting to it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fill:
    """What is inside a pack: plateau [°C], heat of melting [kJ/kg], specific heats [kJ/(kg·K)]."""

    plateau_c: float
    latent_kj_kg: float
    solid_kj_kgk: float
    liquid_kj_kgk: float

    def __post_init__(self) -> None:
        if not (
            -60.0 <= self.plateau_c <= 30.0
            and 1.0 <= self.latent_kj_kg <= 500.0
            and 0.5 <= self.solid_kj_kgk <= 5.0
            and 0.5 <= self.liquid_kj_kgk <= 5.0
        ):
            raise PhysicsError(
                f"pack fill {self}: allowed are a plateau of -60 to 30 °C, 1 to 500 kJ/kg of"
                " melting and specific heats of 0.5 to 5 kJ/(kg·K)"
            )


FILLS: Mapping[str, Fill] = {
    # Latent heat: IAPWS-95 minus IAPWS R10-06; solid: mean of -18 to 0 °C, same source.
    "ice": Fill(
        plateau_c=0.0, latent_kj_kg=LATENT_HEAT_KJ_KG, solid_kj_kgk=2.03, liquid_kj_kgk=4.19
    ),
    # Water with a few per cent of thickener, which carries no latent heat: 0.95 of ice. One maker
    # claims 334; common practice, no independent source.
    "gel": Fill(
        plateau_c=0.0, latent_kj_kg=0.95 * LATENT_HEAT_KJ_KG, solid_kj_kgk=2.03, liquid_kj_kgk=4.1
    ),
    # Potassium chloride eutectic, 19.5 % by weight: Mehling and Cabeza 2008, from memory;
    # specific heats by mass of water and salt (0.7), own.
    "salt-11": Fill(plateau_c=-10.7, latent_kj_kg=283.0, solid_kj_kgk=1.8, liquid_kj_kgk=3.3),
    # Sodium chloride eutectic, 23.3 %: plateau from tables of freezing points, heat 222 to 236
    # (Mehling and Cabeza 2008, Zalba 2003, from memory); specific heats as above.
    "salt-21": Fill(plateau_c=-21.1, latent_kj_kg=229.0, solid_kj_kgk=1.8, liquid_kj_kgk=3.3),
}


def pack_c(fill: Fill, kj_kg: float) -> float:
    """Return the temperature of a pack with this heat content [°C]."""
    if kj_kg >= 0.0:
        return fill.plateau_c + kj_kg / fill.liquid_kj_kgk
    below_kj_kg = kj_kg + fill.latent_kj_kg
    return fill.plateau_c + below_kj_kg / fill.solid_kj_kgk if below_kj_kg < 0.0 else fill.plateau_c


def pack_kj_kg(fill: Fill, *, frozen_share: float, pack_c: float) -> float:
    """Return the heat content of a pack [kJ/kg].

    Args:
        fill: What is inside.
        frozen_share: Share of it that is frozen, 0 to 1.
        pack_c: Its temperature [°C]. A wholly frozen pack is never above its plateau, a wholly
            melted one never below, a part-frozen one always at it, whatever is said here.

    Raises:
        PhysicsError: The share lies outside 0 to 1, or the temperature outside -60 to 60 °C.
    """
    if not 0.0 <= frozen_share <= 1.0:
        raise PhysicsError(f"frozen share {frozen_share} of a pack must lie between 0 and 1")
    if not -60.0 <= pack_c <= 60.0:
        raise PhysicsError(f"pack temperature {pack_c} °C must lie between -60 and 60 °C")
    if frozen_share >= 1.0:
        return min(0.0, pack_c - fill.plateau_c) * fill.solid_kj_kgk - fill.latent_kj_kg
    if frozen_share <= 0.0:
        return max(0.0, pack_c - fill.plateau_c) * fill.liquid_kj_kgk
    return -frozen_share * fill.latent_kj_kg


def melted_share(fill: Fill, kj_kg: float) -> float:
    """Return the share of a pack that is melted, 0 to 1."""
    return min(1.0, max(0.0, 1.0 + kj_kg / fill.latent_kj_kg))


@dataclass(frozen=True, slots=True, kw_only=True)
class PackFaces:
    """The way of heat into one kilogram of pack.

    Args:
        thickness_mm: Whole thickness of a slab, diameter of a bottle [mm].
        film_w_m2k: Film between water and face [W/(m²·K)].
        shape: A slab takes heat through both faces, a bottle through its side.
    """

    thickness_mm: float
    film_w_m2k: float
    shape: PackShape = "slab"

    def __post_init__(self) -> None:
        if not (0.0 < self.thickness_mm < 1000.0 and 0.0 < self.film_w_m2k < math.inf):
            raise PhysicsError(
                f"pack {self.thickness_mm} mm thick with a film of {self.film_w_m2k} W/(m²·K):"
                " both must be above 0"
            )

    @property
    def area_m2_kg(self) -> float:
        """Area of one kilogram [m²/kg]: 0.057 for 35 mm flat, 0.040 for a bottle of 100 mm."""
        faces = 2.0 if self.shape == "slab" else 4.0
        return 1000.0 * faces / (FILL_DENSITY_KG_M3 * self.thickness_mm)

    @property
    def melt_m2k_w(self) -> float:
        """Resistance of the melt per unit of `front_of` [m²·K/W], counted on the outer face."""
        half_m = self.thickness_mm / 2000.0
        return (half_m if self.shape == "slab" else 0.5 * half_m) / LIQUID_CONDUCTIVITY_W_MK

    def conductance_w_kgk(self, melted: float) -> float:
        """Return the conductance of one kilogram [W/(kg·K)] at this melted share.

        The front moves inwards from the face; the melt between them conducts and does not stir (a
        gel; plain water stirs a little and does better).

        Source:
            Plank's picture of a moving front (Int. J. Refrig. and ASHRAE Refrigeration 2014
            ch. 20 give it for freezing), used for thawing.
        """
        front = front_of(self.shape, melted)
        return self.area_m2_kg / (1.0 / self.film_w_m2k + self.melt_m2k_w * front)


def front_of(shape: PackShape, melted: float) -> float:
    """Return how deep the melting front lies at a melted share of 0 to 1.

    Of a slab in half thicknesses, 0 to 1. Of a bottle, whose front has the radius R·√(1 - melted),
    the logarithm of the two radii in halves: -ln(1 - melted), 0 to `DEEPEST_FRONT`.
    """
    if shape == "slab":
        return melted
    return min(DEEPEST_FRONT, -math.log1p(-melted)) if melted < 1.0 else DEEPEST_FRONT
