"""Which figures of the plant the grower did not give, and where our own come from.

The docstring behind each field of `controller.thermal.specs` is the one place where a default's
source is written; it is read from there, so it cannot drift apart from the figure.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass, fields
from functools import cache
from inspect import getsource
from typing import Any

from controller.settings.load import Settings
from controller.settings.simulation import PLANT_PARTS
from controller.thermal import specs

NOT_ASKED = "fine"
"""The part of the plant that nobody is asked for; its defaults are not worth a line each."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumed:
    """A figure that we had to assume."""

    key: str
    value: Any
    about: str
    """What it is and where the figure comes from."""


def assumed_figures(settings: Settings) -> Iterator[Assumed]:
    """Yield every figure of the plant that the configuration leaves out."""
    for name, part in PLANT_PARTS.items():
        if name == NOT_ASKED:
            continue
        given = getattr(settings.plant, name).model_fields_set
        for field in fields(part):
            value = getattr(getattr(settings.plant, name), field.name)
            if field.name in given or value is None:
                continue
            about = _docstrings().get((part.__name__, field.name), "")
            yield Assumed(key=f"plant.{name}.{field.name}", value=value, about=about)


@cache
def _docstrings() -> dict[tuple[str, str], str]:
    """Return the text behind each field by class and field name."""
    found: dict[tuple[str, str], str] = {}
    for node in ast.parse(getsource(specs)).body:
        if not isinstance(node, ast.ClassDef):
            continue
        for field, text in zip(node.body, node.body[1:], strict=False):
            if (
                isinstance(field, ast.AnnAssign)
                and isinstance(field.target, ast.Name)
                and isinstance(text, ast.Expr)
                and isinstance(text.value, ast.Constant)
            ):
                found[node.name, field.target.id] = " ".join(str(text.value.value).split())
    return found
