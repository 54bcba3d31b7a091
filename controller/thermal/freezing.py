"""The freezer that must keep up: how long a pack takes to freeze, and how much a day it can do."""

from __future__ import annotations

import math
from typing import Literal

from controller.errors import PhysicsError
from controller.thermal.packs import FILL_DENSITY_KG_M3, Fill
from controller.thermal.specs import PackSpec
from controller.thermal.water import LATENT_HEAT_KJ_KG, enthalpy_kj_kg, ice_enthalpy_kj_kg

FREEZER_C = -18.0
"""Air of a household freezer [°C]: the four-star storage temperature."""
FREEZER_FILM_W_M2K = 10.0
"""Film on a pack in a freezer without a fan [W/(m²·K)]: 5 to 10 still, 15 to 25 with a fan. Common
practice, no source."""
ICE_CONDUCTIVITY_W_MK = 2.2
"""Ice near 0 °C [W/(m·K)]. From memory of food-refrigeration tables."""
FOUR_STAR_KG_DAY_L = 4.5 / 100.0
"""Least that a four-star compartment freezes in 24 h, per litre [kg/(day·L)], and never under 2 kg.
Source: definition in the EU household-refrigerator regulation; the freezer's plate says it better.
"""
FOUR_STAR_LEAST_KG_DAY = 2.0
FOUR_STAR_FROM_C = 25.0
"""Temperature from which that load is frozen [°C]."""

Shape = Literal["slab", "cylinder", "sphere"]
_PLANK: dict[Shape, tuple[float, float]] = {
    "slab": (1 / 2, 1 / 8),
    "cylinder": (1 / 4, 1 / 16),
    "sphere": (1 / 6, 1 / 24),
}


def plank_s(
    *,
    thickness_m: float,
    film_w_m2k: float,
    around_c: float,
    freezing_c: float = 0.0,
    kj_kg: float = LATENT_HEAT_KJ_KG,
    density_kg_m3: float = FILL_DENSITY_KG_M3,
    frozen_w_mk: float = ICE_CONDUCTIVITY_W_MK,
    shape: Shape = "slab",
    one_face: bool = False,
) -> float:
    """Return the time to freeze through by Plank's equation [s]; infinite if it never freezes.

    It starts at the freezing point and leaves out sensible heat: put more than the latent heat
    into ``kj_kg`` to allow for it (412 for water from 10 to -18 °C).

    Args:
        thickness_m: Thickness of a slab, or diameter [m], above 0.
        film_w_m2k: Film around it [W/(m²·K)], above 0.
        around_c: Temperature around it [°C].
        freezing_c: Freezing point [°C].
        kj_kg: Heat to take out [kJ/kg].
        density_kg_m3: Density [kg/m³].
        frozen_w_mk: Conductivity of what is frozen [W/(m·K)].
        shape: ``slab`` (both faces), ``cylinder`` or ``sphere``.
        one_face: A slab that freezes from one face only, lying on a shelf.

    Raises:
        PhysicsError: A figure is not above 0, or one face of something other than a slab.

    Source:
        Plank: t = ρL/(Tf - Ta)·(P·a/h + R·a²/k); factors in ASHRAE Refrigeration 2014, ch. 20.
        Geankoplis, example 5.5-2, gives 6.65 h for 63.5 mm of meat.
    """
    positive = (thickness_m, film_w_m2k, kj_kg, density_kg_m3, frozen_w_mk)
    if not all(0.0 < figure < math.inf for figure in positive):
        raise PhysicsError(
            f"freezing of {thickness_m} m with {film_w_m2k} W/(m²·K), {kj_kg} kJ/kg,"
            f" {density_kg_m3} kg/m³ and {frozen_w_mk} W/(m·K): every figure must be above 0"
        )
    if not (math.isfinite(around_c) and math.isfinite(freezing_c)):
        raise PhysicsError(f"freezing at {freezing_c} °C in {around_c} °C: give finite numbers")
    if one_face and shape != "slab":
        raise PhysicsError(f"one face is a case of a slab, not of a {shape}")
    drive_k = freezing_c - around_c
    if drive_k <= 0.0:
        return math.inf
    film_factor, depth_factor = _PLANK[shape]
    if one_face:
        film_factor, depth_factor = 2.0 * film_factor, 4.0 * depth_factor
    resistance = (
        film_factor * thickness_m / film_w_m2k + depth_factor * thickness_m**2 / frozen_w_mk
    )
    return density_kg_m3 * kj_kg * 1000.0 / drive_k * resistance


