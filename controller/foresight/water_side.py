"""The reservoir as the forecast sees it: water, melting packs and the heat that the coil brings.

One lumped water temperature, driven by what was observed (share of time cooling, air, room). The
shapes (a coil that is dry or wet, a melting front whose conductance falls, packs that do not end
together) come from our own study of simulated plants; nothing was measured on hardware.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from controller.foresight.bins import BIN_S
from controller.foresight.sized import Sized
from controller.foresight.unknowns import WATER_KJ_KGK, Unknowns

SMOOTH_K2 = 0.16
"""How smoothly a coil goes from dry to wet [K²]."""
_LAST_ICE = 0.01
"""Share of the ice below which a front is no front any more [-]."""


class Group(NamedTuple):
    """Packs that share a history: their share of a full set, and what of it is melted."""

    share: float
    melted: float
    frozen: float | None
    """Share that was frozen when they went in; None: the one being fitted."""


class WaterDrive(NamedTuple):
    """What drives the water over one bin; nothing missing."""

    duty: float
    air_c: float
    room_c: float


class Water(NamedTuple):
    """The reservoir at an instant."""

    water_c: float
    groups: tuple[Group, ...]


def coil_k(x: float, offset: float, dry: float) -> float:
    """Return how hard the coil works, in kelvin: dry slope or wet line, smoothly the larger.

    Args:
        x: Air less water [K].
        offset: Where the wet line starts [K].
        dry: Slope of the dry line [-].
    """
    dry_k = dry * x
    if x <= 0.0:
        return dry_k
    wet_k = x - offset
    return 0.5 * (dry_k + wet_k + math.sqrt((dry_k - wet_k) ** 2 + SMOOTH_K2))


def groups_melted(groups: Sequence[Group], melted: Sequence[float]) -> tuple[Group, ...]:
    """Return groups with what is melted of them now."""
    return tuple(
        Group(group.share, now, group.frozen) for group, now in zip(groups, melted, strict=True)
    )


class WaterSide:
    """The equation of the reservoir with one set of values for its unknowns.

    C·dR/dt = u·[K·g(A − R) + P] + U·(Rm − R) − Σ fⱼ·Gⱼ·(R − Tp); dzⱼ/dt = Gⱼ·(R − Tp)/M while
    zⱼ < φⱼ, with pⱼ = 1 − zⱼ/φⱼ the ice left and Gⱼ = G/(1 − b + 2·b·zⱼ)·pⱼ^¼·(1 − e^(−pⱼ/s))^½.
    The last factor is the share of packs that still hold ice where their times of melting are
    spread evenly: with less than s left, the first ones are spent. Melted packs add to C.
    R water, A air, Rm room, Tp plateau of the packs, u share of time cooling, z melted, φ frozen.
    """

    __slots__ = ("_core", "_packs_j_k", "_plateau_c", "_pump_w", "_spread", "coil_w_k", "dry",
                 "frozen", "leak_w_k", "offset", "packs_w_k", "water_j_k", "worth_j")  # fmt: skip

    def __init__(self, values: Unknowns, sized: Sized) -> None:
        self.coil_w_k = math.exp(values.coil)
        self.water_j_k = math.exp(values.water)
        self.leak_w_k = math.exp(values.leak)
        self.packs_w_k = math.exp(values.packs)
        self.worth_j = math.exp(values.worth)
        self.frozen = math.exp(values.frozen)
        self.offset = values.offset
        self.dry = values.dry
        self._core = values.core
        self._spread = math.exp(values.spread)
        self._pump_w = sized.pump_w
        self._plateau_c = sized.plateau_c
        self._packs_j_k = WATER_KJ_KGK * 1000.0 * sized.packs_kg

    def pack_w_k(self, group: Group) -> float:
        """Return the conductance of a full set in the state of this group [W/K]."""
        frozen = self.frozen if group.frozen is None else group.frozen
        melted = group.melted
        if melted >= frozen:
            return 0.0
        left = 1.0 - melted / frozen + _LAST_ICE
        holding = 1.0 - math.exp(-left / self._spread)
        front = 1.0 + self._core * (2.0 * melted - 1.0)
        # two square roots are left^¼·holding^½ in one go
        return self.packs_w_k / front * math.sqrt(holding * math.sqrt(left))

    def stepper(
        self, groups: Sequence[Group]
    ) -> tuple[Callable[[float, float, float, float], float], list[float]]:
        """Return what steps the reservoir by `BIN_S`, and what is melted of each group so far.

        It is called with the water [°C], the share of time cooling [-], air and room [°C], returns
        the water one step later, implicit in its temperature, and brings the list up to date. Plain
        numbers, because a forecast takes ten thousand such steps.

        Args:
            groups: The packs in the water as the first step begins.
        """
        coil_w_k, leak_w_k, packs_w_k = self.coil_w_k, self.leak_w_k, self.packs_w_k
        offset, dry, core, spread = self.offset, self.dry, self._core, self._spread
        pump_w, plateau_c, worth_j = self._pump_w, self._plateau_c, self.worth_j
        water_j_k, packs_j_k = self.water_j_k, self._packs_j_k
        melted = [group.melted for group in groups]
        packs = [
            (place, group.share, self.frozen if group.frozen is None else group.frozen)
            for place, group in enumerate(groups)
        ]
        taken_w_k = [0.0] * len(packs)
        sqrt, exp = math.sqrt, math.exp

        def step(previous_c: float, duty: float, air_c: float, room_c: float) -> float:
            heat_w = leak_w_k * room_c
            slope_w_k = leak_w_k
            if duty > 0.0:
                x = air_c - previous_c
                per_k = dry
                if x >= 0.1:
                    dry_k, wet_k = dry * x, x - offset
                    per_k = 0.5 * (dry_k + wet_k + sqrt((dry_k - wet_k) ** 2 + SMOOTH_K2)) / x
                cooled_w_k = duty * coil_w_k * per_k
                heat_w += duty * pump_w + cooled_w_k * air_c
                slope_w_k += cooled_w_k
            liquid = 0.0
            for place, share, frozen in packs:
                gone = melted[place]
                pack_w_k = 0.0
                if gone < frozen:
                    left = 1.0 - gone / frozen + _LAST_ICE
                    holding = 1.0 - exp(-left / spread)
                    front = 1.0 + core * (2.0 * gone - 1.0)
                    # two square roots are left^¼·holding^½ in one go
                    pack_w_k = packs_w_k / front * sqrt(holding * sqrt(left))
                taken_w_k[place] = pack_w_k
                ice_w_k = share * pack_w_k
                heat_w += ice_w_k * plateau_c
                slope_w_k += ice_w_k
                liquid += share * (gone if gone < 1.0 else 1.0)  # noqa: FURB136
            inertia_w_k = (water_j_k + packs_j_k * liquid) / BIN_S
            water_c = (inertia_w_k * previous_c + heat_w) / (inertia_w_k + slope_w_k)
            over_k = 0.5 * (previous_c + water_c) - plateau_c
            melt = BIN_S * (over_k if over_k > 0.0 else 0.0) / worth_j  # noqa: FURB136
            for place, _, frozen in packs:
                pack_w_k = taken_w_k[place]
                if pack_w_k > 0.0:
                    gone = melted[place] + melt * pack_w_k
                    melted[place] = gone if gone < frozen else frozen  # noqa: FURB136
            return water_c

        return step, melted

    def run(self, start: Water, steps: Sequence[WaterDrive]) -> list[Water]:
        """Return the reservoir at the start and after each step."""
        states = [start]
        water_c, groups = start
        step, melted = self.stepper(groups)
        for duty, air_c, room_c in steps:
            water_c = step(water_c, duty, air_c, room_c)
            states.append(Water(water_c, groups_melted(groups, melted)))
        return states

    def course(self, start: Water, steps: Sequence[WaterDrive]) -> tuple[list[float], list[float]]:
        """Return the water at the start and after each step, and what is melted in the end."""
        water_c, groups = start
        step, melted = self.stepper(groups)
        waters_c = [water_c]
        for duty, air_c, room_c in steps:
            water_c = step(water_c, duty, air_c, room_c)
            waters_c.append(water_c)
        return waters_c, melted

    def ice_w_k(self, water: Water) -> float:
        """Return the conductance of all packs in the water [W/K]."""
        return sum(group.share * self.pack_w_k(group) for group in water.groups)

    def capacity_j_k(self, water: Water) -> float:
        """Return the heat capacity of the water and of what is melted [J/K]."""
        liquid = sum(group.share * min(group.melted, 1.0) for group in water.groups)
        return self.water_j_k + self._packs_j_k * liquid

    def ice_left_j(self, water: Water) -> float:
        """Return the heat that the packs still take by melting [J]."""
        return sum(
            group.share
            * self.worth_j
            * max(0.0, (self.frozen if group.frozen is None else group.frozen) - group.melted)
            for group in water.groups
        )


@dataclass(frozen=True, slots=True)
class WaterCourse:
    """What was seen from a swap on."""

    start: Water
    steps: Sequence[WaterDrive]
    seen_c: Sequence[float | None]
    """Mean of the water over each step; None where the probe was lost."""
