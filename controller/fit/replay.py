"""A plant driven once more by what was recorded: how far is each reading from the model's?

The two sides are kept apart, so that neither carries the other's errors. On the air side the coil
meets the water as it was measured; the heat that it takes there goes into the water side, whose
packs and leak then give a reservoir of their own. What is unknown of a set of packs, how much
frozen it went in, is one figure for each set.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import NamedTuple

from controller.errors import PhysicsError
from controller.foresight.swaps import Swap
from controller.thermal.bath import Bath, PackGroup
from controller.thermal.plant import Plant
from controller.thermal.probe import lagged_c
from controller.thermal.specs import PlantSpec

LONGEST_SPAN_S = 180.0
"""Records keep one reading a minute; after a longer pause the replay begins anew [s]."""
SETTLING_S = 2 * 3600.0
"""Time in which crop and fabric, which no probe sees, come to where they were [s]."""
SWAP_SETTLING_S = 20 * 60.0
"""After a swap the water is stirred and the lid was open [s]."""
PACK_STRIDE_S = 60.0
FINE_S, FINE_FOR_S = 15.0, 90.0
"""After a switch the air falls or rises within seconds, and a probe's lag must be led along that
course: steps no longer than the first [s], for the second [s]."""


class Observed(NamedTuple):
    """What was recorded at an instant [°C], and what ran from then on."""

    at_s: float
    """Seconds since 1970, UTC."""
    air_c: float
    water_c: float
    room_c: float
    pump: bool
    fan: bool
    lights: bool = False
    """By the clock."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Readings without a hole, and the swaps that fell into them."""

    seen: tuple[Observed, ...]
    swaps: tuple[Swap, ...]

    @property
    def seconds(self) -> float:
        """Length [s]."""
        return self.seen[-1].at_s - self.seen[0].at_s


def stretches_of(
    seen: Sequence[Observed], swaps: Sequence[Swap], *, least_s: float = 2 * SETTLING_S
) -> Iterator[Stretch]:
    """Yield the stretches of a record that are long enough to say something.

    Args:
        seen: In the order of time.
        swaps: In the order of time.
        least_s: Shorter stretches are passed over [s].
    """
    begin = 0
    for index in range(1, len(seen) + 1):
        ends = index == len(seen) or seen[index].at_s - seen[index - 1].at_s > LONGEST_SPAN_S
        if not ends:
            continue
        first_s, last_s = seen[begin].at_s, seen[index - 1].at_s
        if last_s - first_s >= least_s:
            inside = tuple(swap for swap in swaps if first_s <= swap.at_s < last_s)
            yield Stretch(seen=tuple(seen[begin:index]), swaps=inside)
        begin = index


@dataclass(frozen=True, slots=True, kw_only=True)
class Offsets:
    """What the probes are off, each against the one in the air [K]."""

    water_k: float = 0.0
    room_k: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplayedAir:
    """The air of a stretch as the model has it, one value for each reading."""

    courses: tuple[tuple[tuple[float, float], ...], ...]
    """From this reading to the next: steps, each with its length [s] and the air at its end, the
    air itself and not what a probe makes of it [°C]."""
    start_c: float
    coil_kj: tuple[float, ...]
    """Heat into the water between this reading and the next, the pump's with it [kJ]."""


def air_side(stretch: Stretch, spec: PlantSpec, offsets: Offsets) -> ReplayedAir:
    """Return the model's air where the coil meets the water that was measured.

    Args:
        stretch: What was recorded.
        spec: The plant.
        offsets: What the probes are off.

    Raises:
        PhysicsError: The model left the range of its formulas.
    """
    plant = Plant(replace(spec, packs=replace(spec.packs, in_reservoir=0)))
    seen = stretch.seen
    state = plant.start(
        air_c=seen[0].air_c,
        reservoir_c=max(0.0, seen[0].water_c - offsets.water_k),
        room_c=seen[0].room_c - offsets.room_k,
        rh=spec.chamber.rh,
    )
    room_rh = spec.room.rh
    courses: list[tuple[tuple[float, float], ...]] = []
    heats_kj: list[float] = []
    switched_s, ran = -math.inf, (False, False)
    for reading, after in pairwise(seen):
        water_c = 0.5 * (reading.water_c + after.water_c) - offsets.water_k
        before = state._replace(reservoir_c=max(0.01, water_c), slush_kg=0.0)
        room_c = round(0.5 * (reading.room_c + after.room_c) - offsets.room_k, 3)
        if (reading.pump, reading.fan) != ran:
            ran, switched_s = (reading.pump, reading.fan), reading.at_s
        state, course = before, []
        for dt_s in _parts(after.at_s - reading.at_s, fine=reading.at_s - switched_s < FINE_FOR_S):
            state = plant.step(
                state, pump=reading.pump, fan=reading.fan, room_c=room_c, room_rh=room_rh,
                dt_s=dt_s, lights=reading.lights,
            )  # fmt: skip
            course.append((dt_s, state.air_c))
        courses.append(tuple(course))
        heats_kj.append(
            (state.coil_kj - before.coil_kj)
            - (state.drain_kj - before.drain_kj)
            + (state.pump_kj - before.pump_kj)
        )
    return ReplayedAir(start_c=seen[0].air_c, courses=tuple(courses), coil_kj=(*heats_kj, 0.0))


def _parts(seconds: float, *, fine: bool) -> list[float]:
    """Return the steps between two readings [s]."""
    if not fine:
        return [seconds]
    count = math.ceil(seconds / FINE_S)
    return [seconds / count] * count


