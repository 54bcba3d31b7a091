"""A plant driven once more by what was recorded: how far is each reading from the model's?

The two sides are kept apart, so that neither carries the other's errors. On the air side the coil
meets the water as it was measured; the heat that it takes there goes into the water side, whose
packs and leak then give a reservoir of their own. What is unknown of a set of packs, how much
frozen it went in, is one figure for each set.

The plant goes in steps as long as its accuracy allows, not from reading to reading; readings lie
on the courses of the steps.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np

from controller.errors import PhysicsError
from controller.foresight.swaps import Swap
from controller.thermal.bath import Bath, PackBath, PackGroup
from controller.thermal.equations import Equations
from controller.thermal.plant import Plant
from controller.thermal.plant_state import PlantState
from controller.thermal.probe import Course, lag_along
from controller.thermal.specs import PlantSpec

LONGEST_SPAN_S = 180.0
"""Records keep one reading a minute; after a longer pause the replay begins anew [s]."""
SETTLING_S = 2 * 3600.0
"""Time in which crop and fabric, which no probe sees, come to where they were [s]."""
SWAP_SETTLING_S = 20 * 60.0
"""After a swap the water is stirred and the lid was open [s]."""
GRID_S = 5.0
"""Switches are taken to the nearest whole number of these since the first reading [s]: the plant
keeps tables for each length of step, so there must not be many."""
STEPS_S = (5.0, 10.0, 15.0, 30.0, 60.0, 120.0)
"""Lengths of step; after a switch the short ones come first."""
PACK_STEP_S, PACK_STEP_FOR_S = 120.0, 1800.0
"""Step of the water side [s] for the second after a swap [s], when the packs take most."""
LONG_PACK_STEP_S = 600.0
"""Step of the water side later on [s]."""


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


class DrivenPiece(NamedTuple):
    """What acted on the plant over a time in which nothing was switched, as it was read [°C]."""

    seconds: float
    pump: bool
    fan: bool
    lights: bool
    water_c: float
    room_c: float


def drives_of(stretch: Stretch) -> list[DrivenPiece]:
    """Return what drove a plant over a stretch, in pieces no longer than a step may be."""
    seen = stretch.seen
    at_s = _since_first_s(stretch)
    water = _Integral(at_s, [reading.water_c for reading in seen])
    room = _Integral(at_s, [reading.room_c for reading in seen])
    switched = [0]
    switched += [index for index in range(1, len(seen)) if seen[index][4:] != seen[index - 1][4:]]
    ends_s = [round(float(at_s[index]) / GRID_S) * GRID_S for index in switched[1:]]
    ends_s.append(math.ceil(float(at_s[-1]) / GRID_S) * GRID_S)
    drives: list[DrivenPiece] = []
    begins_s = 0.0
    for index, end_s in zip(switched, ends_s, strict=True):
        for seconds in _pieces(end_s - begins_s):
            until_s = begins_s + seconds
            drives.append(
                DrivenPiece(
                    seconds,
                    *seen[index][4:],
                    water.mean(begins_s, until_s),
                    room.mean(begins_s, until_s),
                )
            )
            begins_s = until_s
    return drives


def _pieces(seconds: float) -> list[float]:
    """Return lengths of step that add up to a multiple of the grid [s], the short ones first."""
    pieces: list[float] = []
    for length_s in reversed(STEPS_S):
        count = int(seconds / length_s + 1e-6)
        pieces += [length_s] * count
        seconds -= count * length_s
    return pieces[::-1]


class _Integral:
    """Readings as a course of straight lines, and its means."""

    def __init__(self, at_s: Any, values: Sequence[float]) -> None:
        read = np.array(values)
        steps = np.diff(at_s) * 0.5 * (read[1:] + read[:-1])
        self._at_s, self._read = at_s, read
        self._sums = np.concatenate([[0.0], np.cumsum(steps)])

    def _until(self, instant_s: float) -> float:
        at_s, read = self._at_s, self._read
        index = min(max(int(np.searchsorted(at_s, instant_s, side="right")) - 1, 0), len(at_s) - 1)
        past_s = instant_s - float(at_s[index])
        end = float(np.interp(instant_s, at_s, read))
        return float(self._sums[index]) + past_s * 0.5 * (float(read[index]) + end)

    def mean(self, begins_s: float, ends_s: float) -> float:
        """Return the mean between two instants."""
        return (self._until(ends_s) - self._until(begins_s)) / (ends_s - begins_s)


def _since_first_s(stretch: Stretch) -> Any:
    """Return the instants of the readings, counted from the first one [s]."""
    return np.array([reading.at_s - stretch.seen[0].at_s for reading in stretch.seen])


AirState = tuple[float, float, float, float]
"""Air [°C], its humidity ratio [kg/kg], fabric and crop [°C]."""


def _air_of(state: PlantState) -> AirState:
    return state.air_c, state.ratio, state.fabric_c, state.crop_c


class AirStep(NamedTuple):
    """One step of the model's air."""

    drive: DrivenPiece
    """What acted, with the length of this step; water and room as the model takes them [°C]."""
    before: AirState
    course: Course
    """The air itself and not what a probe makes of it."""
    after: AirState
    coil_kj: float
    """Heat into the water, the pump's with it [kJ]."""


