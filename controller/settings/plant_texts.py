"""Figures of [plant.*] as people write them: "79 F", "20 qt", "2 ft x 2 ft x 4 ft", "1 in foam".

A plain number is taken in the unit that the key names; a text is read here and becomes one.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

from controller.domain import measures
from controller.domain.units import parse_duration, parse_temperature
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


_VOLUME = _quantity(measures.VOLUMES_L, "20 L")
_WEIGHT = _quantity(measures.WEIGHTS_KG, "2 lb")


def reader_of(key: str) -> tuple[Reader, str] | None:
    """Return what reads the text of a key, and an example of one; None: it takes no text.

    Args:
        key: Name of a figure, whose ending names its unit.
    """
    for ending, reader, example in (
        ("litres", _VOLUME, '"20 qt"'),
        ("volume_m3", _quantity(measures.VOLUMES_L, "450 L", 1000.0), '"450 L"'),
        ("area_m2", _quantity(measures.AREAS_M2, "40 ft2"), '"40 ft2"'),
        ("_mm", _quantity(measures.LENGTHS_M, "1.5 in", 0.001), '"1.5 in"'),
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
    found = reader_of(key)

    def read(given: Any) -> Any:
        return found[0](given) if found is not None and isinstance(given, str) else given

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
        beside = [key for key in ("volume_m3", "wall_area_m2") if key in figures]
        if beside:
            raise ValueError(
                f"plant.chamber.size: found it beside {beside[0]}, allowed: one of them"
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


_BOARD = re.compile(r"\s*([\d.]+\s*[^\d\s]+)\s+([a-z ]+?)\s*", re.IGNORECASE)


def _board_u_w_m2k(text: str) -> float | None:
    """Return the transmittance of a wall such as "1 in foam"; None: it is not of that form."""
    match = _BOARD.fullmatch(text)
    if match is None or match[2].lower() not in FOAM_W_MK:
        return None
    thickness_m = measures.parse_quantity(match[1], measures.LENGTHS_M, example="1 in")
    return u_value_w_m2k(Layer(thickness_m, FOAM_W_MK[match[2].lower()]))
