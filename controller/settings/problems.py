"""From the validator's errors to lines that a person can act on.

A line reads: path of the key, what was found, what is allowed, and often what to do.
"""

from __future__ import annotations

import types
from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from typing import Any, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails


def problem_lines(
    error: ValidationError, document: type[BaseModel], *, below: tuple[str, ...] = ()
) -> list[str]:
    """Return one line for each thing that is wrong.

    Args:
        error: What the validator found.
        document: Model of the whole file, to look up the names that are known.
        below: Path of the table that was validated.
    """
    return [_problem(detail, (*below, *detail["loc"]), document) for detail in error.errors()]


def unknown_key(path: tuple[str, ...], document: type[BaseModel]) -> str:
    """Return the line for a key that no table has, with the nearest name that exists."""
    known = _fields_of(path[:-1], document)
    names = [field.alias or name for name, field in known.items()]
    near = get_close_matches(path[-1], names, n=1)
    hint = f'did you mean "{near[0]}"?' if near else f"known here: {', '.join(sorted(names))}"
    return f'{".".join(path)}: found an unknown key "{path[-1]}", {hint}'


def tables_in(annotation: Any) -> Iterator[type[BaseModel]]:
    """Yield the models inside an annotation such as ``dict[Name, Stage]`` or ``Probe | None``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    elif get_origin(annotation) in {Union, types.UnionType, dict, tuple}:
        for part in get_args(annotation):
            yield from tables_in(part)


def _problem(detail: ErrorDetails, loc: tuple[int | str, ...], document: type[BaseModel]) -> str:
    path = tuple(str(part) for part in loc if part != "[key]")
    kind, found = detail["type"], detail["input"]
    if kind == "extra_forbidden":
        return unknown_key(path, document)
    dotted = ".".join(path)
    if kind == "missing":
        return f"{dotted}: found nothing, allowed: this key is compulsory"
    if kind == "value_error":
        return f"{dotted}: found {_shown(found)}, {detail['ctx']['error']}"
    return f"{dotted}: found {_shown(found)}, allowed: {_allowed(detail)}"


_ALLOWED = {
    "bool_type": "true or false",
    "string_type": "text in quotation marks",
    "int_type": "a whole number without quotation marks",
    "int_from_float": "a whole number without quotation marks",
    "float_type": "a finite number without quotation marks",
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


def _shown(found: object) -> str:
    text = f'"{found}"' if isinstance(found, str) else str(found)
    if isinstance(found, bool):
        text = str(found).lower()
    if isinstance(found, dict):
        text = f"a table of {len(found)} key(s)"
    return text if len(text) <= 60 else f"{text[:57]}..."


def _fields_of(path: tuple[str, ...], document: type[BaseModel]) -> Mapping[str, Any]:
    """Return the fields of the table that lies at *path*."""
    table = document
    for part in path:
        inner = None
        for name, field in table.model_fields.items():
            if part in {name, field.alias}:
                inner = next(tables_in(field.annotation), None)
        if inner is not None:
            table = inner
        # a name that people choose, such as a stage's: the table stays the one it maps to
    return table.model_fields
