"""Quantities as people write them in the configuration: always text with a unit.

A bare number is refused, because 65 is a fine cut-in in one unit and a dead crop in the other.
Messages say what is allowed; whoever reports them puts what was found before it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Annotated, NewType

from pydantic import AfterValidator, BeforeValidator

from controller.domain.temperatures import millidegrees

_NUMBER_AND_UNIT = re.compile(r"\s*([+-]?\d+(?:[.,]\d+)?|[+-]?[.,]\d+)\s*([^\d\s.,+-][^\d\s]*)\s*")
_SECONDS = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86_400.0}

MilliCelsius = NewType("MilliCelsius", int)
"""A temperature on the grid of control [m°C]."""
MilliKelvin = NewType("MilliKelvin", int)
"""A temperature difference on the same grid [mK]."""
Seconds = NewType("Seconds", float)
Amperes = NewType("Amperes", float)


def _split(given: object, *, example: str, what: str) -> list[tuple[float, str]]:
    """Cut text into (number, unit) pairs.

    Raises:
        ValueError: *found* is not text made of numbers with units.
    """
    if not isinstance(given, str):
        # ValueError and not TypeError: pydantic turns only the former into a problem
        raise ValueError(  # noqa: TRY004
            f'allowed: {what} as text with its unit, such as "{example}"'
        )
    pairs, at = [], 0
    while at < len(given):
        match = _NUMBER_AND_UNIT.match(given, at)
        if match is None:
            break
        if "," in match[1]:
            raise ValueError(
                f'allowed: a decimal point; write "{given.replace(",", ".")}" if the comma was one'
            )
        pairs.append((float(match[1]), match[2]))
        at = match.end()
    if not pairs or at < len(given):
        raise ValueError(f'allowed: {what} as a number and its unit, such as "{example}"')
    return pairs


def _single(given: object, *, example: str, what: str) -> tuple[float, str]:
    pairs = _split(given, example=example, what=what)
    if len(pairs) != 1:
        raise ValueError(f'allowed: one {what} such as "{example}"')
    return pairs[0]


def fahrenheit_to_celsius(temp_f: float) -> float:
    """Return °C for °F; the degree sizes are exact by definition (1 K = 1.8 °F)."""
    return (temp_f - 32) * 5 / 9


def parse_temperature(given: object) -> MilliCelsius:
    """Read "15.5 C" or "60 F".

    Raises:
        ValueError: It is not a temperature with its unit.
    """
    value, unit = _single(given, example="15.5 C", what="temperature")
    match unit.removeprefix("°"):
        case "C":
            return MilliCelsius(millidegrees(value))
        case "F":
            return MilliCelsius(millidegrees(fahrenheit_to_celsius(value)))
        case "K":
            raise ValueError("allowed: C or F; kelvin is for differences only")
        case _:
            raise ValueError(f'allowed: the units C or F, not "{unit}"')


def parse_difference(given: object) -> MilliKelvin:
    """Read "0.5 K", "0.5 C" or "1 F" as a difference of temperatures.

    Raises:
        ValueError: It is not a difference with its unit.
    """
    value, unit = _single(given, example="0.5 K", what="temperature difference")
    match unit.removeprefix("°"):
        case "K" | "C":
            return MilliKelvin(millidegrees(value))
        case "F":
            return MilliKelvin(millidegrees(value / 1.8))
        case _:
            raise ValueError(f'allowed: the units K, C or F, not "{unit}"')


def parse_duration(given: object) -> Seconds:
    """Read "5 s", "3 min", "2 h", "1 d" or a sum such as "1 h 30 min".

    Raises:
        ValueError: It is not a duration with its unit, or it is negative.
    """
    total_s = 0.0
    for value, unit in _split(given, example="3 min", what="duration"):
        if unit not in _SECONDS:
            raise ValueError(f'allowed: the units {", ".join(_SECONDS)}, not "{unit}"')
        if value < 0:
            raise ValueError("allowed: a duration of zero or more")
        total_s += value * _SECONDS[unit]
    return Seconds(total_s)


LEAST_CURRENT_A, MOST_CURRENT_A = 0.001, 200.0
"""What a lamp, a pump or a contact of this trade can carry; common practice, no source."""


def parse_current(given: object) -> Amperes:
    """Read "0.8 A" or "800 mA".

    Raises:
        ValueError: It is not a current with its unit, or none that a load or contact can have.
    """
    value, unit = _single(given, example="0.8 A", what="current")
    if unit not in {"A", "mA"}:
        raise ValueError(f'allowed: the units A or mA, not "{unit}"')
    amperes = value / 1000 if unit == "mA" else value
    if not LEAST_CURRENT_A <= amperes <= MOST_CURRENT_A:  # written so that NaN fails too
        raise ValueError("allowed: 1 mA to 200 A, from the nameplate")
    return Amperes(amperes)


@dataclass(frozen=True, slots=True)
class Between:
    """A check of a parsed quantity that can say what it allows, as people write it."""

    low: float
    high: float
    allowed: str

    def __call__(self, value: float) -> float:
        """Return the value.

        Raises:
            ValueError: It lies outside.
        """
        if not self.low <= value <= self.high:
            raise ValueError(f"allowed: {self.allowed}")
        return value


def between(low: float, high: float, allowed: str) -> AfterValidator:
    """Return a check of a parsed quantity that says the allowed range as people write it.

    Args:
        low: Lowest value, in the parsed unit.
        high: Highest value, in the parsed unit.
        allowed: The range in words, such as "1 s to 1 min".
    """
    return AfterValidator(Between(low, high, allowed))


Temperature = Annotated[MilliCelsius, BeforeValidator(parse_temperature)]
Difference = Annotated[MilliKelvin, BeforeValidator(parse_difference)]
Duration = Annotated[Seconds, BeforeValidator(parse_duration)]
Current = Annotated[Amperes, BeforeValidator(parse_current)]


def celsius_text(value_mc: int) -> str:
    """Return a temperature for a message, in both units, since the mistake is often the unit."""
    celsius = value_mc / 1000
    return f"{celsius:g} °C ({celsius * 1.8 + 32:.1f} °F)"
