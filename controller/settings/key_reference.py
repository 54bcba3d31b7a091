"""Every key that a configuration may hold, read off the models: values, default, meaning.

A key's meaning is the docstring below it in its model, its range the check that stands with it.
Nothing is written twice: what `coldpin keys` prints and config/README.md shows comes from here.
"""

from __future__ import annotations

import inspect
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import time
from enum import Enum
from functools import cache
from typing import Any, Literal, Union, get_args, get_origin

from annotated_types import Ge, Gt, Le, Lt, MinLen
from pydantic import AfterValidator, BaseModel, BeforeValidator
from pydantic.fields import FieldInfo

from controller.domain import units
from controller.domain.alarms import AlarmName
from controller.domain.reading_rows import PROBE_NAMES
from controller.settings import models
from controller.settings.field_docstrings import field_docstrings, plain_text
from controller.settings.load import Settings
from controller.settings.plant_texts import reader_of
from controller.settings.problems import tables_in
from controller.settings.simulation import MEANINGS, PLANT_PARTS
from controller.thermal.envelope import WALLS
from controller.thermal.packs import FILLS

UNITS = {
    units.parse_temperature: "temperature",
    units.parse_difference: "difference",
    units.parse_duration: "duration",
    units.parse_current: "current",
    models.as_local_time: "local time",
}
"""What a text is read as, by the function that reads it."""
EXAMPLES = {
    "temperature": '"15.5 C" or "60 F"',
    "difference": '"2 K", "2 C" or "3.6 F"',
    "duration": '"90 s", "5 min", "2 h" or "1 d"',
    "current": '"0.5 A"',
    "local time": '"22:00"',
}
"""How such a text is written."""
CHOSEN = {
    "stages": "NAME",
    "supplies": "NAME",
    "more_freezers": "NAME",
    "air": "PLACE",
    "pump": "NAME",
    "air_high": "NAME",
}
"""Names that stand for several tables of one kind: what a person, or a list below, puts there."""
SAME_AS = {
    "probes": PROBE_NAMES,
    "loads": ("pump", "fan"),
}
"""Tables of one kind, of which the first stands for all."""


@dataclass(frozen=True, slots=True)
class Key:
    """One key of the file."""

    name: str
    values: str
    """What may be written, in words."""
    default: str | None
    """As a file would give it; None: there is none."""
    compulsory: bool
    meaning: str


@dataclass(frozen=True, slots=True)
class KeyTable:
    """One table of the file."""

    path: str
    """As its heading, such as ``stages.NAME.night``."""
    meaning: str
    keys: tuple[Key, ...]


def key_tables() -> tuple[KeyTable, ...]:
    """Return every table with its keys, in the order of the models."""
    return tuple(_tables(Settings, ()))


def _tables(model: type[BaseModel], path: tuple[str, ...]) -> Iterator[KeyTable]:
    own, inner = [], []
    for name, field in model.model_fields.items():
        key = field.alias or name
        below = next(tables_in(field.annotation), None)
        if below is None:
            own.append(_key(model, name, key, field))
        elif key not in _repeated(model, path):
            step: tuple[str, ...] = (CHOSEN.get(key, key),)
            if key in CHOSEN and (not path or get_origin(field.annotation) is dict):
                step = (key, *step)
            inner.append((below, (*path, *step)))
    if model is models.Signal:
        own = [key for key in own if key.name in models.Signal.__annotations__]
    if own:
        yield KeyTable(".".join(path), _about(model, path), tuple(own))
    for below, place in inner:
        yield from _tables(below, place)


def _repeated(model: type[BaseModel], path: tuple[str, ...]) -> set[str]:
    """Return the names of tables that have the keys of the first of their kind."""
    if model is models.Alarms:
        return set(model.model_fields) - {"air_high", "clear_by", "starts_per_hour"}
    return set(SAME_AS.get(path[0], ())[1:]) if len(path) == 1 else set()


def _about(model: type[BaseModel], path: tuple[str, ...]) -> str:
    """Return what a table is, without its heading and in one paragraph."""
    part = PLANT_PARTS.get(path[-1]) if path[0] == "plant" else None
    text = inspect.cleandoc((part or model).__doc__ or "").partition("\n\nRaises:")[0]
    head, _, rest = text.partition(": ")
    return plain_text(rest if head.startswith("[") else text)


def _key(model: type[BaseModel], name: str, key: str, field: FieldInfo) -> Key:
    meaning = _meanings(model).get(name, "")
    return Key(
        name=key,
        values=_values(model, name, field),
        default=None if field.is_required() else _default(field),
        compulsory=field.is_required(),
        meaning=plain_text(meaning) + _defaults_by_alarm(model, name),
    )


def _defaults_by_alarm(model: type[BaseModel], name: str) -> str:
    """Return the default of each alarm's delay, which is written once for all of them."""
    if model is not models.AlarmDelayTable:
        return ""
    alarms = models.Alarms()
    delays = {
        alarm: getattr(getattr(alarms, alarm), name)
        for alarm, field in models.Alarms.model_fields.items()
        if field.annotation is models.AlarmDelayTable
    }
    return f" Default: {', '.join(f'{each} {_duration(s)}' for each, s in delays.items())}."


