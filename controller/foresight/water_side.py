"""The reservoir as the forecast sees it: water, melting packs and the heat that the coil brings.

One lumped water temperature, driven by what was observed (share of time cooling, air, room). The
shapes (a coil that is dry or wet, a melting front whose conductance falls, packs that do not end
together) come from our own study of simulated plants; nothing was measured on hardware.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
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

    def after(self, water: Water, step: WaterDrive, dt_s: float = BIN_S) -> Water:
        """Return the reservoir one step later, implicit in its temperature."""
        previous_c, plateau_c = water.water_c, self._plateau_c
        duty, air_c, room_c = step
        heat_w = self.leak_w_k * room_c
        slope_w_k = self.leak_w_k
        if duty > 0.0:
            x = air_c - previous_c
            per_k = self.dry if x < 0.1 else coil_k(x, self.offset, self.dry) / x
            coil_w_k = duty * self.coil_w_k * per_k
            heat_w += duty * self._pump_w + coil_w_k * air_c
            slope_w_k += coil_w_k
        liquid = 0.0
        conductances = []
        for group in water.groups:
            pack_w_k = self.pack_w_k(group)
            conductances.append(pack_w_k)
            ice_w_k = group.share * pack_w_k
            heat_w += ice_w_k * plateau_c
            slope_w_k += ice_w_k
            liquid += group.share * min(group.melted, 1.0)
        inertia_w_k = (self.water_j_k + self._packs_j_k * liquid) / dt_s
        water_c = (inertia_w_k * previous_c + heat_w) / (inertia_w_k + slope_w_k)
        melt = dt_s * max(0.0, 0.5 * (previous_c + water_c) - plateau_c) / self.worth_j
        groups = []
        for group, pack_w_k in zip(water.groups, conductances, strict=True):
            if pack_w_k > 0.0:
                frozen = self.frozen if group.frozen is None else group.frozen
                melted = min(group.melted + melt * pack_w_k, frozen)
                groups.append(Group(group.share, melted, group.frozen))
            else:
                groups.append(group)
        return Water(water_c, tuple(groups))

    def run(self, start: Water, steps: Sequence[WaterDrive]) -> list[Water]:
        """Return the reservoir at the start and after each step."""
        states = [start]
        water = start
        for step in steps:
            water = self.after(water, step)
            states.append(water)
        return states

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
