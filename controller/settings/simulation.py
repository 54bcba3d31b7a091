"""[simulation] and [plant.*]: the chamber that a rehearsal cools."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from typing import Annotated, Any, Literal, get_type_hints

from pydantic import BeforeValidator, Field, create_model, model_validator

from controller.domain.units import (
    Difference,
    Duration,
    MilliCelsius,
    MilliKelvin,
    Seconds,
    Temperature,
    between,
)
from controller.errors import PhysicsError
from controller.settings.models import Name, Table
from controller.settings.plant_texts import (
    RATED_MEANINGS,
    SIZE_MEANING,
    as_figure,
    chamber_from_texts,
    coil_from_rating,
)
from controller.thermal.specs import (
    ChamberSpec,
    CoilSpec,
    FineSpec,
    FreezerSpec,
    PackSpec,
    PlantSpec,
    ReservoirSpec,
    RoomSpec,
    SiteSpec,
)

_SOMEWHERE = between(-20_000, 60_000, "-20 C to 60 C")


class Simulation(Table):
    """[simulation]: which plant, and where it starts."""

    plant: Literal["first-order", "chamber"] = "chamber"
    """`chamber`: the equipment that [plant] describes; `first-order`: air with one time constant,
    no packs, for rehearsals alone: hot days and verdicts leave it aside."""
    seed: Annotated[int, Field(ge=0)] = 1
    """Start of the random numbers of noise and weather; the same seed gives the same run."""
    start_air: Annotated[Temperature, _SOMEWHERE] = MilliCelsius(19_000)
    """Air at the start."""
    start_reservoir: Annotated[Temperature, _SOMEWHERE] = MilliCelsius(8_000)
    """Water at the start."""
    weather: str | None = None
    """CSV of outdoor air, columns time and outdoor_c, hourly as weather services publish it; the
    room follows it through house_gain and [site] house_time_constant. Relative to the
    configuration."""
    house_gain: Annotated[Difference, between(-10_000, 15_000, "-10 K to 15 K")] = MilliKelvin(3000)
    """How much warmer than outdoors the house is on average: people, appliances, sun."""
    air_probe_lag: Annotated[Duration, between(0, 1800, "0 s to 30 min")] = Seconds(90)
    """Time constant of the air probe."""
    water_probe_lag: Annotated[Duration, between(0, 1800, "0 s to 30 min")] = Seconds(20)
    """Time constant of the probes in water."""
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


_FROM_TEXTS: dict[Any, Callable[[Any], Any]] = {
    ChamberSpec: chamber_from_texts,
    CoilSpec: coil_from_rating,
}
"""What turns keys that the physics does not know into its figures."""
_made_model: Any = create_model  # its types know nothing of fields that come from a mapping


def _table_of(part: type[Any], **more: tuple[Any, Any]) -> Any:
    """Return the table whose keys, types and defaults are the fields of a part of the plant.

    The physics keeps its own figures in its own place; here they only become keys of a file.

    Args:
        part: The part of the plant.
        more: Keys that the physics does not know, as (type, default).
    """
    hints = get_type_hints(part)

    def build(table: Table) -> Table:
        _part_from(part, table)  # ranges, and what concerns several keys, are its own business
        return table

    validators: dict[str, Any] = {"build": model_validator(mode="after")(build)}
    if part in _FROM_TEXTS:
        validators["texts"] = model_validator(mode="before")(_FROM_TEXTS[part])
    return _made_model(
        f"{part.__name__}Table",
        __base__=Table,
        __validators__=validators,
        **{
            each.name: (
                Annotated[hints[each.name], BeforeValidator(as_figure(each.name))],
                each.default,
            )
            for each in fields(part)
        },
        **more,
    )


def _part_from(part: type[Any], table: Table) -> Any:
    return part(**{each.name: getattr(table, each.name) for each in fields(part)})


PLANT_PARTS = {
    "chamber": ChamberSpec,
    "coil": CoilSpec,
    "reservoir": ReservoirSpec,
    "packs": PackSpec,
    "freezer": FreezerSpec,
    "room": RoomSpec,
    "fine": FineSpec,
}

_MORE_KEYS: dict[str, dict[str, tuple[Any, Any]]] = {
    "room": {"csv": (str | None, None)},
    "chamber": {"size": (str | None, None)},
    "coil": {
        key: (Annotated[float | None, Field(gt=0), BeforeValidator(as_figure(key))], None)
        for key in RATED_MEANINGS
    },
}
MEANINGS = {
    **RATED_MEANINGS,
    "size": SIZE_MEANING,
    "csv": "CSV of the room as it was, columns time and room_c, in the place of day_c and night_c. "
    "Relative to the configuration.",
}
"""Of the keys that the physics does not know."""


class _Plant(Table):
    """[plant.*]: what the chamber is made of; each part names its keys, defaults and sources."""

    fitted: str | None = None
    """File that `coldpin fit` wrote, relative to the configuration; its figures take the place of
    those given here. The control process passes over one that cannot be used."""

    def spec(self, site: SiteSpec) -> PlantSpec:
        """Return the plant that these tables describe."""
        parts = {name: _part_from(part, getattr(self, name)) for name, part in PLANT_PARTS.items()}
        more_freezers: dict[str, Table] = getattr(self, MORE_FREEZERS)
        others = tuple(_part_from(FreezerSpec, table) for table in more_freezers.values())
        return PlantSpec(site=site, more_freezers=others, **parts)


_TABLES = {name: _table_of(part, **_MORE_KEYS.get(name, {})) for name, part in PLANT_PARTS.items()}
MORE_FREEZERS = "more_freezers"


def _build_another(table: Table) -> Table:
    try:
        _part_from(FreezerSpec, table)
    except PhysicsError as error:  # its words name the first freezer
        raise PhysicsError(str(error).removeprefix("plant.freezer.")) from None
    return table


_AnotherFreezer: Any = _made_model(
    "AnotherFreezerTable",
    __base__=_TABLES["freezer"],
    __validators__={"build": model_validator(mode="after")(_build_another)},
    __doc__="[plant.more_freezers.NAME]: Another freezer beside the one in [plant.freezer], under "
    "any name, such as garage; as many as there are. What all of them freeze in a day is added, "
    "and their air counts as equally cold. Packs go where there is room.",
)


def _plant_fields() -> dict[str, Any]:
    tables: dict[str, Any] = {}
    for name, table in _TABLES.items():
        tables[name] = (table, Field(default_factory=table.by_default))
        if name == "freezer":
            tables[MORE_FREEZERS] = (dict[Name, _AnotherFreezer], Field(default_factory=dict))
    return tables


PlantTables: Any = _made_model("PlantTables", __base__=_Plant, **_plant_fields())
"""[plant.*] with one field for each part."""
