"""Everything that is written as JSON is JSON: no NaN and no infinity, by any door."""

from __future__ import annotations

import ast
import dataclasses
import json
import math
from collections.abc import Mapping
from datetime import UTC, datetime
from enum import Enum
from importlib import import_module
from pathlib import Path
from types import NoneType, UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import pytest

import controller
from controller.domain.codec import Codec
from controller.domain.json_text import json_text

AT = datetime(2026, 7, 1, tzinfo=UTC)
PACKAGE = Path(controller.__file__).parent


def strictly(text: str) -> object:
    def refuse(constant: str) -> None:
        raise AssertionError(constant)

    return json.loads(text, parse_constant=refuse)


def test_a_number_that_is_none_becomes_null() -> None:
    """At any depth, and what is beside it stays."""
    document = {"a": [1.5, math.nan, {"b": math.inf}], "c": (-math.inf, "NaN"), "d": True}

    assert strictly(json_text(document)) == {
        "a": [1.5, None, {"b": None}],
        "c": [None, "NaN"],
        "d": True,
    }


OUR_WRITERS = {"domain/json_text.py", "domain/codec.py"}
BY_JSON = {"dump", "dumps", "JSONEncoder", "JSONRenderer", "JSONResponse"}
"""What writes by Python's own module, by whatever name it is imported."""
BY_PYDANTIC = {"dump_json", "model_dump_json", "to_json"}


def writers_of_json(text: str) -> list[tuple[int, bool]]:
    """Return line, and whether it refuses NaN, of each thing in a file that writes JSON."""
    writers = []
    for node in ast.walk(ast.parse(text)):
        match node:
            case ast.Call(func=ast.Name(id=name)) if name in BY_JSON | BY_PYDANTIC:
                pass
            case ast.Call(func=ast.Attribute(attr=name, value=value)) if name in BY_PYDANTIC or (
                name in BY_JSON and ast.unparse(value) != "tomlkit"
            ):
                pass
            case ast.ImportFrom(module="json" | "pydantic_core", names=names) if {
                each.name for each in names
            } & (BY_JSON | BY_PYDANTIC):
                writers.append((node.lineno, False))
                continue
            case _:
                continue
        refuses = any(
            each.arg == "allow_nan" and ast.unparse(each.value) == "False" for each in node.keywords
        )
        writers.append((node.lineno, refuses))
    return writers


def test_no_writer_of_json_lets_nan_through() -> None:
    """What writes JSON in the package is `json_text` and a `Codec`, or refuses no numbers."""
    careless = [
        f"{name}:{line}"
        for path in sorted(PACKAGE.rglob("*.py"))
        if (name := path.relative_to(PACKAGE).as_posix()) not in OUR_WRITERS
        for line, refuses in writers_of_json(path.read_text(encoding="utf-8"))
        if not refuses
    ]

    assert careless == []


@pytest.mark.parametrize(
    ("text", "writers"),
    [
        ("json.dumps(1)", [(1, False)]),
        ("json.dump(1, file, allow_nan=True)", [(1, False)]),
        ("json.dumps(1, allow_nan=False)", [(1, True)]),
        ("from json import dumps as text", [(1, False)]),
        ("import json as other; other.dumps(1)", [(1, False)]),
        ("JSONResponse({})", [(1, False)]),
        ("model.model_dump_json()", [(1, False)]),
        ("TypeAdapter(int).dump_json(1)", [(1, False)]),
        ("structlog.processors.JSONRenderer()", [(1, False)]),
        ("from json import loads; tomlkit.dumps({}); json.loads('1')", []),
    ],
)
def test_writer_of_json_is_found(text: str, writers: list[tuple[int, bool]]) -> None:
    """By whatever name it goes."""
    assert writers_of_json(text) == writers


TEMPLATES = [path for path in PACKAGE.rglob("*") if path.suffix in {".html", ".js", ".svg", ".j2"}]


def test_no_template_writes_json() -> None:
    """The filter `tojson` would write NaN into a page; figures reach pages as words."""
    assert TEMPLATES
    assert [str(p) for p in TEMPLATES if "tojson" in p.read_text(encoding="utf-8")] == []


def all_codecs() -> dict[str, Codec[Any]]:
    """Return each codec of the package by the name of its type."""
    writers: dict[str, Codec[Any]] = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        if "Codec(" in path.read_text(encoding="utf-8"):
            name = ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts)
            for value in vars(import_module(name)).values():
                for each in value.values() if isinstance(value, dict) else [value]:
                    if isinstance(each, Codec):
                        writers[str(each._of)] = each
    return writers


def with_nan(kind: Any) -> Any:  # noqa: PLR0911
    """Return a value of a type with no number wherever there may be one."""
    if kind is float:
        return math.nan
    if dataclasses.is_dataclass(kind):
        hints = get_type_hints(kind)
        return kind(**{each.name: with_nan(hints[each.name]) for each in dataclasses.fields(kind)})
    origin, of = get_origin(kind), get_args(kind)
    if origin in {Union, UnionType}:
        return with_nan(min(of, key=lambda each: each is not float and each in {NoneType, str}))
    if origin is Literal:
        return of[0]
    if origin is tuple:
        return tuple(with_nan(each) for each in of if each is not Ellipsis)
    if origin is list:
        return [with_nan(of[0])]
    if origin in {dict, Mapping}:
        return {with_nan(of[0]): with_nan(of[1])}
    if kind is Any:
        return {"x": math.inf}
    if isinstance(kind, type) and issubclass(kind, Enum):
        return next(iter(kind))
    simple = {str: "x", int: 1, bool: True, NoneType: None, datetime: AT}
    return simple[kind]


@pytest.mark.parametrize(("codec"), [pytest.param(v, id=k) for k, v in all_codecs().items()])
def test_codec_when_no_number_is_one(codec: Codec[Any]) -> None:
    """Whatever travels is JSON, with a null in the place of each number that is none."""
    value = with_nan(codec._of)

    strictly(codec.text(value))
    strictly(json_text(codec.document(value)))


def test_every_codec_of_the_package_was_met() -> None:
    """What is read, what is sent and what is kept."""
    assert len(all_codecs()) >= 15
