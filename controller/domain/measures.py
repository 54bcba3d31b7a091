"""Lengths, volumes and weights as growers write and read them: metres and litres, feet and quarts.

A number without a unit is refused by the parsers, as it is for temperatures. What is shown follows
the unit of temperature that people chose: with °F go pounds, quarts and feet.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping

_NUMBER = r"\d+(?:\.\d+)?|\.\d+"
_QUANTITY = re.compile(rf"\s*({_NUMBER})\s*([^\d\s.].*?)?\s*")
_BETWEEN = re.compile(r"\s*(?:x|×|\*|\bby\b)\s*", re.IGNORECASE)

LENGTHS_M: Mapping[str, float] = {
    "mm": 0.001, "cm": 0.01, "m": 1.0,
    "in": 0.0254, "inch": 0.0254, "inches": 0.0254, '"': 0.0254,
    "ft": 0.3048, "foot": 0.3048, "feet": 0.3048, "'": 0.3048,
}  # fmt: skip
VOLUMES_L: Mapping[str, float] = {
    "l": 1.0, "litre": 1.0, "litres": 1.0, "liter": 1.0, "liters": 1.0, "m3": 1000.0, "m³": 1000.0,
    "qt": 0.946353, "quart": 0.946353, "quarts": 0.946353,
    "gal": 3.785412, "gallon": 3.785412, "gallons": 3.785412,
    "ft3": 28.31685, "ft³": 28.31685, "cu ft": 28.31685, "cubic feet": 28.31685,
}  # fmt: skip
WEIGHTS_KG: Mapping[str, float] = {
    "g": 0.001, "kg": 1.0, "lb": 0.4535924, "lbs": 0.4535924, "pound": 0.4535924,
    "pounds": 0.4535924, "oz": 0.02834952,
}  # fmt: skip
AREAS_M2: Mapping[str, float] = {"m2": 1.0, "m²": 1.0, "ft2": 0.09290304, "ft²": 0.09290304}
POWERS_W: Mapping[str, float] = {"w": 1.0, "watt": 1.0, "watts": 1.0, "kw": 1000.0}
FLOWS_L_H: Mapping[str, float] = {
    "l/h": 1.0, "lph": 1.0, "gph": 3.785412, "gal/h": 3.785412,
    "l/min": 60.0, "gpm": 227.1247, "gal/min": 227.1247,
}  # fmt: skip
AIR_FLOWS_M3_H: Mapping[str, float] = {
    "m3/h": 1.0, "m³/h": 1.0, "cfm": 1.699011, "ft3/min": 1.699011, "ft³/min": 1.699011,
}  # fmt: skip
"""Each unit in ours. Exact by definition (US customary measures, NIST Handbook 44), rounded."""


def parse_quantity(text: str, units: Mapping[str, float], *, example: str) -> float:
    """Read a number with one of these units, such as "20 qt".

    Args:
        text: As a person wrote it.
        units: What each unit is in ours.
        example: How it is written, for the message.

    Raises:
        ValueError: It is none.
    """
    match = _QUANTITY.fullmatch(text)
    if match is None or match[2] is None:
        raise ValueError(f'allowed: a number and its unit, such as "{example}"')
    unit = match[2].strip().lower()
    if unit not in units:
        raise ValueError(f'allowed: the units {", ".join(units)}, not "{match[2].strip()}"')
    return float(match[1]) * units[unit]


def parse_size(text: str, *, bare_m: float | None = None) -> tuple[float, float, float]:
    """Read three lengths, such as "2 ft x 2 ft x 4 ft" or "60 x 60 x 140 cm" [m].

    Args:
        text: As a person wrote it.
        bare_m: Length of the unit where no number has one [m]; None: that is refused.

    Raises:
        ValueError: It is not three lengths.
    """
    problem = 'allowed: three lengths such as "2 ft x 2 ft x 4 ft" or "60 x 60 x 140 cm"'
    parts = _BETWEEN.split(text.strip())
    if len(parts) != 3:
        raise ValueError(problem)
    lengths: list[float] = []
    unit_m = bare_m
    for part in reversed(parts):  # a unit written once at the end holds for all
        match = _QUANTITY.fullmatch(part)
        if match is None:
            raise ValueError(problem)
        if match[2] is not None:
            unit_m = LENGTHS_M.get(match[2].strip().lower())
        if unit_m is None:
            raise ValueError(problem)
        lengths.append(float(match[1]) * unit_m)
    if min(lengths) <= 0.0:
        raise ValueError(problem)
    length_m, width_m, height_m = reversed(lengths)
    return length_m, width_m, height_m


def box_area_m2(size_m: tuple[float, float, float]) -> float:
    """Return the area of all six sides of a box [m²]."""
    a, b, c = size_m
    return 2.0 * (a * b + b * c + a * c)


def box_volume_m3(size_m: tuple[float, float, float]) -> float:
    """Return the volume of a box [m³]."""
    return math.prod(size_m)


def _rounded(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0") if abs(value) < 100 else f"{value:.0f}"


def weight_text(kg: float, unit: str) -> str:
    """Return a weight: pounds where *unit*, that of temperature, is "F", else kilograms."""
    return f"{_rounded(kg / WEIGHTS_KG['lb'])} lb" if unit == "F" else f"{_rounded(kg)} kg"


def volume_text(litres: float, unit: str) -> str:
    """Return a volume of water: quarts with °F, else litres."""
    return f"{_rounded(litres / VOLUMES_L['qt'])} qt" if unit == "F" else f"{_rounded(litres)} L"


def size_text(size_m: tuple[float, float, float], unit: str) -> str:
    """Return the size of a box: feet with °F, else centimetres."""
    if unit == "F":
        return " x ".join(f"{_rounded(each / LENGTHS_M['ft'])} ft" for each in size_m)
    return " x ".join(f"{_rounded(100 * each)} cm" for each in size_m)


def difference_text(kelvin: float, unit: str) -> str:
    """Return a difference of temperatures, such as "1.5 K" or "2.7 °F"."""
    return f"{_rounded(1.8 * kelvin)} °F" if unit == "F" else f"{_rounded(kelvin)} K"


def degree_hours_text(kelvin_hours: float, unit: str, *, decimals: int = 1) -> str:
    """Return degree-hours, such as "2.4 K·h" or "4.3 °F·h"."""
    value, name = (1.8 * kelvin_hours, "°F·h") if unit == "F" else (kelvin_hours, "K·h")
    return f"{value:.{decimals}f} {name}"
