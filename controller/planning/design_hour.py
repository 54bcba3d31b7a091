"""The warmest hour of the day as a steady average: heat by source, and what the coil can take.

These figures explain a build; whether it holds is read off rehearsed days (`verdict`).
"""

from __future__ import annotations

from dataclasses import dataclass

from controller.settings.lights_of import lights_to_plan_by
from controller.settings.load import Settings
from controller.thermal.coil import CoilDuty
from controller.thermal.heat_load import (
    Conditions,
    SteadyHour,
    coil_capacity,
    daily_room_c,
    steady_hour,
    warmest_reservoir_c,
)
from controller.thermal.specs import PlantSpec

HOURS = 24
COIL_RESERVOIR_C = (2.0, 4.0, 6.0, 8.0, 10.0, 12.0, 14.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class DesignHour:
    """The warmest hour of one build."""

    hour: int
    """Local hour of the day."""
    conditions: Conditions
    steady: SteadyHour
    """With the reservoir at the temperature asked for."""
    coil: tuple[tuple[float, CoilDuty], ...]
    """Reservoir temperature [°C] and what the coil takes with it while it runs."""
    useful_reservoir_max_c: float | None
    """Warmest reservoir that holds the air in this hour [°C]; None: not even ice water does."""


def middle_c(settings: Settings) -> float:
    """Return where the air of the stage in force is on average, by day [°C]."""
    stage = settings.stages[settings.chamber.stage]
    return (stage.cut_in + stage.cut_out) / 2000


def conditions_at(
    settings: Settings, spec: PlantSpec, hour: float, *, air_c: float | None = None
) -> Conditions:
    """Return room and chamber at a local hour of the plant's hot day.

    Args:
        settings: Stage and lights.
        spec: The plant; its room is the hot day.
        hour: Local hour.
        air_c: Chamber air [°C]; None: the middle of the stage's band.
    """
    return Conditions(
        room_c=daily_room_c(spec.room, hour),
        room_rh=spec.room.rh,
        air_c=middle_c(settings) if air_c is None else air_c,
        air_rh=spec.chamber.rh,
        lights=lights_to_plan_by(settings).on(hour),
    )


def warmest_hour(spec: PlantSpec) -> int:
    """Return the local hour at which the room is warmest."""
    return max(range(HOURS), key=lambda hour: daily_room_c(spec.room, hour))


def useful_max_c(settings: Settings, spec: PlantSpec) -> float | None:
    """Return the warmest reservoir that still holds the air at cut-in in the warmest hour [°C].

    None: not even ice water does. Never above what the permissive allows.

    Raises:
        PhysicsError: A figure outside the range of the formulas.
    """
    stage = settings.stages[settings.chamber.stage]
    cut_in_c, margin_k = stage.cut_in / 1000, settings.limits.reservoir_margin / 1000
    conditions = conditions_at(settings, spec, warmest_hour(spec), air_c=cut_in_c)
    by_load_c = warmest_reservoir_c(spec, conditions)
    return None if by_load_c is None else min(by_load_c, cut_in_c - margin_k)


def design_hour(settings: Settings, spec: PlantSpec, *, reservoir_c: float) -> DesignHour:
    """Return the warmest hour of a build.

    Args:
        settings: Stage, limits, lights.
        spec: The plant.
        reservoir_c: Reservoir at which loads are taken [°C].

    Raises:
        PhysicsError: A figure outside the range of the formulas.
    """
    hour = warmest_hour(spec)
    conditions = conditions_at(settings, spec, hour)
    return DesignHour(
        hour=hour,
        conditions=conditions,
        steady=steady_hour(
            spec, conditions, reservoir_c=min(max(reservoir_c, 0.0), conditions.air_c)
        ),
        coil=tuple(
            (
                water_c,
                coil_capacity(
                    spec, air_c=conditions.air_c, air_rh=spec.chamber.rh, reservoir_c=water_c
                ),
            )
            for water_c in COIL_RESERVOIR_C
        ),
        useful_reservoir_max_c=useful_max_c(settings, spec),
    )