def freezing_heat_kj_kg(fill: Fill, *, from_c: float, to_c: float) -> float:
    """Return the heat to take out of a melted pack from *from_c* to frozen at *to_c* [kJ/kg].

    Plain water from 10 to -18 °C: 412 kJ/kg.

    Raises:
        PhysicsError: The plateau does not lie between the two temperatures.
    """
    if not to_c <= fill.plateau_c <= from_c:
        raise PhysicsError(
            f"a pack that freezes at {fill.plateau_c} °C cannot go from melted at {from_c} °C to"
            f" frozen at {to_c} °C"
        )
    return (
        fill.liquid_kj_kgk * (from_c - fill.plateau_c)
        + fill.latent_kj_kg
        + fill.solid_kj_kgk * (fill.plateau_c - to_c)
    )


def refreeze_h(
    packs: PackSpec,
    *,
    from_c: float = 10.0,
    film_w_m2k: float = FREEZER_FILM_W_M2K,
    one_face: bool = False,
) -> float:
    """Return the hours one pack needs to freeze: the grower's own figure, else Plank's.

    Plank's is taken with the whole heat from *from_c* to the freezer's temperature. 30 mm of
    water in still -18 °C air: 9.86 h. Packs that touch, and a full freezer, take longer.

    Args:
        packs: The packs.
        from_c: Temperature at which they go in [°C].
        film_w_m2k: Film in the freezer [W/(m²·K)].
        one_face: They lie on a shelf and freeze from above only.

    Returns:
        Hours [h]; infinite when the plateau is not above the freezer's temperature.
    """
    if packs.refreeze_h is not None:
        return packs.refreeze_h
    fill = packs.filling
    freezer_c = FREEZER_C if packs.freezer_c is None else packs.freezer_c
    if fill.plateau_c <= freezer_c:
        return math.inf
    start_c = max(from_c, fill.plateau_c)
    seconds = plank_s(
        thickness_m=packs.thickness_mm / 1000.0,
        film_w_m2k=film_w_m2k,
        around_c=freezer_c,
        freezing_c=fill.plateau_c,
        kj_kg=freezing_heat_kj_kg(fill, from_c=start_c, to_c=freezer_c),
        one_face=one_face,
    )
    return seconds / 3600.0


def freezer_kg_per_day(*, litres: float, from_c: float = FOUR_STAR_FROM_C) -> float:
    """Return the water a four-star freezer must at least be able to freeze a day [kg/day].

    At the same average watts as its rated load from 25 °C: 100 litres do 4.5 kg from 25 °C and
    5.19 kg from 10 °C. An equivalence, not a rating: the plate's own kg in 24 h is better.

    Raises:
        PhysicsError: The volume is not above 0, or *from_c* lies outside 0 to 40 °C.
    """
    if not (0.0 < litres < math.inf and 0.0 <= from_c <= 40.0):
        raise PhysicsError(
            f"freezer of {litres} L fed from {from_c} °C: the volume must be above 0, the"
            " temperature between 0 and 40 °C"
        )
    rated_kg = max(FOUR_STAR_LEAST_KG_DAY, FOUR_STAR_KG_DAY_L * litres)
    return rated_kg * water_heat_kj_kg(from_c=FOUR_STAR_FROM_C) / water_heat_kj_kg(from_c=from_c)


def freezer_load_w(*, kg_per_day: float, from_c: float, to_c: float = FREEZER_C) -> float:
    """Return the average heat a freezer must take out of water packs [W]; it warms the house.

    9 kg a day from 25 to -18 °C: 49.5 W.
    """
    return kg_per_day * water_heat_kj_kg(from_c=from_c, to_c=to_c) / 86.4


def water_heat_kj_kg(*, from_c: float, to_c: float = FREEZER_C) -> float:
    """Return the heat between water at *from_c* and ice at *to_c* [kJ/kg].

    Raises:
        PhysicsError: Outside the ranges of `water.enthalpy_kj_kg` and `water.ice_enthalpy_kj_kg`.
    """
    return enthalpy_kj_kg(from_c) - ice_enthalpy_kj_kg(to_c)


def sets_in_rotation(*, refreeze_h: float, hours_per_set: float) -> float:
    """Return the sets of packs needed so that one is always frozen: 1 + refreezing over running.

    Round it up. Infinite when the packs never freeze. 9.9 h and 12.7 h: 1.78, so 2 sets.

    Raises:
        PhysicsError: A time is not above 0.
    """
    if not (refreeze_h > 0.0 and hours_per_set > 0.0):
        raise PhysicsError(
            f"refreezing in {refreeze_h} h and running for {hours_per_set} h: both must be above 0"
        )
    return 1.0 + refreeze_h / hours_per_set
