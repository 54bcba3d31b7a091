"""The plant's equations handed to scipy, as the judge of the plant's own stepping.

Both runs have an ideal relay: it switches at the very instant at which the air crosses the
threshold. scipy finds that instant as an event, our plant by shortening a step until it ends there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from scipy.integrate import solve_ivp

from controller.thermal.equations import Drive
from controller.thermal.plant import Plant, PlantState

RTOL, ATOL = 1e-8, 1e-9


@dataclass(frozen=True)
class Run:
    """Air at every tick [°C], state vector at the end, and the instants of switching [s]."""

    air_c: list[float]
    end: list[float]
    switches_s: list[float]


@dataclass(frozen=True, kw_only=True)
class Course:
    """What happens to the plant: drive by tick (constant over ``hold`` ticks), length, band."""

    drive: Callable[[int], Drive]
    hold: int
    ticks: int
    dt_s: float
    cut_in_c: float
    cut_out_c: float

    def level_c(self, on: bool) -> float:
        return self.cut_out_c if on else self.cut_in_c


def vector(plant: Plant, state: PlantState) -> list[float]:
    """Return the reference's state vector of a plant's state."""
    water_kj = plant.equations.water_kj(state.reservoir_c, state.slush_kg)
    groups = plant.settled(state).bath.groups
    return [
        state.air_c,
        state.ratio,
        state.fabric_c,
        state.crop_c,
        water_kj,
        *(group.kj_kg for group in groups),
    ]


def scipy_run(plant: Plant, state: PlantState, course: Course) -> Run:
    """Solve the run with LSODA, tolerance 1e-8, events at the switching points."""
    eq, dt_s = plant.equations, course.dt_s
    coil = eq.coil_at(1.0)
    counts = [group.packs for group in state.bath.groups]
    y = vector(plant, state)
    air_c, switches_s = [y[0]], []
    on, now_s = False, 0.0
    for first in range(0, course.ticks, course.hold):
        last = min(first + course.hold, course.ticks)
        while now_s < last * dt_s:
            drive = replace(course.drive(first), pump=on, fan=on)

            def rates(
                _t: float, y: list[float], drive: Drive = drive, on: bool = on
            ) -> list[float]:
                return eq.derivatives(y, drive, counts, coil if on else None)

            def crossing(_t: float, y: list[float], level_c: float = course.level_c(on)) -> float:
                return y[0] - level_c

            event: Any = crossing
            event.terminal, event.direction = True, -1.0 if on else 1.0
            ticks_s = [
                tick * dt_s
                for tick in range(len(air_c), last + 1)
                if now_s < tick * dt_s <= last * dt_s
            ]
            result = solve_ivp(
                rates,
                (now_s, last * dt_s),
                y,
                method="LSODA",
                rtol=RTOL,
                atol=ATOL,
                t_eval=ticks_s,
                events=event,
            )
            assert result.success, result.message
            air_c += [float(value) for value in result.y[0]] if len(result.t) else []
            if result.t_events[0].size:
                now_s = float(result.t_events[0][0])
                y = [float(value) for value in result.y_events[0][0]]
                on = not on
                switches_s.append(now_s)
            else:
                now_s = last * dt_s
                y = [float(value) for value in result.y[:, -1]]
    return Run(air_c, y, switches_s)


def plant_run(
    plant: Plant, state: PlantState, course: Course, *, forced_s: list[float] | None = None
) -> tuple[Run, PlantState]:
    """Step the same run; with ``forced_s`` the relay switches at those instants instead."""
    air_c, switches_s = [state.air_c], []
    waiting = list(forced_s or ())
    on = False

    def stepped(state: PlantState, drive: Drive, part_s: float) -> PlantState:
        if part_s <= 1e-9:
            return state
        return plant.step(
            state,
            pump=on,
            fan=on,
            room_c=drive.room_c,
            room_rh=drive.room_rh,
            dt_s=part_s,
            lights=drive.lights,
        )

    for tick in range(course.ticks):
        drive = course.drive(tick)
        left_s = course.dt_s
        while True:
            whole = stepped(state, drive, left_s)
            now_s = (tick + 1) * course.dt_s - left_s
            if forced_s is None:
                level_c = course.level_c(on)
                passed = whole.air_c <= level_c if on else whole.air_c >= level_c
                if not passed:
                    break
                part_s = _crossing_s(
                    lambda s, state=state, drive=drive: stepped(state, drive, s).air_c,
                    level_c,
                    left_s,
                )
            else:
                if not (waiting and waiting[0] <= now_s + left_s):
                    break
                part_s = waiting.pop(0) - now_s
            state = stepped(state, drive, part_s)
            switches_s.append(now_s + part_s)
            left_s -= part_s
            on = not on
        state = whole
        air_c.append(state.air_c)
    return Run(air_c, vector(plant, state), switches_s), state


def _crossing_s(air_after: Callable[[float], float], level_c: float, longest_s: float) -> float:
    """Return after how many seconds the air is at the level, by bisection."""
    low_s, high_s = 0.0, longest_s
    rising = air_after(longest_s) >= level_c
    while high_s - low_s > 1e-4:
        middle_s = 0.5 * (low_s + high_s)
        if (air_after(middle_s) >= level_c) is rising:
            high_s = middle_s
        else:
            low_s = middle_s
    return high_s