def probe_in(air: ReplayedAir, *, lag_s: float) -> list[float]:
    """Return what a probe with a lag [s] would show of the model's air, for each reading [°C]."""
    probe_c = air_c = air.start_c
    shown_c = [probe_c]
    for course in air.courses:
        for dt_s, end_c in course:
            probe_c = lagged_c(probe_c, before_c=air_c, after_c=end_c, dt_s=dt_s, tau_s=lag_s)
            air_c = end_c
        shown_c.append(probe_c)
    return shown_c


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplayedWater:
    """The reservoir as the model has it."""

    water_c: tuple[float | None, ...]
    """One value for each reading [°C]; None until the first whole set is seen going in."""
    set_of: tuple[int, ...]
    """Which set of packs is in, counted from 0 over the stretch; -1: not known."""


def sets_in(stretch: Stretch, *, whole_set: int) -> list[Swap]:
    """Return the swaps by which a whole set went in, from which on the packs are known."""
    return [s for s in stretch.swaps if s.packs is None or s.packs >= whole_set]


def water_side(
    stretch: Stretch,
    spec: PlantSpec,
    offsets: Offsets,
    coil_kj: Sequence[float],
    frozen: Sequence[float],
) -> ReplayedWater:
    """Return the model's reservoir, begun anew from the reading at each swap of a whole set.

    Args:
        stretch: What was recorded.
        spec: The plant.
        offsets: What the probes are off.
        coil_kj: Heat that came into the water after each reading [kJ], of `air_side`.
        frozen: For each whole set, its heat of melting that was still to come, 1 for frozen
            through at its plateau, a little more where it is colder [-].

    Raises:
        PhysicsError: The model left the range of its formulas.
    """
    equations = Plant(spec).equations
    rules, reservoir = equations.packs, spec.reservoir
    set_size = spec.packs.in_reservoir
    starts = {swap.at_s: index for index, swap in enumerate(sets_in(stretch, whole_set=set_size))}
    to_come = list(stretch.swaps)
    shown: list[float | None] = []
    sets: list[int] = []
    bath = Bath()
    water_c, number = math.nan, -1
    stride_s = kelvin_s = 0.0
    for index, reading in enumerate(stretch.seen):
        while to_come and to_come[0].at_s <= reading.at_s:
            swap = to_come.pop(0)
            group = _pack_group(spec, swap.packs or set_size, 1.0)
            if swap.at_s in starts:
                number = starts[swap.at_s]
                group = _pack_group(spec, swap.packs or set_size, frozen[number])
                water_c = reading.water_c - offsets.water_k
                bath = Bath(groups=(group,))
            elif number >= 0:
                bath = rules.stride(
                    bath, seconds=stride_s, kelvin_s=kelvin_s, water_c=water_c,
                    stride_s=PACK_STRIDE_S,
                )  # fmt: skip
                bath = rules.swap(bath, group)
            bath = rules.stride(
                bath, seconds=0.0, kelvin_s=0.0, water_c=water_c, stride_s=PACK_STRIDE_S
            )
            stride_s = kelvin_s = 0.0
        sets.append(number)
        shown.append(None if number < 0 else water_c + offsets.water_k)
        if number < 0 or index + 1 == len(stretch.seen):
            continue
        after = stretch.seen[index + 1]
        dt_s = after.at_s - reading.at_s
        room_c = 0.5 * (reading.room_c + after.room_c) - offsets.room_k
        leak_kw_k = (reservoir.ua_w_k + (spec.fine.tubing_w_k if reading.pump else 0.0)) / 1000.0
        half_k_kj = 0.5 * dt_s / equations.water_kj_k
        kw = coil_kj[index] / dt_s + leak_kw_k * (room_c - water_c) + bath.kw - bath.kw_k * water_c
        mean_c = water_c + half_k_kj * kw / (1.0 + half_k_kj * (leak_kw_k + bath.kw_k))
        heat_kj = coil_kj[index] + dt_s * (
            leak_kw_k * (room_c - mean_c) + bath.kw - bath.kw_k * mean_c
        )
        water_c, _ = equations.water_state(equations.water_kj(water_c, 0.0) + heat_kj)
        if not -5.0 <= water_c <= 60.0:
            raise PhysicsError(f"the model's reservoir came to {water_c:.1f} °C")
        stride_s += dt_s
        kelvin_s += dt_s * mean_c
        if stride_s >= PACK_STRIDE_S - 0.1:
            bath = rules.stride(
                bath, seconds=stride_s, kelvin_s=kelvin_s, water_c=water_c, stride_s=PACK_STRIDE_S
            )
            stride_s = kelvin_s = 0.0
    return ReplayedWater(water_c=tuple(shown), set_of=tuple(sets))


def _pack_group(spec: PlantSpec, packs: int, frozen: float) -> PackGroup:
    """Return packs that have *frozen* times their heat of melting still to take."""
    return PackGroup(packs=packs, kj_kg=-frozen * spec.packs.filling.latent_kj_kg)


def counts_for_air(stretch: Stretch) -> list[bool]:
    """Return which readings of the air are compared: those after the model has settled."""
    begins_s = stretch.seen[0].at_s + SETTLING_S
    return [reading.at_s >= begins_s for reading in stretch.seen]


def counts_for_water(stretch: Stretch, *, whole_set: int) -> list[bool]:
    """Return which readings of the reservoir are compared.

    Those from the first whole set on, from which the model has one, but not those about a swap.
    """
    sets = sets_in(stretch, whole_set=whole_set)
    begins_s = sets[0].at_s if sets else math.inf
    swaps = [swap.at_s for swap in stretch.swaps]
    return [
        reading.at_s >= begins_s
        and not any(-SWAP_SETTLING_S / 2 <= reading.at_s - at_s < SWAP_SETTLING_S for at_s in swaps)
        for reading in stretch.seen
    ]
