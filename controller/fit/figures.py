"""The figures of a plant that a fit leaves free, and how far off each may be believed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from controller.thermal.equations import Equations
from controller.thermal.specs import PlantSpec


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A figure of the plant that can be left free."""

    part: str
    key: str
    unit: str
    what: str
    doubt: float
    """How far off what is believed may be: standard deviation of the logarithm [-]."""

    @property
    def name(self) -> str:
        """Its key in the configuration."""
        return f"plant.{self.part}.{self.key}"

    @property
    def keys(self) -> tuple[str, ...]:
        """Return the keys of its table that it stands for."""
        return (self.key,)

    def of(self, spec: PlantSpec) -> float:
        """Return its value in a plant."""
        if self.key == "wall_u_w_m2k":
            return spec.chamber.envelope_w_k / spec.chamber.wall_area_m2
        return float(getattr(getattr(spec, self.part), self.key))

    def put(self, spec: PlantSpec, value: float) -> PlantSpec:
        """Return the plant with this figure set."""
        more: dict[str, Any] = {"wall": None} if self.key == "wall_u_w_m2k" else {}
        part = replace(getattr(spec, self.part), **{self.key: value}, **more)
        return replace(spec, **{self.part: part})


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilFigure(Figure):
    """What a label says of a coil: watts over the difference between air in and water in, dry.

    Warm air and cold water tell this of a coil, and hardly which part of it the fins make and
    which the fan. So the core is made larger or smaller as a whole: both conductances, both flows.
    """

    @property
    def keys(self) -> tuple[str, ...]:
        """Return the keys of its table that it stands for."""
        return CORE

    def of(self, spec: PlantSpec) -> float:
        """Return its value in a plant."""
        duty = Equations(spec).coil_at(1.0).take(air_c=_DRY_C, ratio=_DRY, water_c=0.5 * _DRY_C)
        return 1000.0 * duty.total_kw / (0.5 * _DRY_C)

    def put(self, spec: PlantSpec, value: float) -> PlantSpec:
        """Return the plant with a core so much larger."""
        larger = value / self.of(spec)
        core = {key: larger * getattr(spec.coil, key) for key in CORE}
        return replace(spec, coil=replace(spec.coil, **core))


def _figure(name: str, unit: str, what: str, *, doubt: float) -> Figure:
    part, key = name.split(".")
    return Figure(part=part, key=key, unit=unit, what=what, doubt=doubt)


CORE = ("ua_air_w_k", "ua_water_w_k", "air_kg_s", "water_kg_s")
"""Keys of [plant.coil] that make a core."""
_DRY_C, _DRY = 16.0, 1e-4
"""Air [°C] with so little vapour [kg/kg] that a coil with water at half of that stays dry."""

FIGURES = (
    _figure("chamber.wall_u_w_m2k", "W/(m²·K)", "heat through the wall", doubt=0.35),
    _figure("chamber.crop_w_per_kg", "W/kg", "heat of the crop at 15 °C", doubt=0.6),
    CoilFigure(
        part="coil",
        key="rated_w_per_k",
        unit="W/K",
        what="the coil's watts per kelvin between air in and water in, dry",
        doubt=0.35,
    ),
    _figure("reservoir.ua_w_k", "W/K", "heat leak of the reservoir", doubt=0.45),
    _figure("fine.fabric_kj_k", "kJ/K", "heat kept by skin and shelves", doubt=0.6),
    _figure("fine.pack_film_w_m2k", "W/(m²·K)", "film on the packs", doubt=0.5),
)
"""What is asked of a record. Walls of one name and coils of one size differ by half, heat of a crop
by more; what a grower cannot measure may be off by a factor of two or three."""
ROUGHLY_KNOWN = (
    _figure("coil.air_kg_s", "kg/s", "air through a coil of such watts per kelvin", doubt=0.3),
    _figure("coil.water_kg_s", "kg/s", "water through it", doubt=0.4),
    _figure("chamber.air_changes_per_h", "1/h", "fresh air", doubt=0.5),
    _figure("chamber.humidifier_kg_per_h", "kg/h", "the humidifier's water", doubt=0.6),
    _figure("chamber.rh", "", "humidity in the chamber", doubt=0.05),
    _figure("chamber.fans_w", "W", "heat of the fan", doubt=0.3),
    _figure("chamber.lights_w", "W", "heat of the lights", doubt=0.3),
    _figure("fine.fabric_w_k", "W/K", "from the air into skin and shelves", doubt=0.4),
    _figure("fine.crop_w_kgk", "W/(kg·K)", "from the air into the crop", doubt=0.5),
    _figure("reservoir.litres", "L", "water in the reservoir", doubt=0.07),
    _figure("reservoir.pump_w", "W", "heat of the pump", doubt=0.3),
    _figure("packs.thickness_mm", "mm", "thickness of the packs", doubt=0.15),
)
"""What a grower gives by a label, a guess or a default. Doubts are common practice, no source."""
