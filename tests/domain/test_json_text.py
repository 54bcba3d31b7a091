"""Everything that is written as JSON is JSON: no NaN and no infinity, by any door."""

from __future__ import annotations

import ast
import json
import math
from pathlib import Path

import controller
from controller.domain.json_text import json_text

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


def test_no_writer_of_json_lets_nan_through() -> None:
    """Every call of json.dumps in the package refuses it, or is not made but by `json_text`."""
    careless = []
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)):
                continue
            if node.func.attr in {"dump", "dumps"} and ast.unparse(node.func.value) == "json":
                strict = any(
                    keyword.arg == "allow_nan" and ast.unparse(keyword.value) == "False"
                    for keyword in node.keywords
                )
                if not strict:
                    careless.append(f"{path.relative_to(PACKAGE)}:{node.lineno}")

    assert careless == []
