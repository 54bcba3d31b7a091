"""The packs in the reservoir, advanced in strides longer than a tick.

Packs change over hours while the air changes over seconds. So the heat they take is linear in the
water temperature over a stride: conductance and pack temperature are those predicted for the
middle of the stride, and what the water really gave is booked on the packs when the stride ends.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.errors import PhysicsError
from controller.thermal.packs import (
    DEEPEST_FRONT,
    Fill,
    PackFaces,
    front_of,
    melted_share,
    pack_kj_kg,
)
from controller.thermal.specs import PackSpec


class PackGroup(NamedTuple):
    """Packs that went in together: how many, heat content of each [kJ/kg].

    ``stride_kw_k`` and ``stride_c`` are the conductance of the whole group and its temperature
    for the stride under way.
    """

    packs: int
    kj_kg: float
    stride_kw_k: float = 0.0
    stride_c: float = 0.0


class Bath(NamedTuple):
    """The packs in the water and the books kept on them.

    Named tuples like `state.PlantState`, and for the same reason.
    Over the stride under way the water gives ``kw_k * water_c - kw`` to all packs together.
    """

    groups: tuple[PackGroup, ...] = ()
    kw_k: float = 0.0
    kw: float = 0.0
    stride_s: float = 0.0
    """Length of the stride under way, for whose middle the two above are predicted [s]."""
    melted_kg: float = 0.0
    """Fill melted in the reservoir so far, less what froze again [kg]."""
    swapped_in_kj: float = 0.0
    """Heat content that came in with packs at swaps, counted as in `packs` [kJ]."""
    swapped_out_kj: float = 0.0
    """Heat content that went out with packs at swaps [kJ]."""
    swapped_out_frozen_kg: float = 0.0
    """Fill still frozen in packs taken out [kg]."""
    packs_swapped: int = 0
    """Packs put in at swaps [-]."""


class PackBath:
    """The rules of one kind of pack in one reservoir."""

    def __init__(self, spec: PackSpec, *, film_w_m2k: float) -> None:
        self.fill: Fill = spec.filling
        self._kg = spec.kg
        self._faces = PackFaces(
            thickness_mm=spec.thickness_mm, film_w_m2k=film_w_m2k, shape=spec.shape
        )
        # the same conductance per kilogram as face / (film + melt·front)
        self._face_kw_kgk = self._faces.area_m2_kg / 1000.0
        self._film_m2k_w = 1.0 / film_w_m2k
        self._melt_m2k_w = self._faces.melt_m2k_w
        self._round = spec.shape == "bottle"
        self._deepest = DEEPEST_FRONT if self._round else 1.0

    def group_kw_k(self, packs: int, kj_kg: float) -> float:
        """Return the conductance between water and a group of packs [kW/K]."""
        melted = melted_share(self.fill, kj_kg)
        return packs * self._kg * self._faces.conductance_w_kgk(melted) / 1000.0

    def group(self, *, packs: int, frozen_share: float, pack_c: float) -> PackGroup:
        """Return packs in the state given, as `packs.pack_kj_kg` reads it.

        Raises:
            PhysicsError: A negative number of packs, or a state out of range.
        """
        if packs < 0:
            raise PhysicsError(f"{packs} packs: the number must be 0 or more")
        kj_kg = pack_kj_kg(self.fill, frozen_share=frozen_share, pack_c=pack_c)
        return PackGroup(packs=packs, kj_kg=kj_kg)

    def stride(
        self, bath: Bath, *, seconds: float, kelvin_s: float, water_c: float, stride_s: float
    ) -> Bath:
        """Book on each group what the water gave it, and plan the next stride.

        Args:
            bath: The bath as the stride now ending began.
            seconds: Time since then [s].
            kelvin_s: Integral of the water temperature over that time [°C·s].
            water_c: Water now [°C].
            stride_s: Length of the next stride [s].
        """
        fill = self.fill
        latent, solid, liquid = fill.latent_kj_kg, fill.solid_kj_kgk, fill.liquid_kj_kgk
        plateau_c, kg, half_s = fill.plateau_c, self._kg, 0.5 * stride_s
        face, film, melt = self._face_kw_kgk, self._film_m2k_w, self._melt_m2k_w
        is_round, deepest = self._round, self._deepest
        groups: list[PackGroup] = []
        kw_k = kw = 0.0
        melted_kg = bath.melted_kg
        for packs, before, past_kw_k, past_c in bath.groups:
            mass_kg = packs * kg
            kj_kg = before + past_kw_k * (kelvin_s - past_c * seconds) / mass_kg
            # predict the middle of the stride; implicit where temperature answers, so it never
            # overshoots. Written out: this runs all day long.
            if kj_kg > 0.0:
                rate = face / (film + melt * deepest)
                middle = kj_kg + half_s * rate * (water_c - plateau_c - kj_kg / liquid) / (
                    1.0 + half_s * rate / liquid
                )
            elif kj_kg < -latent:
                rate = face / film
                middle = kj_kg + half_s * rate * (
                    water_c - plateau_c - (kj_kg + latent) / solid
                ) / (1.0 + half_s * rate / solid)
            else:
                front = 1.0 + kj_kg / latent
                rate = face / (film + melt * (front_of("bottle", front) if is_round else front))
                middle = kj_kg + half_s * rate * (water_c - plateau_c)
            share_before = 0.0 if before < -latent else min(1.0, 1.0 + before / latent)
            if middle > 0.0:
                melted, middle_c = 1.0, plateau_c + middle / liquid
            elif middle < -latent:
                melted, middle_c = 0.0, plateau_c + (middle + latent) / solid
            else:
                melted, middle_c = 1.0 + middle / latent, plateau_c
            share = 0.0 if kj_kg < -latent else min(1.0, 1.0 + kj_kg / latent)
            melted_kg += mass_kg * (share - share_before)
            front = front_of("bottle", melted) if is_round else melted
            stride_kw_k = mass_kg * face / (film + melt * front)
            groups.append(PackGroup(packs, kj_kg, stride_kw_k, middle_c))
            kw_k += stride_kw_k
            kw += stride_kw_k * middle_c
        return Bath(tuple(groups), kw_k, kw, stride_s, melted_kg, *bath[5:])

    def swap(self, bath: Bath, fresh: PackGroup) -> Bath:
        """Put *fresh* packs in and take as many of the most spent ones out (settled bath).

        When fewer packs are in the reservoir than come in, all of them go out.
        """
        to_take = fresh.packs
        out_kj = bath.swapped_out_kj
        out_frozen_kg = bath.swapped_out_frozen_kg
        kept: list[PackGroup] = []
        for group in sorted(bath.groups, key=lambda group: -group.kj_kg):
            removed = min(to_take, group.packs)
            to_take -= removed
            out_kj += removed * self._kg * group.kj_kg
            out_frozen_kg += removed * self._kg * (1.0 - melted_share(self.fill, group.kj_kg))
            if group.packs > removed:
                kept.append(group._replace(packs=group.packs - removed))
        if fresh.packs:
            kept.append(fresh)
        return bath._replace(
            groups=tuple(kept),
            swapped_in_kj=bath.swapped_in_kj + fresh.packs * self._kg * fresh.kj_kg,
            swapped_out_kj=out_kj,
            swapped_out_frozen_kg=out_frozen_kg,
            packs_swapped=bath.packs_swapped + fresh.packs,
        )

    def held_kj(self, bath: Bath) -> float:
        """Return the heat content of all packs at the start of the stride under way [kJ]."""
        return sum(group.packs * self._kg * group.kj_kg for group in bath.groups)
