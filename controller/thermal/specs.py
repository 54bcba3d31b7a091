"""What a plant is made of: frozen values with defaults, each with its source beside it.

The names are the keys of ``[plant.*]`` and ``[site]`` in the configuration. Relative humidity is
a share (0.9), thickness is in millimetres, everything else carries its unit in its name.
`FineSpec` holds what a grower is not asked; its figures matter less and can be fitted.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar, Literal, NamedTuple, Protocol

from controller.errors import PhysicsError
from controller.thermal.envelope import wall_u_w_m2k
from controller.thermal.packs import FILLS, Fill, PackShape


class Range(NamedTuple):
    """The values that a figure may have."""

    lowest: float
    highest: float
    unit: str

    def __str__(self) -> str:
        return f"{self.lowest:g} to {self.highest:g} {self.unit}".rstrip()


class _Ranged(Protocol):
    RANGES: ClassVar[dict[str, Range]]


def _check_ranges(where: str, spec: _Ranged) -> None:
    """Refuse a part with a figure outside its range; a figure that is None is not given.

    Raises:
        PhysicsError: Names the first such figure.
    """
    for name, (lowest, highest, unit) in spec.RANGES.items():
        value = getattr(spec, name)
        if value is None or lowest <= value <= highest:
            continue
        if unit == "share":
            raise PhysicsError(
                f"{where}.{name} is {value}; it is a share between {lowest} and {highest} "
                "(0.9 for 90 %)"
            )
        hint = ""
        meant_c = (value - 32.0) / 1.8
        if unit == "°C" and value > highest and lowest <= meant_c <= highest:
            hint = f'; {value:g} °F would be {meant_c:.1f} °C: write "{value:g} F" if meant'
        raise PhysicsError(
            f"{where}.{name} is {value} {unit}; it must lie between {lowest} and {highest} {unit}"
            f"{hint}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ChamberSpec:
    """The fruiting chamber. Give ``wall`` or ``wall_u_w_m2k``, not both.

    Raises:
        PhysicsError: A figure outside its range, an unknown wall, or both wall keys.
    """

    volume_m3: float = 0.35
    """Inside volume [m³]. Own example: a foam-board box of 0.7 × 0.5 × 1.0 m."""
    wall_area_m2: float = 3.0
    """Area of all sides, floor and top [m²]. Own example: the same box."""
    wall_u_w_m2k: float | None = None
    """Heat transfer through the wall, films included [W/(m²·K)]; None: from ``wall``."""
    wall: str | None = None
    """What the walls are made of; left out, as ``wall_u_w_m2k`` is: foam-board-50 (own
    example)."""
    air_changes_per_h: float = 2.0
    """Fresh air, chamber volumes an hour [1/h].
    Own example; 4 to 8 suit pearl oyster, Stamets, *Growing Gourmet and Medicinal Mushrooms*."""
    rh: float = 0.88
    """Relative humidity the humidifier holds [share].
    Source: 85 to 90 % cropping, 95 to 100 % pinning for pearl oyster, Stamets, as above."""
    lights_w: float = 4.0
    """Heat of the lights inside while they are on [W]. Common practice, no source."""
    fans_w: float = 2.0
    """Electrical watts of the coil's fan, all of it heat inside [W]. Common practice for one
    120 mm fan, no source."""
    crop_kg: float = 4.0
    """Mass of the blocks with what grows on them [kg]. Own example: two blocks."""
    crop_w_per_kg: float = 0.4
    """Heat of a fruiting block at 15 °C, per kilogram of block [W/kg]; 0.1 for shiitake, up to 0.8
    for oyster in a flush. Own, from substrate 0.09 to 0.18 W/kg (3 to 6 g of CO2 an hour per
    100 kg, a growers' forum) with a fifth of its mass in fruit, and from dry matter lost,
    0.3 to 0.7."""
    fruit_kg: float = 0.0
    """Mushrooms cut and left inside, not counted in ``crop_kg`` [kg]. Own example."""
    fruit_w_per_kg: float = 0.69
    """Heat of cut mushrooms at 15 °C [W/kg]. Source: oyster 2500 J/(kg·h) at 15 °C, Bohling and
    Hansen 1989, Acta Hort. 258:573."""
    humidifier_kg_per_h: float = 0.06
    """Most water the humidifier can put into the air [kg/h]. Common practice for a small
    ultrasonic one, no source."""

    RANGES: ClassVar[dict[str, Range]] = {
        "volume_m3": Range(0.01, 1000.0, "m³"),
        "wall_area_m2": Range(0.01, 5000.0, "m²"),
        "wall_u_w_m2k": Range(0.01, 10.0, "W/(m²·K)"),
        "air_changes_per_h": Range(0.0, 60.0, "1/h"),
        "rh": Range(0.0, 1.0, "share"),
        "lights_w": Range(0.0, 5000.0, "W"),
        "fans_w": Range(0.0, 1000.0, "W"),
        "crop_kg": Range(0.0, 5000.0, "kg"),
        "crop_w_per_kg": Range(0.0, 10.0, "W/kg"),
        "fruit_kg": Range(0.0, 500.0, "kg"),
        "fruit_w_per_kg": Range(0.0, 10.0, "W/kg"),
        "humidifier_kg_per_h": Range(0.0, 20.0, "kg/h"),
    }

    def __post_init__(self) -> None:
        where = "plant.chamber"
        _check_ranges(where, self)
        if self.wall_u_w_m2k is not None:
            if self.wall is not None:
                raise PhysicsError(f"{where}: give wall or wall_u_w_m2k, not both")
        elif self.wall is not None:
            wall_u_w_m2k(self.wall)

    @property
    def envelope_w_k(self) -> float:
        """Conductance of the whole envelope, air to air [W/K]."""
        u_w_m2k = self.wall_u_w_m2k
        if u_w_m2k is None:
            u_w_m2k = wall_u_w_m2k(self.wall or "foam-board-50")
        return u_w_m2k * self.wall_area_m2


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilSpec:
    """The finned water-to-air coil, as one 120 mm core with a quiet fan.

    Raises:
        PhysicsError: A figure outside its range.
    """

    ua_air_w_k: float = 6.0
    """Conductance between air and coil surface, dry [W/K]. Own example: a plain core of few fins.
    Bench reports of good 120 mm cores with strong fans give 22 (J. Adams, 25 Jul 2003, table 1;
    Gobor, 9 Feb 2017)."""
    ua_water_w_k: float = 150.0
    """Conductance between water and coil surface at the full flow [W/K]. From memory: the air
    side dominates in such cores."""
    air_kg_s: float = 0.010
    """Dry air through the core with the fan on, at sea level [kg/s]; higher up the same fan moves
    the same volume of thinner air. Common practice for a quiet 120 mm fan against a core,
    18 ft³/min, no source."""
    water_kg_s: float = 0.010
    """Water through the core with the pump on [kg/s]. Own example: 0.6 L/min."""

    RANGES: ClassVar[dict[str, Range]] = {
        "ua_air_w_k": Range(0.1, 10_000.0, "W/K"),
        "ua_water_w_k": Range(0.1, 100_000.0, "W/K"),
        "air_kg_s": Range(1e-4, 20.0, "kg/s"),
        "water_kg_s": Range(1e-4, 20.0, "kg/s"),
    }

    def __post_init__(self) -> None:
        _check_ranges("plant.coil", self)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReservoirSpec:
    """The insulated reservoir with its pump.

    Raises:
        PhysicsError: A figure outside its range.
    """

    litres: float = 24.0
    """Water in it, packs not counted [L]. Own example: a picnic cool box."""
    ua_w_k: float = 0.45
    """Heat leak of the box [W/K]. Source: own, from ice retention claims of 20 to 60 L picnic
    boxes, which give 0.3 to 1.6 W/K (m·L over time and difference)."""
    pump_w: float = 3.5
    """Electrical watts of the pump, all of it heat in the water [W]. Common practice for a small
    submerged pump, no source."""

    RANGES: ClassVar[dict[str, Range]] = {
        "litres": Range(0.5, 10_000.0, "L"),
        "ua_w_k": Range(0.0, 200.0, "W/K"),
        "pump_w": Range(0.0, 2000.0, "W"),
    }

    def __post_init__(self) -> None:
        _check_ranges("plant.reservoir", self)


@dataclass(frozen=True, slots=True, kw_only=True)
class PackSpec:
    """The packs: how many there are, and what one of them holds.

    Give ``plateau_c`` and ``latent_kj_kg`` together for a fill of your own.
    Give ``refreeze_h`` (measured) or ``freezer_c`` (then Plank's equation estimates it).

    Raises:
        PhysicsError: A figure outside its range, an unknown fill, half a fill of one's own.
    """

    count: int = 12
    """Packs in all, those in the freezer counted [-]. Own example."""
    in_reservoir: int = 4
    """Packs in the reservoir at a time [-]. Own example."""
    kg: float = 1.0
    """Mass of one pack [kg]. Own example."""
    fill: str = "ice"
    """What a pack is filled with."""
    plateau_c: float | None = None
    """Own fill: temperature at which it melts [°C]."""
    latent_kj_kg: float | None = None
    """Own fill: heat of melting [kJ/kg]."""
    shape: PackShape = "slab"
    """``slab``: flat, heat passes through two faces; ``bottle``: round, through its side."""
    thickness_mm: float = 35.0
    """Thickness of a slab, both faces in the water; of a bottle its diameter [mm]. Own example."""
    refreeze_h: float | None = None
    """Measured hours from spent to frozen [h]."""
    freezer_c: float | None = None
    """Air in the freezer [°C]; None: -18 °C, the household four-star temperature."""

    RANGES: ClassVar[dict[str, Range]] = {
        "count": Range(0, 1000, "packs"),
        "in_reservoir": Range(0, 1000, "packs"),
        "kg": Range(0.01, 50.0, "kg"),
        "thickness_mm": Range(3.0, 300.0, "mm"),
        "plateau_c": Range(-40.0, 15.0, "°C"),
        "latent_kj_kg": Range(20.0, 400.0, "kJ/kg"),
        "refreeze_h": Range(0.1, 1000.0, "h"),
        "freezer_c": Range(-60.0, 0.0, "°C"),
    }

    def __post_init__(self) -> None:
        where = "plant.packs"
        _check_ranges(where, self)
        if self.shape not in {"slab", "bottle"}:
            raise PhysicsError(f'{where}.shape is {self.shape!r}; choose "slab" or "bottle"')
        if (self.plateau_c is None) is not (self.latent_kj_kg is None):
            raise PhysicsError(f"{where}: give plateau_c and latent_kj_kg together, or neither")
        if self.in_reservoir > self.count:
            raise PhysicsError(
                f"{where}.in_reservoir is {self.in_reservoir} packs; it must not lie above the "
                f"count of {self.count}"
            )
        if self.plateau_c is None and self.fill not in FILLS:
            raise PhysicsError(
                f"{where}.fill {self.fill!r} is not known; choose one of"
                f" {', '.join(sorted(FILLS))}, or give plateau_c and latent_kj_kg"
            )
        if self.refreeze_h is not None and self.freezer_c is not None:
            raise PhysicsError(f"{where}: give refreeze_h or freezer_c, not both")

    @property
    def filling(self) -> Fill:
        """What one pack is filled with."""
        if self.plateau_c is not None and self.latent_kj_kg is not None:
            known = FILLS["ice"]
            return Fill(
                plateau_c=self.plateau_c,
                latent_kj_kg=self.latent_kj_kg,
                solid_kj_kgk=known.solid_kj_kgk,
                liquid_kj_kgk=known.liquid_kj_kgk,
            )
        return FILLS[self.fill]


FoodInFreezer = Literal["none", "half", "full"]
"""What else lies in the freezer: nothing, half its space, or all the space the packs leave."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FreezerSpec:
    """The freezer in which spent packs freeze again; others stand in [plant.more_freezers.NAME].

    Raises:
        PhysicsError: A figure outside its range, or an unknown word.
    """

    kg_per_day: float | None = None
    """Freezing capacity on the rating plate, kg of food in 24 h [kg/day]; None: by the litres."""
    litres: float = 300.0
    """Volume of the freezer compartment, for where the plate says no capacity [L]. Own example: an
    ordinary chest freezer."""
    stars: int = 4
    """Stars on its door, 1 to 4; only four promise that it freezes what is put in. Household
    freezers made for freezing carry four."""
    food: FoodInFreezer = "none"
    """What else is in it: ``none``, ``half`` or ``full``."""

    RANGES: ClassVar[dict[str, Range]] = {
        "kg_per_day": Range(0.1, 10_000.0, "kg/day"),
        "litres": Range(5.0, 100_000.0, "L"),
    }

    def __post_init__(self) -> None:
        where = "plant.freezer"
        _check_ranges(where, self)
        if self.stars not in {1, 2, 3, 4}:
            raise PhysicsError(f"{where}.stars is {self.stars}; allowed are 1, 2, 3 and 4")
        if self.food not in {"none", "half", "full"}:
            raise PhysicsError(f'{where}.food is {self.food!r}; choose "none", "half" or "full"')


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomSpec:
    """The room around the chamber on a hot day.

    Raises:
        PhysicsError: A figure outside its range, or a night warmer than the day.
    """

    day_c: float = 27.0
    """Warmest hour of the day [°C]. Own example."""
    night_c: float = 21.5
    """Coolest hour of the night [°C]. Own example."""
    rh: float = 0.50
    """Relative humidity of the room [share]. Common practice, no source."""

    RANGES: ClassVar[dict[str, Range]] = {
        "day_c": Range(-20.0, 50.0, "°C"),
        "night_c": Range(-20.0, 50.0, "°C"),
        "rh": Range(0.0, 1.0, "share"),
    }

    def __post_init__(self) -> None:
        where = "plant.room"
        _check_ranges(where, self)
        if self.night_c > self.day_c:
            raise PhysicsError(
                f"{where}: night_c {self.night_c} °C must not lie above day_c {self.day_c} °C"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteSpec:
    """Where the house stands.

    Raises:
        PhysicsError: Altitude outside its range.
    """

    altitude_m: float = 0.0
    """Height above sea level [m]. Sea level: most readers live near it."""

    RANGES: ClassVar[dict[str, Range]] = {
        "altitude_m": Range(-400.0, 5000.0, "m"),
    }

    def __post_init__(self) -> None:
        _check_ranges("site", self)


@dataclass(frozen=True, slots=True, kw_only=True)
class FineSpec:
    """What the grower is not asked.

    Raises:
        PhysicsError: A figure outside its range.
    """

    fabric_kj_k: float = 12.0
    """Heat capacity of inner skin, shelves and coil [kJ/K]. Own estimate: 4 kg steel shelf at 0.5,
    3 kg plastic at 1.5, inner half of 25 mm foam walls 2.5, coil with its water 3 kJ/K."""
    fabric_w_k: float = 50.0
    """Conductance between air and fabric [W/K]. Source: 8.29 W/(m²·K), the still-air film of an
    ordinary vertical surface (R 0.12 m²·K/W), over 4.08 m² of wall and 2 m² of shelf."""
    crop_kj_kgk: float = 3.15
    """Specific heat of blocks at 62 to 65 % water [kJ/(kg·K)]. Source: own, mass-weighted from
    water 4.19 and dry matter 1.4."""
    crop_w_kgk: float = 0.45
    """Conductance between air and crop per kilogram [W/(kg·K)]. Own estimate: a 2.5 kg block has
    about 0.15 m² at 7.5 W/(m²·K)."""
    crop_q10: float = 2.85
    """Factor of the crop's heat per 10 K [-]. Source: 208 mW/kg at 3.5 °C and 694 at 15 °C,
    Bohling and Hansen 1989, as above."""
    pack_film_w_m2k: float = 100.0
    """Film between stirred water and a pack's face [W/(m²·K)]. Common practice, no source."""
    humidistat_band: float = 0.08
    """The humidifier gives all it can this much below the chamber's RH, nothing above [share].
    Common practice, no source."""
    tubing_w_k: float = 0.5
    """Heat leak of the tubing while water runs [W/K]. Own: 2 m of silicone, 8/11 mm, in a thin
    sleeve; bare in still air (10 W/(m²·K)) it is 0.64."""

    RANGES: ClassVar[dict[str, Range]] = {
        "fabric_kj_k": Range(0.1, 10_000.0, "kJ/K"),
        "fabric_w_k": Range(0.1, 10_000.0, "W/K"),
        "crop_kj_kgk": Range(0.5, 4.5, "kJ/(kg·K)"),
        "crop_w_kgk": Range(0.01, 20.0, "W/(kg·K)"),
        "crop_q10": Range(1.0, 6.0, ""),
        "pack_film_w_m2k": Range(1.0, 5000.0, "W/(m²·K)"),
        "humidistat_band": Range(0.01, 0.5, ""),
        "tubing_w_k": Range(0.0, 50.0, "W/K"),
    }

    def __post_init__(self) -> None:
        _check_ranges("plant.fine", self)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantSpec:
    """A whole plant. Every part has a default, so ``PlantSpec()`` is our example chamber."""

    chamber: ChamberSpec = field(default_factory=ChamberSpec)
    coil: CoilSpec = field(default_factory=CoilSpec)
    reservoir: ReservoirSpec = field(default_factory=ReservoirSpec)
    packs: PackSpec = field(default_factory=PackSpec)
    freezer: FreezerSpec = field(default_factory=FreezerSpec)
    more_freezers: tuple[FreezerSpec, ...] = ()
    """Freezers beside that one, which freeze packs too."""
    room: RoomSpec = field(default_factory=RoomSpec)
    site: SiteSpec = field(default_factory=SiteSpec)
    fine: FineSpec = field(default_factory=FineSpec)

    @property
    def every_freezer(self) -> tuple[FreezerSpec, ...]:
        """Every freezer in which packs freeze."""
        return (self.freezer, *self.more_freezers)
