"""The reservoir of a plant driven once more by what was recorded, set of packs after set.

The heat comes from the air side (`fit.air_replay`); packs and leak then give a reservoir of its
own. What is unknown of a set of packs, how much frozen it went in, is one figure for each set.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np

from controller.errors import PhysicsError
from controller.fit.stretches import Offsets, ReadingIntegral, Stretch, since_first_s
from controller.foresight.swaps import Swap
from controller.thermal.bath import Bath, PackBath, PackGroup
from controller.thermal.equations import Equations
from controller.thermal.specs import PlantSpec

PACK_STEP_S, PACK_STEP_FOR_S = 120.0, 1800.0
"""Step of the water side [s] for the second after a swap [s], when the packs take most."""
LONG_PACK_STEP_S = 600.0
"""Step of the water side later on [s]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplayedWater:
    """The reservoir as the model has it."""

    water_c: Any
    """One value for each reading [°C]; not a number until the first whole set is seen going in."""
    set_of: Any
    """Which set of packs is in, counted from 0 over the stretch; -1: not known."""


class WaterStep(NamedTuple):
    """What acted on the reservoir over one of its steps, as it was read."""

    seconds: float
    pump_share: float
    room_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterTimes:
    """The steps of the water side over a stretch; they depend on no figure."""

    spans: tuple[tuple[Swap, float, tuple[WaterStep, ...]], ...]
    """From each swap to the next: the swap, the water read at it [°C], the steps."""
    begins_s: Any
    """When each span begins, counted from the first reading [s]."""
    ends_s: Any
    """Beginning of each span, then the ends of its steps, one span after the other [s]."""
    at_s: Any


def water_times(stretch: Stretch) -> WaterTimes:
    """Return the steps of the water side: a span from each swap to the next."""
    at_s = since_first_s(stretch)
    seen = stretch.seen
    room = ReadingIntegral(at_s, [reading.room_c for reading in seen])
    pump_s = np.concatenate(
        [[0.0], np.cumsum(np.diff(at_s) * np.array([reading.pump for reading in seen[:-1]]))]
    )
    first_s = seen[0].at_s
    starts = [
        min(int(np.searchsorted(at_s, swap.at_s - first_s - 1e-6)), len(seen) - 1)
        for swap in stretch.swaps
    ]
    spans, begins_s, all_ends_s = [], [], []
    for swap, start, end in zip(stretch.swaps, starts, [*starts[1:], len(seen) - 1], strict=True):
        begin_s, last_s = float(at_s[start]), float(at_s[end])
        ends_s = [
            each
            for each in (
                *np.arange(begin_s + PACK_STEP_S, begin_s + PACK_STEP_FOR_S, PACK_STEP_S),
                *np.arange(begin_s + PACK_STEP_FOR_S, last_s, LONG_PACK_STEP_S),
            )
            if each < last_s - 1.0
        ]
        ends_s = [*map(float, ends_s), last_s] if last_s > begin_s else []
        ran_s = np.interp([begin_s, *ends_s], at_s, pump_s)
        spans.append(
            (
                swap,
                seen[start].water_c,
                tuple(
                    WaterStep(
                        after_s - before_s, float(ran) / (after_s - before_s),
                        room.mean(before_s, after_s),
                    )
                    for (before_s, after_s), ran in zip(
                        pairwise([begin_s, *ends_s]), np.diff(ran_s), strict=True
                    )
                ),
            )
        )  # fmt: skip
        begins_s.append(begin_s)
        all_ends_s += [begin_s, *ends_s]
    return WaterTimes(
        spans=tuple(spans), begins_s=np.array(begins_s), ends_s=np.array(all_ends_s), at_s=at_s
    )


