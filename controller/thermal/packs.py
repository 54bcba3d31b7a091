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

from controller.errors import PhysicsError
from controller.thermal.water import LATENT_HEAT_KJ_KG

LIQUID_CONDUCTIVITY_W_MK = 0.56
"""Water near 0 °C, still, as in a gel [W/(m·K)]. Source: IAPWS-95 at 2 °C gives 0.5607."""
FILL_DENSITY_KG_M3 = 1000.0
"""Water and thin gels [kg/m³]."""


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
    """The way of heat into one kilogram of pack: a slab that takes heat through both faces.

    Args:
        thickness_mm: Whole thickness [mm].
        film_w_m2k: Film between water and face [W/(m²·K)].
    """

    thickness_mm: float
    film_w_m2k: float

    def __post_init__(self) -> None:
        if not (0.0 < self.thickness_mm < 1000.0 and 0.0 < self.film_w_m2k < math.inf):
            raise PhysicsError(
                f"pack {self.thickness_mm} mm thick with a film of {self.film_w_m2k} W/(m²·K):"
                " both must be above 0"
            )

    @property
    def area_m2_kg(self) -> float:
        """Area of both faces of one kilogram [m²/kg]."""
        return 2000.0 / (FILL_DENSITY_KG_M3 * self.thickness_mm)

    def conductance_w_kgk(self, melted: float) -> float:
        """Return the conductance of one kilogram [W/(kg·K)] at this melted share.

        The front has moved ``melted`` of the half thickness inwards; the melt between it and the
        face conducts and does not stir (a gel; plain water stirs a little and does better).

        Source:
            Plank's picture of a moving front (Int. J. Refrig. and ASHRAE Refrigeration 2014
            ch. 20 give it for freezing), used for thawing.
        """
        front_m = melted * self.thickness_mm / 2000.0
        return self.area_m2_kg / (1.0 / self.film_w_m2k + front_m / LIQUID_CONDUCTIVITY_W_MK)

    def melted_after(self, *, seconds: float, water_c: float, fill: Fill) -> float:
        """Return the melted share after a time in water held at *water_c*, from frozen at plateau.

        The front obeys ds/dt = (Tw - plateau)/(ρL·(1/h + s/k)), whose solution is a square root.
        Worked number: 30 mm, 200 W/(m²·K), 8 °C: 0.3132 after 1800 s.

        Raises:
            PhysicsError: The time is negative or not finite.
        """
        if not 0.0 <= seconds < math.inf:
            raise PhysicsError(f"time {seconds} s must be 0 or more")
        drive_k = max(0.0, water_c - fill.plateau_c)
        conductivity, film = LIQUID_CONDUCTIVITY_W_MK, self.film_w_m2k
        melt_j_m3 = FILL_DENSITY_KG_M3 * fill.latent_kj_kg * 1000.0
        front_m = conductivity * (
            math.sqrt(1.0 / film**2 + 2.0 * drive_k * seconds / (melt_j_m3 * conductivity))
            - 1.0 / film
        )
        return min(1.0, front_m * 2000.0 / self.thickness_mm)

    def melt_s(self, *, water_c: float, fill: Fill) -> float:
        """Return the time to melt in water held at *water_c* [s]; infinite at or below plateau."""
        drive_k = water_c - fill.plateau_c
        if drive_k <= 0.0:
            return math.inf
        half_m = self.thickness_mm / 2000.0
        melt_j_m3 = FILL_DENSITY_KG_M3 * fill.latent_kj_kg * 1000.0
        return (
            melt_j_m3
            * half_m
            * (1.0 / self.film_w_m2k + half_m / (2.0 * LIQUID_CONDUCTIVITY_W_MK))
            / drive_k
        )
