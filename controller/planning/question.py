"""A question to a grower: how its answer is written, and what that means.

Every answer is kept as the text that a person writes, with its unit, and read by the question. A
default is such a text too, so it passes the same reading.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import time
from enum import StrEnum

from controller.domain import measures
from controller.domain.units import fahrenheit_to_celsius
from controller.settings.plant_texts import watts_per_kelvin
from controller.thermal.specs import ChamberSpec

Value = str | int | float | time | tuple[float, float, float]
"""An answer as it was read: temperatures [°C], sizes [m], volumes [L], weights [kg], watts, L/h."""


class AnswerKind(StrEnum):
    """How an answer is written."""

    CHOICE = "choice"
    COUNT = "count"
    TEMPERATURE = "temperature"
    SIZE = "size"
    VOLUME = "volume"
    WEIGHT = "weight"
    POWER = "power"
    FLOW = "flow"
    AIR_FLOW = "air flow"
    RATING = "rating"
    TIME = "time"
    NAME = "name"


@dataclass(frozen=True, slots=True)
class Option:
    """One of several answers."""

    key: str
    words: str
    group: str = ""
    """Heading under which it stands in a long list."""


Known = Mapping[str, Value]
"""Answers read so far."""
Text = str | tuple[str, str]
"""An answer as text; two where metric and US differ."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One question."""

    key: str
    text: str
    kind: AnswerKind
    default: Callable[[Known], Text]
    cautious: Callable[[Known], Text] | None
    """What is assumed for "I don't know"; None: that is no answer to this question."""
    options: tuple[Option, ...] = ()
    shown_first: int = 0
    """How many options of a long list are shown until somebody asks for all; 0: all."""
    hint: Text = ""
    low: float = 0.0
    high: float = 0.0
    """Range of a number, in our unit."""
    applies: Callable[[Known], bool] = lambda _: True
    """Whether it is asked, after these answers."""


@dataclass(frozen=True, slots=True)
class Topic:
    """Questions that belong together."""

    title: str
    questions: tuple[Question, ...]


US = "us"


def is_us(known: Known) -> bool:
    """Return whether the grower thinks in °F, quarts and pounds."""
    return known.get("units") == US


def one_of(text: Text, known: Known) -> str:
    """Return the text in the grower's units."""
    return text if isinstance(text, str) else text[int(is_us(known))]


UNITS_OF: Mapping[AnswerKind, tuple[Mapping[str, float], tuple[str, str]]] = {
    AnswerKind.VOLUME: (measures.VOLUMES_L, ("L", "qt")),
    AnswerKind.WEIGHT: (measures.WEIGHTS_KG, ("kg", "lb")),
    AnswerKind.POWER: (measures.POWERS_W, ("W", "W")),
    AnswerKind.FLOW: (measures.FLOWS_L_H, ("L/h", "gph")),
    AnswerKind.AIR_FLOW: (measures.AIR_FLOWS_M3_H, ("m3/h", "cfm")),
}
"""The units of a number, and what one without a unit is taken in: metric, US."""


def bare_unit(question: Question, known: Known) -> str:
    """Return the unit in which a number without one is taken; empty: there is none."""
    if question.kind is AnswerKind.TEMPERATURE:
        return "°F" if is_us(known) else "°C"
    if question.kind is AnswerKind.SIZE:
        return "ft" if is_us(known) else "cm"
    if question.key == "freezer_volume" and is_us(known):
        return "cu ft"
    return UNITS_OF[question.kind][1][int(is_us(known))] if question.kind in UNITS_OF else ""


NUMBERS = {AnswerKind.TEMPERATURE, AnswerKind.SIZE, AnswerKind.RATING, *UNITS_OF}
_DECIMAL_COMMA = re.compile(r"(\d),(\d{1,2})(?!\d)")
"""What many write for a point; a comma before three digits may part thousands and is refused."""


def as_written(question: Question, text: str) -> str:
    """Return an answer in the form in which it is kept and written into a configuration.

    On one line, and with a point in its numbers, as the configuration reads them.
    """
    text = " ".join(text.split())
    return _DECIMAL_COMMA.sub(r"\1.\2", text) if question.kind in NUMBERS else text


def read_answer(question: Question, text: str, known: Known) -> Value:
    """Return what a person's answer means.

    Args:
        question: What was asked.
        text: What was answered; a number without a unit is in the grower's.
        known: The answers before it.

    Raises:
        ValueError: It is no answer to this question; says what is allowed.
    """
    text = as_written(question, text)
    match question.kind:
        case AnswerKind.CHOICE:
            return _read_choice(question, text)
        case AnswerKind.COUNT:
            if not text.isascii() or not text.isdigit():
                raise ValueError("allowed: a whole number such as 6")
            return int(_in_range(question, int(text), known))
        case AnswerKind.TEMPERATURE:
            return _in_range(question, _celsius(text, known), known)
        case AnswerKind.SIZE:
            return _read_size(question, text, known)
        case AnswerKind.RATING:
            return _in_range(question, _watts_per_kelvin(text, known), known)
        case AnswerKind.TIME:
            return _read_time(text)
        case AnswerKind.NAME:
            return _read_name(text)
        case _:
            units, _ = UNITS_OF[question.kind]
            bare = bare_unit(question, known)
            written = f"{text} {bare}" if _is_number(text) else text
            example = one_of(question.default(known), known)
            value = measures.parse_quantity(written, units, example=example)
            return _in_range(question, value, known)