def water_side(
    times: WaterTimes,
    spec: PlantSpec,
    offsets: Offsets,
    heat_kj: Any,
    frozen: Sequence[float],
) -> ReplayedWater:
    """Return the model's reservoir, begun anew from the reading at each swap of a whole set.

    Args:
        times: The steps of the stretch.
        spec: The plant.
        offsets: What the probes are off.
        heat_kj: Heat that came into the water from the first reading until each of
            ``times.ends_s`` [kJ], of `ReplayedAir.heat_kj`.
        frozen: For each whole set, its heat of melting that was still to come, 1 for frozen
            through at its plateau, a little more where it is colder [-].

    Raises:
        PhysicsError: The model left the range of its formulas.
    """
    equations = Equations(spec)
    rules = equations.packs
    set_size = spec.packs.in_reservoir
    water_c, number = math.nan, -1
    bath = Bath()
    ends_c: list[float] = []
    sets: list[int] = []
    for swap, read_c, drives in times.spans:
        whole = swap.packs is None or swap.packs >= set_size
        if whole:
            number += 1
            water_c = read_c - offsets.water_k
            bath = Bath()
        sets.append(number)
        if number < 0:
            ends_c += [math.nan] * (len(drives) + 1)
            continue
        group = _pack_group(spec, swap.packs or set_size, frozen[number] if whole else 1.0)
        bath = _with_first_stride(rules, rules.swap(bath, group), water_c, drives)
        ends_c.append(water_c)
        for place, drive in enumerate(drives):
            index = len(ends_c)
            coil_kj = heat_kj[index] - heat_kj[index - 1]
            mean_c, water_c = _stepped_water(
                equations, bath, water_c, drive, coil_kj=coil_kj, offsets=offsets
            )
            ends_c.append(water_c)
            bath = rules.stride(
                bath,
                seconds=drive.seconds,
                kelvin_s=drive.seconds * mean_c,
                water_c=water_c,
                stride_s=drives[min(place + 1, len(drives) - 1)].seconds,
            )
    return _at_readings(times, ends_c, sets, offsets)


def _stepped_water(
    equations: Equations,
    bath: Bath,
    water_c: float,
    drive: WaterStep,
    *,
    coil_kj: float,
    offsets: Offsets,
) -> tuple[float, float]:
    """Return the reservoir's mean over a step, and its temperature at the end [°C].

    Args:
        equations: The plant's.
        bath: The packs.
        water_c: Before the step [°C].
        drive: What acts over the step.
        coil_kj: Heat from the air side over the step [kJ].
        offsets: What the probes are off.

    Raises:
        PhysicsError: The model left the range of its formulas.
    """
    seconds, room_c = drive.seconds, drive.room_c - offsets.room_k
    leak_kw_k = equations.box_kw_k + drive.pump_share * equations.tubing_kw_k
    half_k_kj = 0.5 * seconds / equations.water_kj_k
    kw = coil_kj / seconds + leak_kw_k * (room_c - water_c) + bath.kw - bath.kw_k * water_c
    mean_c = water_c + half_k_kj * kw / (1.0 + half_k_kj * (leak_kw_k + bath.kw_k))
    gain_kj = coil_kj + seconds * (leak_kw_k * (room_c - mean_c) + bath.kw - bath.kw_k * mean_c)
    end_c, _ = equations.water_state(equations.water_kj(water_c, 0.0) + gain_kj)
    if not -5.0 <= end_c <= 60.0:
        raise PhysicsError(f"the model's reservoir came to {end_c:.1f} °C")
    return mean_c, end_c


def _with_first_stride(
    rules: PackBath, bath: Bath, water_c: float, drives: Sequence[WaterStep]
) -> Bath:
    """Return a bath whose first stride is that of the first step."""
    stride_s = drives[0].seconds if drives else PACK_STEP_S
    return rules.stride(bath, seconds=0.0, kelvin_s=0.0, water_c=water_c, stride_s=stride_s)


def _at_readings(
    times: WaterTimes, ends_c: Sequence[float], sets: Sequence[int], offsets: Offsets
) -> ReplayedWater:
    """Return the reservoir at each reading, and which set was in then."""
    if not sets:
        nowhere = np.full(len(times.at_s), math.nan)
        return ReplayedWater(water_c=nowhere, set_of=np.full(len(times.at_s), -1))
    span = np.searchsorted(times.begins_s, times.at_s, side="right") - 1
    set_of = np.where(span < 0, -1, np.array(sets)[np.maximum(span, 0)])
    shown_c = np.interp(times.at_s, times.ends_s, np.array(ends_c)) + offsets.water_k
    return ReplayedWater(water_c=np.where(set_of < 0, math.nan, shown_c), set_of=set_of)


def _pack_group(spec: PlantSpec, packs: int, frozen: float) -> PackGroup:
    """Return packs that have *frozen* times their heat of melting still to take."""
    return PackGroup(packs=packs, kj_kg=-frozen * spec.packs.filling.latent_kj_kg)
