"""Figures of [plant.*] as people write them: "79 F", "20 qt", "2 ft x 2 ft x 4 ft", "1 in foam".

A plain number is taken in the unit that the key names; a text is read here and becomes one.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

from controller.domain import measures
from controller.domain.units import parse_difference, parse_duration, parse_temperature
from controller.errors import PhysicsError
from controller.thermal.coil_rating import AIR_KG_M3, air_side_at, conductances_of_rating
from controller.thermal.envelope import WALLS, Layer, u_value_w_m2k

Reader = Callable[[str], float]
FOAM_W_MK: Mapping[str, float] = {
    "foam": 0.029,
    "foam board": 0.029,
    "bead board": 0.037,
    "pir": 0.025,
}
"""Conductivity of boards [W/(m·K)]: extruded and moulded polystyrene as in `thermal.envelope`;
polyisocyanurate 0.023 new, 0.025 to 0.028 aged, trade tables."""
SIZE_MEANING = (
    "Length, width and height, such as 2 ft x 2 ft x 4 ft, in the place of volume_m3 and "
    "wall_area_m2; all six sides are counted."
)
RATED_MEANINGS = {
    "rated_w_per_k": "What a label or a bench test says of the core, in the place of ua_air_w_k: "
    "watts over the difference between air in and water in, dry [W/K]. Needs both flows of that "
    "test.",
    "rated_air_m3_h": "Air in that test [m³/h]; stands for air_kg_s too where that is left out.",
    "rated_l_min": "Water in that test [L/min]; stands for water_kg_s too where that is left out.",
}


def _quantity(units: Mapping[str, float], example: str, per: float = 1.0) -> Reader:
    return lambda text: measures.parse_quantity(text, units, example=example) / per


def _celsius(text: str) -> float:
    return parse_temperature(text) / 1000


def _hours(text: str) -> float:
    return parse_duration(text) / 3600


def _share(text: str) -> float:
    number, sign, rest = text.partition("%")
    try:
        share = float(number) / 100
    except ValueError:
        share = -1.0
    if not sign or rest.strip() or share < 0.0:
        raise ValueError('allowed: per cent such as "88 %", or a share such as 0.88')
    return share


def watts_per_kelvin(text: str) -> float:
    """Read what a test took and at which difference, such as "120 W at 10 K" [W/K].

    Raises:
        ValueError: It is no such text.
    """
    watts, at, difference = text.partition(" at ")
    if not at:
        raise ValueError('allowed: watts at a difference, such as "120 W at 10 K"')
    kelvin = parse_difference(difference.strip()) / 1000
    if kelvin <= 0.0:
        raise ValueError(f'allowed: a difference above 0, not "{difference.strip()}"')
    return measures.parse_quantity(watts, measures.POWERS_W, example="120 W") / kelvin


_VOLUME = _quantity(measures.VOLUMES_L, "20 L")
_WEIGHT = _quantity(measures.WEIGHTS_KG, "2 lb")


def reader_of(key: str) -> tuple[Reader, str] | None:
    """Return what reads the text of a key, and an example of one; None: it takes no text.

    Args:
        key: Name of a figure, whose ending names its unit.
    """
    for ending, reader, example in (
        ("rated_w_per_k", watts_per_kelvin, '"120 W at 10 K"'),
        ("rated_air_m3_h", _quantity(measures.AIR_FLOWS_M3_H, "30 cfm"), '"30 cfm"'),
        ("rated_l_min", _quantity(measures.FLOWS_L_H, "1 L/min", 60.0), '"1 L/min"'),
        ("litres", _VOLUME, '"20 qt"'),
        ("volume_m3", _quantity(measures.VOLUMES_L, "450 L", 1000.0), '"450 L"'),
        ("area_m2", _quantity(measures.AREAS_M2, "40 ft2"), '"40 ft2"'),
        ("_mm", _quantity(measures.LENGTHS_M, "1.5 in", 0.001), '"1.5 in"'),
        ("freezer_c", _celsius, '"0 F"'),
        ("plateau_c", _celsius, '"23 F"'),
        ("_c", _celsius, '"79 F"'),
        ("rh", _share, '"88 %"'),
        ("refreeze_h", _hours, '"12 h"'),
        ("_w", _quantity(measures.POWERS_W, "15 W"), '"15 W"'),
    ):
        if key.endswith(ending):
            return reader, example
    if key in {"kg", "crop_kg", "fruit_kg"}:
        return _WEIGHT, '"2 lb"'
    return None


def as_figure(key: str) -> Callable[[Any], Any]:
    """Return the function that turns the text of a key into its number and leaves all else."""
    reader = reader_of(key)

    def read(given: Any) -> Any:
        return reader[0](given) if reader is not None and isinstance(given, str) else given

    return read


def chamber_from_texts(given: Any) -> Any:
    """Return the keys of [plant.chamber] with `size` and a board such as "1 in foam" worked out.

    Raises:
        ValueError: The size cannot be read, or stands beside what it gives.
    """
    if not isinstance(given, dict):
        return given
    figures = dict(given)
    size = figures.get("size")
    if isinstance(size, str):
        figures_too = [key for key in ("volume_m3", "wall_area_m2") if key in figures]
        if figures_too:
            raise ValueError(
                f"plant.chamber.size: found it beside {figures_too[0]}, allowed: one of them"
            )
        try:
            size_m = measures.parse_size(size)
        except ValueError as error:
            raise ValueError(f'plant.chamber.size: found "{size}", {error}') from None
        figures["volume_m3"] = measures.box_volume_m3(size_m)
        figures["wall_area_m2"] = measures.box_area_m2(size_m)
    wall = figures.get("wall")
    if isinstance(wall, str) and wall not in WALLS and figures.get("wall_u_w_m2k") is None:
        u_w_m2k = _board_u_w_m2k(wall)
        if u_w_m2k is not None:
            del figures["wall"]
            figures["wall_u_w_m2k"] = u_w_m2k
    return figures


RATED = tuple(RATED_MEANINGS)


def coil_from_rating(given: Any) -> Any:
    """Return the keys of [plant.coil] with the conductances of a rating worked out.

    Raises:
        ValueError: The rating cannot be read or is not whole, no core could do it, or it stands
            beside what it gives.
    """
    if not isinstance(given, dict) or not any(key in given for key in RATED):
        return given
    missing = [key for key in RATED if key not in given]
    if missing:
        raise ValueError(
            f"plant.coil: found {', '.join(key for key in RATED if key in given)} without "
            f"{' and '.join(missing)}, allowed: all three; the flows are those of the test"
        )
    if "ua_air_w_k" in given:
        raise ValueError(
            "plant.coil.rated_w_per_k: found it beside ua_air_w_k, allowed: one of them"
        )
    w_per_k, air_m3_h, water_l_min = (_rated(key, given[key]) for key in RATED)
    rated_kg_s = air_m3_h * AIR_KG_M3 / 3600.0
    water_w_k = given.get("ua_water_w_k")
    try:
        sides = conductances_of_rating(
            w_per_k=w_per_k,
            air_kg_s=rated_kg_s,
            water_kg_s=water_l_min / 60.0,
            water_w_k=water_w_k if isinstance(water_w_k, (int, float)) else None,
        )
    except PhysicsError as error:
        raise ValueError(f"plant.coil.rated_w_per_k: {error}") from None
    air_kg_s = given.get("air_kg_s", rated_kg_s)
    if isinstance(air_kg_s, (int, float)) and air_kg_s > 0.0:  # else said where it is judged
        air_w_k = air_side_at(sides.air_w_k, rated_kg_s=rated_kg_s, air_kg_s=air_kg_s)
    else:
        air_w_k = sides.air_w_k
    return {
        "ua_water_w_k": sides.water_w_k,
        "air_kg_s": rated_kg_s,
        "water_kg_s": water_l_min / 60.0,
        **given,
        "ua_air_w_k": air_w_k,
        **dict(zip(RATED, (w_per_k, air_m3_h, water_l_min), strict=True)),
    }


def _rated(key: str, given: Any) -> float:
    try:
        value = as_figure(key)(given)
    except ValueError as error:
        raise ValueError(f'plant.coil.{key}: found "{given}", {error}') from None
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0.0 < value < 1e6:
        reader = reader_of(key)
        assert reader is not None
        raise ValueError(
            f"plant.coil.{key}: found {value!r}, allowed: a number above 0, or {reader[1]}"
        )
    return float(value)


_BOARD = re.compile(r"\s*([\d.]+\s*[^\d\s]+)\s+([a-z ]+?)\s*", re.IGNORECASE)


def _board_u_w_m2k(text: str) -> float | None:
    """Return the transmittance of a wall such as "1 in foam"; None: it is not of that form."""
    match = _BOARD.fullmatch(text)
    if match is None or match[2].lower() not in FOAM_W_MK:
        return None
    thickness_m = measures.parse_quantity(match[1], measures.LENGTHS_M, example="1 in")
    return u_value_w_m2k(Layer(thickness_m, FOAM_W_MK[match[2].lower()]))
