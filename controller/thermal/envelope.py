"""What warms and wets a chamber: walls, fresh air, crop, humidifier; and the reservoir's box."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from controller.errors import PhysicsError
from controller.thermal import moist_air

FILM_M2K_W = 0.12
"""Still-air film on an ordinary vertical surface [m²·K/W]. Source: R-0.68 in WAC 51-11-0526;
ISO 6946 uses 0.13 inside."""
BRIGHT_FILM_M2K_W = 0.30
"""The same on bright foil facing still air [m²·K/W]. Source: ASHRAE Fundamentals, table of surface
conductances, from memory."""
R_VALUE_M2K_W = 0.17611
"""One h·ft²·°F/Btu [m²·K/W]."""


@dataclass(frozen=True, slots=True)
class Layer:
    """A layer of a wall: thickness [m] and conductivity [W/(m·K)]."""

    thickness_m: float
    conductivity_w_mk: float

    def __post_init__(self) -> None:
        if not (0.0 <= self.thickness_m < 10.0 and 0.0 < self.conductivity_w_mk < 1000.0):
            raise PhysicsError(
                f"wall layer {self.thickness_m} m of {self.conductivity_w_mk} W/(m·K): the"
                " thickness must be 0 or more and the conductivity above 0"
            )


def u_value_w_m2k(
    *layers: Layer,
    inside_m2k_w: float = FILM_M2K_W,
    outside_m2k_w: float = FILM_M2K_W,
    extra_m2k_w: float = 0.0,
) -> float:
    """Return the transmittance of a wall, films included [W/(m²·K)].

    Worked number: 25 mm of 0.029 W/(m·K) between two films of 0.12 gives 0.907.

    Raises:
        PhysicsError: A resistance is negative, or there is none at all.

    Source:
        Resistances in series, ISO 6946.
    """
    if not (inside_m2k_w >= 0.0 and outside_m2k_w >= 0.0 and extra_m2k_w >= 0.0):
        raise PhysicsError(
            f"film and extra resistances {inside_m2k_w}, {outside_m2k_w}, {extra_m2k_w} m²·K/W"
            " must be 0 or more"
        )
    resistance = (
        inside_m2k_w
        + outside_m2k_w
        + extra_m2k_w
        + sum(layer.thickness_m / layer.conductivity_w_mk for layer in layers)
    )
    if resistance <= 0.0:
        raise PhysicsError("a wall needs some resistance: give a layer or a film")
    return 1.0 / resistance


_EXTRUDED, _MOULDED = 0.029, 0.037
# Extruded polystyrene 0.026 to 0.029 W/(m·K) (ASHRAE material table, trade tables R-5/in), moulded
# beads 0.0355 to 0.040: the cautious end of the first, the middle of the second.
_BUBBLE_M2K_W = 1.0 * R_VALUE_M2K_W
# Foil-faced double bubble alone: M. Holladay, Green Building Advisor, 21 Mar 2014.

WALLS: Mapping[str, float] = {
    "fabric": u_value_w_m2k(extra_m2k_w=0.001),
    "foil-bubble": u_value_w_m2k(extra_m2k_w=_BUBBLE_M2K_W),
    "foil-bubble-bright": u_value_w_m2k(extra_m2k_w=_BUBBLE_M2K_W, outside_m2k_w=BRIGHT_FILM_M2K_W),
    "foam-board-25": u_value_w_m2k(Layer(0.025, _EXTRUDED)),
    "foam-board-50": u_value_w_m2k(Layer(0.050, _EXTRUDED)),
    "bead-board-25": u_value_w_m2k(Layer(0.025, _MOULDED)),
    "bead-board-50": u_value_w_m2k(Layer(0.050, _MOULDED)),
    "fabric-foil-bubble": u_value_w_m2k(
        extra_m2k_w=_BUBBLE_M2K_W + 0.001, outside_m2k_w=BRIGHT_FILM_M2K_W
    ),
    "fabric-foam-board-25": u_value_w_m2k(Layer(0.025, _EXTRUDED), extra_m2k_w=0.001),
}
"""Transmittance of common walls by name, films included [W/(m²·K)]."""


def wall_u_w_m2k(wall: str) -> float:
    """Return the transmittance of a wall by its name [W/(m²·K)].

    Raises:
        PhysicsError: The name is not in `WALLS`.
    """
    if wall not in WALLS:
        raise PhysicsError(f"wall {wall!r} is not known; choose one of {', '.join(sorted(WALLS))}")
    return WALLS[wall]


@dataclass(frozen=True, slots=True, kw_only=True)
class AirExchange:
    """What fresh air brings: dry air [kg/s], heat [W] sensible and latent, water [kg/h]."""

    dry_air_kg_s: float
    sensible_w: float
    latent_w: float
    water_kg_h: float

    @property
    def total_w(self) -> float:
        """Enthalpy brought in [W]."""
        return self.sensible_w + self.latent_w


def air_exchange(
    *,
    volume_m3: float,
    changes_per_h: float,
    room_c: float,
    room_ratio: float,
    air_c: float,
    air_ratio: float,
    pressure_pa: float = moist_air.STANDARD_PRESSURE_PA,
) -> AirExchange:
    """Return what exchanging chamber air for room air brings in (negative: takes out).

    The flow is counted in volumes of chamber air an hour; as many kilograms of dry air come
    in as go out. Worked number: 0.504 m³, 4 an hour, 25 °C 50 % into 17 °C 90 %: 5.35 W sensible,
    -1.65 W latent, 2.4 g/h of water carried out.

    Raises:
        PhysicsError: A volume or rate is negative.
    """
    if not (volume_m3 >= 0.0 and 0.0 <= changes_per_h < math.inf):
        raise PhysicsError(
            f"air exchange of {changes_per_h} an hour in {volume_m3} m³: both must be 0 or more"
        )
    dry_kg_s = (
        volume_m3
        * changes_per_h
        / 3600.0
        / moist_air.specific_volume_m3_kg(air_c=air_c, ratio=air_ratio, pressure_pa=pressure_pa)
    )
    sensible_kw = dry_kg_s * moist_air.specific_heat_kj_kgk(room_ratio) * (room_c - air_c)
    total_kw = dry_kg_s * (
        moist_air.enthalpy_kj_kg(air_c=room_c, ratio=room_ratio)
        - moist_air.enthalpy_kj_kg(air_c=air_c, ratio=air_ratio)
    )
    return AirExchange(
        dry_air_kg_s=dry_kg_s,
        sensible_w=1000.0 * sensible_kw,
        latent_w=1000.0 * (total_kw - sensible_kw),
        water_kg_h=3600.0 * dry_kg_s * (room_ratio - air_ratio),
    )