def _air_step(drive: DrivenPiece, before: PlantState, after: PlantState) -> AirStep:
    """Return the step between two states of the plant."""
    return AirStep(
        drive,
        _air_of(before),
        Course(
            drive.seconds,
            before.air_c,
            after.air_mean_c,
            after.air_c,
            after.air_swift_k,
            after.air_per_s,
        ),
        _air_of(after),
        (after.coil_kj - before.coil_kj)
        - (after.drain_kj - before.drain_kj)
        + (after.pump_kj - before.pump_kj),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplayedAir:
    """The air of a stretch as the model has it."""

    steps: tuple[AirStep, ...]
    ends_s: Any
    """When each step ends, counted from the first reading [s]."""
    at_s: Any
    """When the readings are, likewise [s]."""
    plant: Plant
    """The plant that made them."""

    @property
    def heat_kj(self) -> Any:
        """Heat that came into the water from the first reading until the end of each step [kJ]."""
        return np.cumsum([step.coil_kj for step in self.steps])


def _step_s(longest_s: float) -> float:
    """Return the longest of the usual steps that is not above this one [s]."""
    return max((each for each in STEPS_S if each <= longest_s + 1e-6), default=longest_s)


def air_side(
    stretch: Stretch,
    spec: PlantSpec,
    offsets: Offsets,
    *,
    drives: Sequence[DrivenPiece] | None = None,
) -> ReplayedAir:
    """Return the model's air where the coil meets the water that was measured.

    Args:
        stretch: What was recorded.
        spec: The plant.
        offsets: What the probes are off.
        drives: Those of the stretch, where they are known.

    Raises:
        PhysicsError: The model left the range of its formulas.
    """
    plant = Plant(replace(spec, packs=replace(spec.packs, in_reservoir=0)))
    first = stretch.seen[0]
    state = plant.start(
        air_c=first.air_c,
        reservoir_c=max(0.0, first.water_c - offsets.water_k),
        room_c=first.room_c - offsets.room_k,
        rh=spec.chamber.rh,
    )
    room_rh = spec.room.rh
    steps: list[AirStep] = []
    ends_s: list[float] = []
    now_s, longest_s, ran = 0.0, STEPS_S[-1], (False, False, False)
    for drive in drives_of(stretch) if drives is None else drives:
        seconds, pump, fan, lights, water_c, room_c = drive
        water_c = max(0.01, water_c - offsets.water_k)
        room_c = round(room_c - offsets.room_k, 3)
        if ran != (pump, fan, lights):
            ran, longest_s = (pump, fan, lights), STEPS_S[-1]
        left_s = seconds
        state = state._replace(reservoir_c=water_c, slush_kg=0.0)
        while left_s > 1e-6:
            before, asked_s = state, _step_s(min(left_s, longest_s))
            state = plant.advance(
                before, pump=pump, fan=fan, room_c=room_c, room_rh=room_rh, longest_s=asked_s,
                lights=lights,
            )  # fmt: skip
            took_s = state.step_s
            acted = DrivenPiece(took_s, pump, fan, lights, water_c, room_c)
            steps.append(_air_step(acted, before, state))
            state = state._replace(reservoir_c=water_c, slush_kg=0.0)
            longest_s = max(longest_s, 2.0 * took_s) if took_s == asked_s else 2.0 * took_s
            left_s -= took_s
            now_s += took_s
            ends_s.append(now_s)
    return ReplayedAir(
        steps=tuple(steps), ends_s=np.array(ends_s), at_s=_since_first_s(stretch), plant=plant
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplayedProbe:
    """What a probe makes of the model's air [°C]."""

    shown_c: Any
    """At each reading."""
    ends_c: Any
    """At the beginning of the first step, then at the end of each."""


def probe_in(air: ReplayedAir, *, lag_s: float) -> ReplayedProbe:
    """Return what a probe with a lag [s] would show of the model's air."""
    probe_c = air.steps[0].course.before_c
    ends_c = [probe_c]
    lags = []
    for step in air.steps:
        lag = lag_along(probe_c, step.course, tau_s=lag_s)
        probe_c = lag.at(step.course.dt_s)
        lags.append(lag)
        ends_c.append(probe_c)
    index = np.minimum(np.searchsorted(air.ends_s, air.at_s - 1e-6), len(lags) - 1)
    begins_s = np.concatenate([[0.0], air.ends_s[:-1]])
    a, b, c, k, rate, swift, swift_rate = np.array(lags)[index].T
    x = air.at_s - begins_s[index]
    shown_c = a + x * (b + c * x) + k * np.exp(-x * rate) + swift * np.exp(-x * swift_rate)
    return ReplayedProbe(shown_c=shown_c, ends_c=np.array(ends_c))


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplayedWater:
    """The reservoir as the model has it."""

    water_c: Any
    """One value for each reading [°C]; not a number until the first whole set is seen going in."""
    set_of: Any
    """Which set of packs is in, counted from 0 over the stretch; -1: not known."""


def sets_in(stretch: Stretch, *, whole_set: int) -> list[Swap]:
    """Return the swaps by which a whole set went in, from which on the packs are known."""
    return [s for s in stretch.swaps if s.packs is None or s.packs >= whole_set]


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
    at_s = _since_first_s(stretch)
    seen = stretch.seen
    room = _Integral(at_s, [reading.room_c for reading in seen])
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
        bath = _planned(rules, rules.swap(bath, group), water_c, drives)
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


def _planned(rules: PackBath, bath: Bath, water_c: float, drives: Sequence[WaterStep]) -> Bath:
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
