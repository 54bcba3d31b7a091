"""The file that ``coldpin fit`` writes and ``[plant] fitted`` names: figures that a record told.

Its [plant.*] tables take the place of the configuration's; everything else in it is for people.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from pydantic import Field, ValidationError

from controller.errors import SettingsError
from controller.settings.models import Table
from controller.settings.plant_texts import RATED_MEANINGS, coil_from_rating
from controller.settings.problems import problem_lines
from controller.settings.simulation import PlantTables
from controller.settings.toml_edit import toml_string
from controller.settings.toml_file import Purpose, read_toml

FIT = Purpose(
    what="a fit", usually="a file of a kilobyte that coldpin fit wrote", see="coldpin fit --help"
)


class _FitFile(Table):
    """The whole file."""

    about: dict[str, Any] = Field(default_factory=dict)
    """When it was made and from what."""
    plant: PlantTables


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedFigure:
    """A figure to be written."""

    part: str
    key: str
    value: float
    note: str


def _without_rating(given: dict[str, Any]) -> dict[str, Any]:
    """Return [plant.coil] with its rating turned into the figures that it stands for."""
    try:
        worked_out = coil_from_rating(given)
    except ValueError:
        return given  # said where the configuration is judged
    return {key: value for key, value in worked_out.items() if key not in RATED_MEANINGS}


def put_fit_in(document: dict[str, Any], folder: Path) -> tuple[dict[str, Any], list[str]]:
    """Return a configuration's document with the figures of the fit that it names put in.

    Args:
        document: As read; it is not changed.
        folder: The configuration's.

    Returns:
        The document, and what is wrong with the fit; then nothing of it was put in.
    """
    plant = document.get("plant")
    named = plant.get("fitted") if isinstance(plant, dict) else None
    if not isinstance(plant, dict) or not isinstance(named, str):
        return document, []
    path = folder / named
    try:
        fit = read_toml(path, FIT)
        _FitFile.model_validate(fit)
    except SettingsError as error:
        return document, [f"plant.fitted: {path}: {problem}" for problem in error.problems]
    except ValidationError as error:
        return document, [
            f"plant.fitted: {path}: {line}" for line in problem_lines(error, _FitFile)
        ]
    merged = dict(plant)
    for part, figures in fit["plant"].items():
        if not isinstance(figures, dict):
            return document, [f"plant.fitted: {path}: plant.{part}: found no table of figures"]
        given = plant.get(part, {})
        if not isinstance(given, dict):
            continue  # said where the configuration is judged
        if "ua_air_w_k" in figures:
            given = _without_rating(given)  # what a label said has been measured now
        merged[part] = {**given, **figures}
        if "wall_u_w_m2k" in figures:
            merged[part].pop("wall", None)  # the table's value has been measured now
    return {**document, "plant": merged}, []


def fit_text(
    figures: Sequence[FittedFigure], *, made: datetime, about: dict[str, str | float]
) -> str:
    """Return the text of a fit's file.

    Args:
        figures: What to put into [plant.*].
        made: When, aware.
        about: What people should know of it: words and numbers.
    """
    lines = [
        "# Figures of the plant that a record told, by coldpin fit. Name this file in the",
        '# configuration to use them: under [plant], fitted = "the name of this file".',
        "",
        "[about]",
        f"made = {made.isoformat(timespec='seconds')}",
    ]
    lines += [
        f"{key} = {toml_string(value) if isinstance(value, str) else value}"
        for key, value in about.items()
    ]
    for part in dict.fromkeys(figure.part for figure in figures):
        lines += ["", f"[plant.{part}]"]
        lines += [
            f"{figure.key} = {figure.value:.6g}  # {figure.note}"
            for figure in figures
            if figure.part == part
        ]
    return "\n".join(lines) + "\n"
