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
_MOST_SPENT = 0.999
"""The last pack is not spent before its ice is gone [-]."""


class Group(NamedTuple):
    """Packs that share a history: their share of a full set, and what of it is melted."""

    share: float
    melted: float
    frozen: float | None
    """Share that was frozen when they went in; None: the one being fitted."""
    warmed_k: float | None = 0.0
    """How far what is spent of them has warmed above the plateau, times the share of packs that
    are spent [K]; None: as warm as the water."""


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


def groups_melted(groups: Sequence[Group], packs: Sequence[float]) -> tuple[Group, ...]:
    """Return groups as their packs are now.

    Args:
        groups: The groups.
        packs: What is melted of each, then how far what is spent of each has warmed [K].
    """
    n = len(groups)
    return tuple(
        Group(group.share, melted, group.frozen, warmed_k)
        for group, melted, warmed_k in zip(groups, packs[:n], packs[n:], strict=True)
    )


class WaterSide:
    """The equation of the reservoir with one set of values for its unknowns.

    C·dR/dt = u·[K·g(A − R) + P] + U·(Rm − R) − Σ fⱼ·[Gⱼ·(R − Tp) + mc·dqⱼ/dt];
    dzⱼ/dt = Gⱼ·(R − Tp)/M while zⱼ < φⱼ, with pⱼ = 1 − zⱼ/φⱼ the ice left and
    Gⱼ = G·(2·pⱼ)^n/(1 − b + 2·b·zⱼ)·(1 − eⱼ)^½. The front shrinks with the ice: n is nothing for
    a slab and ½ for a bottle, whose front has the radius √p. eⱼ = e^(−pⱼ/s) is the share of packs
    that are spent, where they do not end together. What is melted stays at the plateau as long as
    its pack holds ice; then it warms with the conductance G: dqⱼ/dt = G/mc·(eⱼ·(R − Tp) − qⱼ).
    R water, A air, Rm room, Tp plateau of the packs, u share of time cooling, z melted, φ frozen,
    mc heat capacity of a melted set, q how far what is spent has warmed, times its share.
    """

    __slots__ = ("_core", "_half", "_packs_j_k", "_plateau_c", "_pump_w", "_shrink", "_spread",
                 "_warming", "coil_w_k", "dry", "frozen", "leak_w_k", "offset", "packs_w_k",
                 "water_j_k", "worth_j")  # fmt: skip

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
        self._shrink = values.shrink
        self._half = self.packs_w_k * 2.0**values.shrink
        self._warming = self.packs_w_k / self._packs_j_k

    def pack_w_k(self, group: Group) -> float:
        """Return the conductance of a full set in the state of this group [W/K]."""
        return self._pack(group)[0]

    def _pack(self, group: Group) -> tuple[float, float]:
        """Return the conductance of a full set [W/K], and the share of its packs that are spent."""
        frozen = self.frozen if group.frozen is None else group.frozen
        melted = group.melted
        if melted >= frozen:
            return 0.0, 1.0
        left = 1.0 - melted / frozen
        spent = math.exp(-left / self._spread)
        front = 1.0 + self._core * (2.0 * melted - 1.0)
        left += _LAST_ICE
        return self._half / front * left**self._shrink * math.sqrt(1.0 - _MOST_SPENT * spent), spent

    def _warmed_k(self, group: Group, water_c: float) -> float:
        if group.warmed_k is None:
            return self._pack(group)[1] * (water_c - self._plateau_c)
        return group.warmed_k

    def stepper(
        self, start: Water
    ) -> tuple[Callable[[float, float, float, float], float], list[float]]:
        """Return what steps the reservoir by `BIN_S`, and its packs as `groups_melted` takes them.

        It is called with the water [°C], the share of time cooling [-], air and room [°C], returns
        the water one step later, implicit in its temperature, and brings the list up to date. Plain
        numbers, because a forecast takes ten thousand such steps.

        Args:
            start: The reservoir as the first step begins.
        """
        coil_w_k, leak_w_k, half_w_k = self.coil_w_k, self.leak_w_k, self._half
        offset, dry, core, spread = self.offset, self.dry, self._core, self._spread
        shrink, pump_w, plateau_c, worth_j = (
            self._shrink,
            self._pump_w,
            self._plateau_c,
            self.worth_j,
        )
        groups = start.groups
        n = len(groups)
        packs = [
            (place, group.share, self.frozen if group.frozen is None else group.frozen)
            for place, group in enumerate(groups)
        ]
        now = [group.melted for group in groups]
        now += [self._warmed_k(group, start.water_c) for group in groups]
        pack_w_k_of, spent_of = [0.0] * n, [1.0] * n
        warms = self._warming * BIN_S
        warms /= 1.0 + warms
        spent_w_k = warms * self._packs_j_k / BIN_S
        inertia_w_k = self.water_j_k / BIN_S
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
            for place, share, frozen in packs:
                melted = now[place]
                pack_w_k, spent = 0.0, 1.0
                if melted < frozen:
                    left = 1.0 - melted / frozen
                    spent = exp(-left / spread)
                    front = 1.0 + core * (2.0 * melted - 1.0)
                    left += _LAST_ICE
                    pack_w_k = half_w_k / front * left**shrink * sqrt(1.0 - _MOST_SPENT * spent)
                pack_w_k_of[place] = pack_w_k
                spent_of[place] = spent
                ice_w_k = share * (pack_w_k + spent_w_k * spent)
                heat_w += ice_w_k * plateau_c + share * spent_w_k * now[n + place]
                slope_w_k += ice_w_k
            water_c = (inertia_w_k * previous_c + heat_w) / (inertia_w_k + slope_w_k)
            over_k = 0.5 * (previous_c + water_c) - plateau_c
            melt = BIN_S * (over_k if over_k > 0.0 else 0.0) / worth_j  # noqa: FURB136
            over_k = water_c - plateau_c
            for place, _, frozen in packs:
                pack_w_k = pack_w_k_of[place]
                if pack_w_k > 0.0:
                    melted = now[place] + melt * pack_w_k
                    now[place] = melted if melted < frozen else frozen  # noqa: FURB136
                now[n + place] += warms * (spent_of[place] * over_k - now[n + place])
            return water_c

        return step, now

    def run(self, start: Water, steps: Sequence[WaterDrive]) -> list[Water]:
        """Return the reservoir at the start and after each step."""
        states = [start]
        water_c, groups = start
        step, packs = self.stepper(start)
        for duty, air_c, room_c in steps:
            water_c = step(water_c, duty, air_c, room_c)
            states.append(Water(water_c, groups_melted(groups, packs)))
        return states

    def course(self, start: Water, steps: Sequence[WaterDrive]) -> tuple[list[float], list[float]]:
        """Return the water at the start and after each step, and what is melted in the end."""
        water_c, groups = start
        step, packs = self.stepper(start)
        waters_c = [water_c]
        for duty, air_c, room_c in steps:
            water_c = step(water_c, duty, air_c, room_c)
            waters_c.append(water_c)
        return waters_c, packs[: len(groups)]

    def ice_w_k(self, water: Water) -> float:
        """Return the conductance of all packs in the water [W/K]."""
        return sum(group.share * self.pack_w_k(group) for group in water.groups)

    def capacity_j_k(self, water: Water) -> float:
        """Return the heat capacity of the water and of the packs that are spent [J/K]."""
        spent = sum(group.share * self._pack(group)[1] for group in water.groups)
        return self.water_j_k + self._packs_j_k * spent

    def cold_left_j(self, water: Water, until_c: float) -> float:
        """Return the heat that the reservoir takes until it is this warm, its packs melted [J].

        Args:
            water: The reservoir.
            until_c: How warm it gets [°C].
        """
        cold_j = self.ice_left_j(water) + self.water_j_k * (until_c - water.water_c)
        for group in water.groups:
            over_k = until_c - self._plateau_c - self._warmed_k(group, water.water_c)
            cold_j += group.share * self._packs_j_k * over_k
        return cold_j

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
