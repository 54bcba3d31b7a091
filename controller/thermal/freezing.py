"""The freezer that must keep up: how long a pack takes to freeze, and how much a day it can do.

Two limits, and the tighter one holds: the time one pack takes in that air (Plank), and the heat
that the freezer can move in a day (its rating plate). `FreezerQueue` joins both.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from controller.errors import PhysicsError
from controller.thermal.packs import FILL_DENSITY_KG_M3, Fill
from controller.thermal.specs import FreezerSpec, PackSpec, PlantSpec
from controller.thermal.water import LATENT_HEAT_KJ_KG

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
THREE_STAR_SHARE = 0.5
"""A three-star compartment holds -18 °C and promises no freezing; half of a four-star's is counted.
Own estimate, no source."""
ICE_BOX_KG_DAY = 0.5
"""An ice box of one or two stars, in kg of packs a day, whatever its size. Own estimate."""
FOOD_KJ_KG = 320.0
"""Heat of the rating plate's test load from 25 to -18 °C [kJ/kg]; lean food, from memory. Water
takes 475 on the same way, and 412 from 10 °C."""
FOOD_LEAVES = {"none": 1.0, "half": 0.8, "full": 0.5}
"""Share of its capacity left for packs, by what else is in it. Common practice, no source."""
SPENT_C = 10.0
"""Temperature at which spent packs go into the freezer [°C]. Own choice: near the warmest useful
water."""

Shape = Literal["slab", "bottle", "sphere"]
_PLANK: dict[Shape, tuple[float, float]] = {
    "slab": (1 / 2, 1 / 8),
    "bottle": (1 / 4, 1 / 16),
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
        shape: ``slab`` (both faces), ``bottle`` (a cylinder) or ``sphere``.
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
    from_c: float = SPENT_C,
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
        shape=packs.shape,
        one_face=one_face,
    )
    return seconds / 3600.0


def freezer_kg_per_day(freezer: FreezerSpec, packs: PackSpec) -> float:
    """Return the packs that the freezer can freeze in a day, however many lie in it [kg/day].

    By the plate's capacity, else the least that the regulation asks of that volume; turned from
    food at 25 °C into spent packs by their heat, less what the food inside takes up. 9 kg of food a
    day are 7.0 kg of water packs.
    """
    if freezer.kg_per_day is not None:
        rated_kg = freezer.kg_per_day
    elif freezer.stars <= 2:
        return ICE_BOX_KG_DAY * FOOD_LEAVES[freezer.food]
    else:
        rated_kg = max(FOUR_STAR_LEAST_KG_DAY, FOUR_STAR_KG_DAY_L * freezer.litres)
        if freezer.stars == 3:
            rated_kg *= THREE_STAR_SHARE
    fill = packs.filling
    freezer_c = FREEZER_C if packs.freezer_c is None else packs.freezer_c
    kj_kg = freezing_heat_kj_kg(
        fill, from_c=max(SPENT_C, fill.plateau_c), to_c=min(freezer_c, fill.plateau_c)
    )
    return rated_kg * FOOD_KJ_KG / kj_kg * FOOD_LEAVES[freezer.food]


def freezers_kg_per_day(plant: PlantSpec) -> float:
    """Return the packs that all freezers of a plant together can freeze in a day [kg/day].

    Whoever has two lays the packs where there is room, so what each can do is added.
    """
    return sum(freezer_kg_per_day(freezer, plant.packs) for freezer in plant.every_freezer)


SAME_SHARE = 1e-9
"""Frozen shares no further apart are the same [-]: at the instant that `FreezerQueue.frozen_at`
gives for a pack, the pack is frozen, whatever the sums round to."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FreezerPace:
    """How fast a plant's freezers together freeze one kind of pack."""

    refreeze_s: float
    """Time one pack takes from melted to frozen [s]; infinite: never in this freezer."""
    pack_s: float
    """Least time between two packs, by the heat that all freezers together can move [s]."""


def freezer_pace(plant: PlantSpec) -> FreezerPace:
    """Return how fast the plant's freezers freeze its packs."""
    return FreezerPace(
        refreeze_s=3600.0 * refreeze_h(plant.packs),
        pack_s=86_400.0 * plant.packs.kg / freezers_kg_per_day(plant),
    )


