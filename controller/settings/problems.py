"""From the validator's errors to lines that a person can act on.

A line reads: path of the key, what was found, what is allowed, and often what to do.
"""

from __future__ import annotations

import types
from collections.abc import Iterator
from difflib import get_close_matches
from typing import Any, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

MOST_TABLES = 2
"""A key that more tables know is named with the first ones only."""


def problem_lines(
    error: ValidationError, document: type[BaseModel], *, below: tuple[str, ...] = ()
) -> list[str]:
    """Return one line for each thing that is wrong.

    Args:
        error: What the validator found.
        document: Model of the whole file, to look up the names that are known and what a field's
            description says is allowed.
        below: Path of the table that was validated.
    """
    return [_problem(detail, (*below, *detail["loc"]), document) for detail in error.errors()]


def unknown_key(path: tuple[str, ...], document: type[BaseModel]) -> str:
    """Return the line for a key that no table has, with the nearest name that exists."""
    known = _fields_of(path[:-1], document)
    near = get_close_matches(path[-1], known, n=1)
    elsewhere = list(_tables_with(path[-1], document))[:MOST_TABLES]
    if elsewhere:
        advice = f"known in {' and '.join(elsewhere)}; move it there"
    else:
        advice = f"did you mean {near[0]}?" if near else "remove it"
    return f"{'.'.join(path)}: found an unknown key, allowed: {', '.join(known)}; {advice}"


def _tables_with(key: str, document: type[BaseModel], path: str = "") -> Iterator[str]:
    """Yield the tables that know a key, as their headings; most are one table deep."""
    for name, field in _fields_by_key(document).items():
        below = next(tables_in(field.annotation), None)
        if below is None:
            continue
        chosen = ".NAME" if get_origin(field.annotation) is dict else ""
        heading = f"{path}{name}{chosen}"
        if key in _fields_by_key(below):
            yield f"[{heading}]"
        yield from _tables_with(key, below, f"{heading}.")


def tables_in(annotation: Any) -> Iterator[type[BaseModel]]:
    """Yield the models inside an annotation such as ``dict[Name, Stage]`` or ``Probe | None``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    elif get_origin(annotation) in {Union, types.UnionType, dict, tuple}:
        for part in get_args(annotation):
            yield from tables_in(part)


def shown(value: object) -> str:
    """Return what was found as a person would write it, cut to a fair length."""
    if isinstance(value, dict):
        return f"a table of {len(value)} key(s)"
    if isinstance(value, list):
        return f"a list of {len(value)}"
    text = str(value).lower() if isinstance(value, bool) else str(value)
    text = text if len(text) <= 60 else f"{text[:57]}..."
    return f'"{text}"' if isinstance(value, str) else text


def entry(index: int) -> str:
    """Return the place in a list as people count."""
    return f"entry {index + 1}"


def _problem(detail: ErrorDetails, loc: tuple[int | str, ...], document: type[BaseModel]) -> str:
    path = tuple(entry(part) if isinstance(part, int) else part for part in loc if part != "[key]")
    dotted, kind = ".".join(path), detail["type"]
    if kind == "extra_forbidden":
        return unknown_key(path, document)
    value = "nothing" if kind == "missing" else shown(detail["input"])
    field = _fields_of(path[:-1], document).get(path[-1])
    if field is not None and field.description is not None:
        return f"{dotted}: found {value}, allowed: {field.description}"
    if kind == "value_error":
        text = str(detail["ctx"]["error"])
        if text.startswith("allowed"):
            return f"{dotted}: found {value}, {text}"
        # of a whole table, and of figures that judge themselves: they say which key and what
        return text if text.startswith(f"{dotted}.") else f"{dotted}: {text}"
    return f"{dotted}: found {value}, allowed: {_allowed(detail)}"


_ALLOWED = {
    "missing": "this key is compulsory",
    "bool_type": "true or false",
    "string_type": "text in quotation marks",
    "int_type": "a whole number without quotation marks",
    "int_from_float": "a whole number without quotation marks",
    "float_type": "a finite number without quotation marks",
    "float_parsing": "a finite number without quotation marks",
    "finite_number": "a finite number without quotation marks",
    "model_type": "a table with keys of its own",
    "dict_type": "a table with keys of its own",
    "string_pattern_mismatch": (
        "letters, digits, spaces, dots and dashes, beginning with a letter or digit"
    ),
}
"""What to say instead of the validator's own words, by its kind of error."""


def _allowed(detail: ErrorDetails) -> str:
    kind = detail["type"]
    if kind == "literal_error":
        return str(detail["ctx"]["expected"]).replace("'", '"')
    if kind in _ALLOWED:
        return _ALLOWED[kind]
    return detail["msg"].removeprefix("Input should be ").removeprefix("Value should be ")


def _fields_of(path: tuple[str, ...], document: type[BaseModel]) -> dict[str, FieldInfo]:
    """Return the fields of the table that lies at *path*, by the names that a file gives them.

    Empty where people choose the names themselves, such as those of stages, or list entries.
    """
    table, chosen = document, False
    for part in path:
        if chosen:
            chosen = False
            continue
        field = _fields_by_key(table).get(part)
        inner = None if field is None else next(tables_in(field.annotation), None)
        if field is None or inner is None:
            return {}
        table, chosen = inner, get_origin(field.annotation) in {dict, tuple}
    return {} if chosen else _fields_by_key(table)


def _fields_by_key(table: type[BaseModel]) -> dict[str, FieldInfo]:
    return {field.alias or name: field for name, field in table.model_fields.items()}
