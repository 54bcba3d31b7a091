"""The air of a plant driven once more by what was recorded: how far is it from each reading?

The two sides are kept apart, so that neither carries the other's errors. On the air side the coil
meets the water as it was measured; the heat that it takes there goes into the water side
(`fit.water_replay`).

The plant goes in steps as long as its accuracy allows, not from reading to reading; readings lie
on the courses of the steps.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np

from controller.fit.stretches import Offsets, ReadingIntegral, Stretch, since_first_s
from controller.thermal.plant import Plant
from controller.thermal.plant_state import PlantState
from controller.thermal.probe import Course, lag_along
from controller.thermal.specs import PlantSpec

GRID_S = 5.0
"""Switches are taken to the nearest whole number of these since the first reading [s]: the plant
keeps tables for each length of step, so there must not be many."""
STEPS_S = (5.0, 10.0, 15.0, 30.0, 60.0, 120.0)
"""Lengths of step; after a switch the short ones come first."""


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
    at_s = since_first_s(stretch)
    water = ReadingIntegral(at_s, [reading.water_c for reading in seen])
    room = ReadingIntegral(at_s, [reading.room_c for reading in seen])
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
        steps=tuple(steps), ends_s=np.array(ends_s), at_s=since_first_s(stretch), plant=plant
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