@dataclass(frozen=True, slots=True)
class FreezerQueue:
    """The packs in the freezers; a value, each call returns the next one.

    Each pack freezes as fast as it can alone. Where the heat pumps cannot keep up with all of them,
    the most frozen ones go first and the others wait. So all packs together are never colder than
    the freezers can have made them, and taking some out half frozen costs the others nothing.
    """

    pace: FreezerPace
    shares: tuple[float, ...] = ()
    """Share of each pack that is frozen, the most frozen first …"""
    at_s: float = -math.inf
    """… at this instant [s]."""

    def put(self, packs: int, at_s: float, *, frozen_share: float = 0.0) -> FreezerQueue:
        """Return the queue with more packs in it.

        Args:
            packs: How many.
            at_s: Now [s]; not before the last change.
            frozen_share: Share of each that is frozen still.
        """
        shares = sorted((*self.frozen_shares(at_s), *(frozen_share,) * packs), reverse=True)
        return FreezerQueue(self.pace, tuple(shares), at_s)

    def without(self, packs: int, at_s: float) -> FreezerQueue:
        """Return the queue after the *packs* that are most frozen were taken out at *at_s* [s]."""
        return FreezerQueue(self.pace, self.frozen_shares(at_s)[packs:], at_s)

    def frozen_shares(self, at_s: float) -> tuple[float, ...]:
        """Return the share of each pack that is frozen at an instant, the most frozen first."""
        shares = list(self.shares)
        left_s = at_s - self.at_s
        for lasts_s, per_s, first in self._stretches():
            for place, rate in enumerate(per_s, start=first):
                share = shares[place] + rate * min(lasts_s, left_s)
                shares[place] = 1.0 if share > 1.0 - SAME_SHARE else share
            if lasts_s >= left_s:
                break
            shares[first] = 1.0
            left_s -= lasts_s
        return tuple(shares)

    def frozen_at(self, packs: int, share: float = 1.0) -> float:
        """Return when so many packs are frozen to a share [s]; infinite where they never are.

        Not before the last change; -infinity for packs that have lain frozen since ever.
        """
        if packs > len(self.shares):
            return math.inf
        place, at_s, frozen = packs - 1, self.at_s, self.shares[packs - 1]
        for lasts_s, per_s, first in self._stretches():
            if frozen >= share:
                break
            rate = per_s[place - first] if place - first < len(per_s) else 0.0
            if rate * lasts_s >= share - frozen:
                return at_s + (share - frozen) / rate
            at_s += lasts_s
            frozen = 1.0 if place == first else frozen + rate * lasts_s
        return at_s if frozen >= share else math.inf

    @property
    def ready_s(self) -> tuple[float, ...]:
        """When each pack is frozen through [s], earliest first."""
        return tuple(self.frozen_at(number) for number in range(1, len(self.shares) + 1))

    def _stretches(self) -> Iterator[tuple[float, list[float], int]]:
        """Yield how packs freeze until the next one is frozen through, until none freezes any more.

        How long that lasts [s], the rates of the packs that freeze meanwhile [1/s], and the place
        of the first of them.
        """
        alone_per_s = 1.0 / self.pace.refreeze_s
        all_per_s = math.inf if self.pace.pack_s == 0.0 else 1.0 / self.pace.pack_s
        shares = list(self.shares)
        for first in range(len(shares)):
            if shares[first] >= 1.0:
                continue
            per_s, left_per_s = list[float](), all_per_s
            while left_per_s > 0.0 and first + len(per_s) < len(shares):
                per_s.append(min(alone_per_s, left_per_s))
                left_per_s -= per_s[-1]
            if not per_s or per_s[0] <= 0.0:
                return
            lasts_s = (1.0 - shares[first]) / per_s[0]
            yield lasts_s, per_s, first
            for place, rate in enumerate(per_s, start=first):
                shares[place] = min(1.0, shares[place] + rate * lasts_s)


def frozen_queue(packs: int, pace: FreezerPace) -> FreezerQueue:
    """Return freezers in which packs have lain long: frozen, unless they never freeze in them."""
    return FreezerQueue(pace, (0.0 if math.isinf(pace.refreeze_s) else 1.0,) * packs)


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