def _is_number(text: str) -> bool:
    return text.replace(".", "", 1).isdigit()


def _read_choice(question: Question, text: str) -> str:
    keys = [option.key for option in question.options]
    if text in keys:
        return text
    raise ValueError(f"allowed: {', '.join(keys)}")


_TEMPERATURE = re.compile(
    r"(?P<number>[-+]?(?:\d+\.?\d*|\.\d+))\s*(?:°|º|degrees?|deg)?\s*"
    r"(?P<unit>c|f|celsius|fahrenheit)?",
    re.IGNORECASE,
)


def _celsius(text: str, known: Known) -> float:
    match = _TEMPERATURE.fullmatch(text)
    if match is None:
        example = "79 F" if is_us(known) else "26 C"
        raise ValueError(f'allowed: a temperature such as "{example}"')
    unit = (match["unit"] or ("f" if is_us(known) else "c")).lower()
    value = float(match["number"])
    return fahrenheit_to_celsius(value) if unit.startswith("f") else value


def _temperature_text(celsius: float, known: Known) -> str:
    return f"{1.8 * celsius + 32.0:g} F" if is_us(known) else f"{celsius:g} C"


def _read_size(question: Question, text: str, known: Known) -> tuple[float, float, float]:
    size_m = measures.parse_size(text, bare_m=measures.LENGTHS_M[bare_unit(question, known)])
    for each in size_m:
        if not question.low <= each <= question.high:
            low, high, unit = question.low, question.high, "m"
            if is_us(known):
                low, high, unit = low / 0.3048, high / 0.3048, "ft"
            raise ValueError(f"allowed: {low:.2g} to {high:.2g} {unit} on each side")
    allowed = ChamberSpec.RANGES["volume_m3"]
    if not allowed.lowest <= measures.box_volume_m3(size_m) <= allowed.highest:
        least = measures.volume_text(1000.0 * allowed.lowest, "F" if is_us(known) else "C")
        raise ValueError(f"allowed: {least} or more altogether, and up to {allowed.highest:g} m³")
    return size_m


def _watts_per_kelvin(text: str, known: Known) -> float:
    try:
        return watts_per_kelvin(text)
    except ValueError:
        example = "120 W at 18 F" if is_us(known) else "120 W at 10 K"
        raise ValueError(f'allowed: watts at a difference, such as "{example}"') from None


_TIME = re.compile(
    r"(?P<hours>\d{1,2})(?:[:.](?P<minutes>\d{2}))?\s*(?P<half>[ap])?\.?(?:m\.?)?", re.IGNORECASE
)


def _read_time(text: str) -> time:
    match = _TIME.fullmatch(text)
    if match is not None:
        hours, half = int(match["hours"]), (match["half"] or "").lower()
        if half and 1 <= hours <= 12:
            hours = hours % 12 + (12 if half == "p" else 0)
            half = ""
        if not half:
            with contextlib.suppress(ValueError):
                return time(hours, int(match["minutes"] or "0"))
    raise ValueError('allowed: a time of day such as "22:30" or "10:30 pm"')


def _read_name(text: str) -> str:
    kept = "".join(each for each in text if each.isalnum() or each in " ._-").strip(" ._-")
    if not kept or kept != text or len(text) > 60:
        raise ValueError("allowed: up to 60 letters, digits, spaces, dots and dashes")
    return text


def _in_range(question: Question, value: float, known: Known) -> float:
    if question.low <= value <= question.high:
        return value
    if question.kind is AnswerKind.TEMPERATURE:
        hint, low, high = (
            "",
            *(_temperature_text(each, known) for each in (question.low, question.high)),
        )
        meant_c = fahrenheit_to_celsius(value)
        if value > question.high and question.low <= meant_c <= question.high:
            hint = f'; write "{value:g} F" if °F was meant'
        raise ValueError(f"allowed: {low} to {high}{hint}")
    if question.kind is AnswerKind.COUNT:
        raise ValueError(f"allowed: {question.low:g} to {question.high:g}")
    if question.kind is AnswerKind.RATING:
        raise ValueError(f"allowed: {question.low:g} to {question.high:g} watts for each kelvin")
    per_unit = UNITS_OF[question.kind][0][bare_unit(question, known).lower()]
    raise ValueError(
        f"allowed: {question.low / per_unit:.3g} to {question.high / per_unit:.3g} "
        f"{bare_unit(question, known)}"
    )
