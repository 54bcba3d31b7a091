"""[simulation] and [plant.*]: the chamber that a rehearsal cools."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from difflib import get_close_matches
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

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
from controller.thermal.specs import (
    ChamberSpec,
    CoilSpec,
    FineSpec,
    PackSpec,
    ReservoirSpec,
    RoomSpec,
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


def _keys_of(part: type[Any]) -> Callable[[object], object]:
    """Return a check that a table has only the keys of a part of the plant."""
    known = [field.name for field in fields(part)]

    def check(found: object) -> object:
        for key in found if isinstance(found, dict) else ():
            if key not in known:
                near = get_close_matches(str(key), known, n=1)
                hint = f'did you mean "{near[0]}"?' if near else f"known: {', '.join(known)}"
                raise ValueError(f'an unknown key "{key}", {hint}')
        return found

    return check


class PlantTables(Table):
    """[plant.*]: what the chamber is made of; each part names its keys, defaults and sources."""

    chamber: Annotated[ChamberSpec, BeforeValidator(_keys_of(ChamberSpec))] = ChamberSpec()
    coil: Annotated[CoilSpec, BeforeValidator(_keys_of(CoilSpec))] = CoilSpec()
    reservoir: Annotated[ReservoirSpec, BeforeValidator(_keys_of(ReservoirSpec))] = ReservoirSpec()
    packs: Annotated[PackSpec, BeforeValidator(_keys_of(PackSpec))] = PackSpec()
    room: Annotated[RoomSpec, BeforeValidator(_keys_of(RoomSpec))] = RoomSpec()
    fine: Annotated[FineSpec, BeforeValidator(_keys_of(FineSpec))] = FineSpec()