def _part_of(model: type[BaseModel]) -> Any:
    """Return the part of the plant that a table was made from, None for any other table."""
    return next(
        (
            part
            for part in PLANT_PARTS.values()
            if any(each.__name__ == f"{part.__name__}Table" for each in model.__mro__)
        ),
        None,
    )


@cache
def _meanings(model: type[BaseModel]) -> dict[str, str]:
    """Return the docstring below each field of a model, or of the part that it was made from."""
    docstrings: dict[str, str] = {}
    for source in (*reversed(model.__mro__), _part_of(model)):
        if source is not None and source.__module__.startswith("controller."):
            docstrings |= field_docstrings(source)
    return {**MEANINGS, **docstrings}


def _values(model: type[BaseModel], name: str, field: FieldInfo) -> str:
    part = _part_of(model)
    limits = {} if part is None else part.RANGES
    if name in limits:
        reader = reader_of(name)
        return str(limits[name]) if reader is None else f"{limits[name]}, or {reader[1]}"
    if (model.__name__, name) in _NAMED:
        return " or ".join(f'"{each}"' for each in _NAMED[model.__name__, name])
    values, reader = _in_words(field.annotation, field.metadata), None
    if part is not None and field.annotation is not str:
        reader = reader_of(name)
    return values if reader is None else f"{values}, or {reader[1]}"


def _in_words(annotation: Any, metadata: list[Any]) -> str:
    if get_origin(annotation) in {Union, *_UNIONS}:
        (inner,) = (each for each in get_args(annotation) if each is not type(None))
        return _in_words(inner, metadata)
    if hasattr(annotation, "__metadata__"):
        inner, *more = get_args(annotation)
        return _in_words(inner, [*more, *metadata])
    if get_origin(annotation) is Literal:
        return " or ".join(_written(each) for each in get_args(annotation))
    if get_origin(annotation) is tuple:
        return f"list: {_in_words(get_args(annotation)[0], [])}"
    kind = next(
        (UNITS[each.func] for each in metadata
         if isinstance(each, BeforeValidator) and each.func in UNITS), None,
    )  # fmt: skip
    allowed = next((_allowed(each) for each in metadata if isinstance(each, AfterValidator)), "")
    if kind is not None:
        return f"{kind}, {allowed}" if allowed else kind
    if annotation is AlarmName:
        return "names of alarms"
    bounds = _bounds(metadata)
    name = _NAMES_OF_TYPES.get(annotation, "text")
    return f"{name}, {bounds}" if bounds else name


_NAMED = {
    ("ChamberSpecTable", "wall"): WALLS,
    ("PackSpecTable", "fill"): FILLS,
}
"""Texts that are names out of a list."""
_UNIONS = (type(int | None),)
_NAMES_OF_TYPES: dict[Any, str] = {bool: "true or false", int: "whole number", float: "number"}


def _allowed(check: AfterValidator) -> str:
    if isinstance(check.func, units.Between):
        return check.func.allowed
    if check.func is models.as_crop_temperature:
        return f"{models.COLDEST_CROP_C:g} C to {models.WARMEST_CROP_C:g} C"
    return ""


def _bounds(metadata: list[Any]) -> str:
    lowest = highest = None
    for each in metadata:
        if isinstance(each, Ge):
            lowest = f"{each.ge:g}"
        elif isinstance(each, Gt):
            lowest = f"above {each.gt:g}"
        elif isinstance(each, Le):
            highest = f"{each.le:g}"
        elif isinstance(each, Lt):
            highest = f"below {each.lt:g}"
        elif isinstance(each, MinLen):
            continue
    if lowest is None:
        return "" if highest is None else f"up to {highest}"
    if highest is None:
        return lowest if lowest.startswith("above") else f"{lowest} or more"
    return f"{lowest} to {highest}"


def _default(field: FieldInfo) -> str | None:
    value = field.get_default(call_default_factory=True)
    if value is None:
        return None
    kind = _in_words(field.annotation, field.metadata).removeprefix("list: ").split(",")[0]
    return _written(value, kind)


def _written(value: object, kind: str = "") -> str:
    """Return a value as a file would give it."""
    if isinstance(value, Enum):
        value = value.value
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple):
        return f"[{', '.join(_written(each, kind) for each in value)}]"
    if kind in {"temperature", "difference"} and isinstance(value, int | float):
        return f'"{value / 1000:g} {"C" if kind == "temperature" else "K"}"'
    if kind == "duration" and isinstance(value, int | float):
        return f'"{_duration(value)}"'
    if isinstance(value, time):
        return f'"{value:%H:%M}"'
    if isinstance(value, str):
        return f'"{value}"'
    return f"{value:g}" if isinstance(value, float) else str(value)


def _duration(seconds: float) -> str:
    for unit, length_s in (("d", 86_400), ("h", 3600), ("min", 60)):
        if seconds and seconds % length_s == 0:
            return f"{seconds / length_s:g} {unit}"
    return f"{seconds:g} s"
