"""[simulation] and [plant.*]: the chamber that a rehearsal cools."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from controller.settings.models import Table
from controller.settings.units import (
    Difference,
    Duration,
    MilliCelsius,
    MilliKelvin,
    Seconds,
    Temperature,
    between,
)

_SOMEWHERE = between(-20_000, 60_000, "-20 C to 60 C")


class Simulation(Table):
    """[simulation]: which plant, and where it starts."""

    plant: Literal["first-order", "chamber"] = "chamber"
    seed: Annotated[int, Field(ge=0)] = 1
    start_air: Annotated[Temperature, _SOMEWHERE] = MilliCelsius(19_000)
    start_reservoir: Annotated[Temperature, _SOMEWHERE] = MilliCelsius(8_000)
    air_probe_lag: Annotated[Duration, between(0, 1800, "0 s to 30 min")] = Seconds(90)
    water_probe_lag: Annotated[Duration, between(0, 1800, "0 s to 30 min")] = Seconds(20)
    probe_noise: Annotated[Difference, between(0, 1000, "0 K to 1 K")] = MilliKelvin(20)
    """Standard deviation of a reading, before the probe's step of 1/16 K."""
    warm_end: Annotated[Temperature, _SOMEWHERE] = MilliCelsius(25_000)
    """first-order: where the air goes without cooling."""
    cold_end: Annotated[Temperature, _SOMEWHERE] = MilliCelsius(5_000)
    """first-order: where the air goes with cooling."""
    time_constant: Annotated[Duration, between(60, 604_800, "1 min to 7 d")] = Seconds(3600)
    """first-order: time to 63 % of the way."""
    dead_time: Annotated[Duration, between(0, 3600, "0 s to 1 h")] = Seconds(0)
    """first-order: from a switch to the first change of the air."""


class PlantTables(Table):
    """[plant.*]: filled by the physics."""
