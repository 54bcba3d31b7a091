"""Which figures of the plant the grower did not give, and where our own come from.

The docstring behind each field of `controller.thermal.specs` is the one place where a default's
source is written; it is read from there, so it cannot drift apart from the figure.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import Any

from controller.settings.field_docstrings import field_docstrings, plain_text
from controller.settings.load import Settings
from controller.settings.models import Table
from controller.settings.simulation import MORE_FREEZERS, PLANT_PARTS
from controller.thermal.specs import FreezerSpec

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
        yield from _assumed(getattr(settings.plant, name), part, f"plant.{name}")
    for name, table in getattr(settings.plant, MORE_FREEZERS).items():
        yield from _assumed(table, FreezerSpec, f"plant.{MORE_FREEZERS}.{name}")


def _assumed(table: Table, part: Any, place: str) -> Iterator[Assumed]:
    for field in fields(part):
        value = getattr(table, field.name)
        if field.name in table.model_fields_set or value is None:
            continue
        about = plain_text(field_docstrings(part).get(field.name, ""))
        yield Assumed(key=f"{place}.{field.name}", value=value, about=about)
