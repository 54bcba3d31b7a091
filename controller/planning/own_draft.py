"""A person's own file with the answers that were moved: only the keys that they govern change."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

from controller.domain import measures
from controller.errors import SettingsError
from controller.planning.answers import (
    LINE_MARK,
    Answers,
    OwnFile,
    answers_text,
    keeps_answers,
    read_answers,
)
from controller.planning.build import Build
from controller.planning.changes import Applied, with_changes
from controller.planning.configuration import BOM, settings_of, temperature_text
from controller.planning.equipment import equipment_of
from controller.planning.points import (
    Points,
    air_high_c,
    low_limit_c,
    points_of,
    reservoir_warm_c,
)
from controller.settings.load import Settings
from controller.settings.plant_texts import RATED
from controller.settings.simulation import MORE_FREEZERS, PLANT_PARTS
from controller.settings.species import Species, band_of, kind_of, read_species
from controller.settings.toml_edit import Path as KeyPath
from controller.settings.toml_edit import Scalar, value_at, with_values
from controller.thermal.specs import CoilSpec, PlantSpec

DIGITS = 4
"""Significant digits of a figure that is written."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnDraft:
    """A person's file as it would be saved."""

    answers: Answers
    plant: PlantSpec
    """The equipment as it was moved and changed."""
    applied: tuple[Applied, ...]
    """Changes that were made to the build."""
    text: str
    folder: Path

    @property
    def difference(self) -> tuple[str, ...]:
        """Lines that go, with a minus before them, and lines that come, with a plus."""
        own = self.answers.own
        before = "" if own is None else own.content
        lines = difflib.unified_diff(before.splitlines(), self.text.splitlines(), n=0, lineterm="")
        return tuple(
            f"{line[0]} {line[1:]}"
            for number, line in enumerate(lines)
            if number > 1 and line[0] in "+-"
        )


def own_draft(answers: Answers, own: OwnFile) -> OwnDraft:
    """Return the file with what was moved and applied.

    Raises:
        SettingsError: What was moved cannot be written into this file.
        PhysicsError: A figure outside the range of the formulas.
    """
    bom = BOM if own.content.startswith(BOM) else ""
    text = own.content.removeprefix(BOM)
    document = tomllib.loads(text)
    text = with_values(text, dict(_answered(answers, own)))
    plant, applied = equipment_of(answers), tuple[Applied, ...]()
    if answers.changes:
        build = Build(settings=settings_of(text, own.folder), plant=plant)
        changed, applied = with_changes(build, answers.changes)
        plant = changed.plant
    if plant.freezer.kg_per_day is not None:  # then litres and stars say nothing
        before = own.settings.plant_spec().freezer
        freezer = replace(plant.freezer, litres=before.litres, stars=before.stars)
        plant = replace(plant, freezer=freezer)
    text = with_values(text, dict(_plant(answers, own, document, plant)))
    if keeps_answers(text):
        text = _with_answers(text, answers)
    return OwnDraft(
        answers=answers, plant=plant, applied=applied, text=bom + text, folder=own.folder
    )


def learned_figures(draft: OwnDraft, settings: Settings) -> tuple[str, ...]:
    """Return figures that were moved and yet stay, since `coldpin fit` learned them."""
    own = draft.answers.own
    if own is None or settings.plant.fitted is None:
        return ()
    before, now = own.settings.plant_spec(), settings.plant_spec()

    def figure(plant: PlantSpec, part: str, key: str) -> object:
        return getattr(getattr(plant, part), key)

    return tuple(
        f"plant.{part}.{key}"
        for part, kind in PLANT_PARTS.items()
        for key in (each.name for each in fields(kind))
        if figure(draft.plant, part, key) != figure(before, part, key) == figure(now, part, key)
    )


def _answered(answers: Answers, own: OwnFile) -> Iterator[tuple[KeyPath, Scalar | None]]:
    """Yield the keys that are no figures of the equipment."""
    settings, unit = own.settings, answers.unit
    if answers.moved("units"):
        yield ("display", "unit"), unit
    if answers.moved("name"):
        yield ("chamber", "name"), answers.text("name")
    for key in ("sleeps", "wakes"):
        if answers.moved(key):
            yield ("people", key), f"{answers.clock(key):%H:%M}"
    species = read_species().get(answers.text("species"))
    named = answers.of["species"].fits
    if answers.moved("species"):
        assert species is not None
        yield ("chamber", "species"), answers.text("species")
        yield from _points(settings, species, unit)
    if answers.moved("stage"):
        yield from _stage(answers, settings, species if named else None, unit)


def _points(
    settings: Settings, species: Species, unit: str
) -> Iterator[tuple[KeyPath, Scalar | None]]:
    """Yield switching points and limits for another species."""
    every: list[Points] = []
    for name, stage in settings.stages.items():
        points = Points(cut_in_c=stage.cut_in / 1000, cut_out_c=stage.cut_out / 1000)
        night = stage.night
        band = band_of(species, name)
        if band is not None:
            before, points = points, points_of(band)
            yield from _written(("stages", name), points, unit)
            warmer_k = points.cut_in_c - before.cut_in_c
            if night is not None:
                at_night = Points(
                    cut_in_c=night.cut_in / 1000 + warmer_k,
                    cut_out_c=night.cut_out / 1000 + warmer_k,
                )
                yield from _written(("stages", name, "night"), at_night, unit)
                every.append(at_night)
        elif night is not None:
            every.append(Points(cut_in_c=night.cut_in / 1000, cut_out_c=night.cut_out / 1000))
        every.append(points)
    limits = tuple(every)
    yield ("limits", "low_limit"), temperature_text(low_limit_c(limits), unit)
    yield ("limits", "air_high"), temperature_text(air_high_c(limits), unit)
    yield ("limits", "reservoir_warm"), temperature_text(reservoir_warm_c(limits), unit)


def _written(table: KeyPath, points: Points, unit: str) -> Iterator[tuple[KeyPath, Scalar | None]]:
    yield (*table, "cut_in"), temperature_text(points.cut_in_c, unit)
    yield (*table, "cut_out"), temperature_text(points.cut_out_c, unit)


def _stage(
    answers: Answers, settings: Settings, species: Species | None, unit: str
) -> Iterator[tuple[KeyPath, Scalar | None]]:
    wanted = answers.text("stage")
    existing = next((name for name in settings.stages if kind_of(name) == kind_of(wanted)), None)
    if existing is None:
        band = None if species is None else band_of(species, wanted)
        if band is None:
            raise SettingsError(
                "the stage",
                (f"your file has no [stages.{wanted}]; choose a species, or write that table",),
            )
        yield from _written(("stages", wanted), points_of(band), unit)
    yield ("chamber", "stage"), existing or wanted


def _plant(
    answers: Answers, own: OwnFile, document: Mapping[str, Any], plant: PlantSpec
) -> Iterator[tuple[KeyPath, Scalar | None]]:
    """Yield the figures of the equipment that differ from those of the file."""
    before = own.settings.plant_spec()
    if answers.moved("day", "night"):
        # a room of fixed days stands in the place of one from a file
        for path in (("plant", "room", "csv"), ("simulation", "weather")):
            if value_at(document, path) is not None:
                yield path, None
    yield from _instead_of_rating(before.coil, plant.coil, document)
    unit = answers.unit
    chamber = ("plant", "chamber")
    in_figures = any(
        value_at(document, (*chamber, key)) is not None for key in ("volume_m3", "wall_area_m2")
    )
    for part in PLANT_PARTS:
        for each in fields(getattr(plant, part)):
            key = each.name
            value, old = getattr(getattr(plant, part), key), getattr(getattr(before, part), key)
            if value == old:
                continue
            path = ("plant", part, key)
            if part == "chamber" and key in {"volume_m3", "wall_area_m2"} and not in_figures:
                yield (*chamber, "size"), answers.of["size"].text
            elif value is not None:
                yield path, _scalar(key, value, value_at(document, path), unit)
            elif value_at(document, path) is not None:
                yield path, None
            if key == "wall_u_w_m2k" and value_at(document, (*chamber, "wall")) is not None:
                yield (*chamber, "wall"), None  # "1 in foam" is a wall to the file, not to us
    yield from _more_freezers(own, plant)


def _more_freezers(own: OwnFile, plant: PlantSpec) -> Iterator[tuple[KeyPath, Scalar | None]]:
    """Yield what changed in freezers beside the first one."""
    before = own.settings.plant_spec().more_freezers
    names = getattr(own.settings.plant, MORE_FREEZERS)
    for name, old, new in zip(names, before, plant.more_freezers, strict=True):
        if new.food != old.food:
            yield ("plant", MORE_FREEZERS, name, "food"), new.food


def _instead_of_rating(
    before: CoilSpec, after: CoilSpec, document: Mapping[str, Any]
) -> Iterator[tuple[KeyPath, Scalar | None]]:
    """Yield a coil's own figures where the file has a rating, which another core does not have."""
    figures = [each.name for each in fields(after) if each.name != "water_kg_s"]
    table = ("plant", "coil")
    rated = [key for key in RATED if value_at(document, (*table, key)) is not None]
    if rated and any(getattr(after, key) != getattr(before, key) for key in figures):
        yield from (((*table, key), None) for key in rated)
        for each in fields(after):
            yield (*table, each.name), float(f"{getattr(after, each.name):.{DIGITS}g}")


def _scalar(key: str, value: str | float, written: object, unit: str) -> Scalar:
    """Return a figure as the file writes it: with its unit where it has one there."""
    if isinstance(value, str):
        return value
    if isinstance(written, str):
        text = _with_unit(key, value, unit)
        if text is not None:
            return text
    if isinstance(value, int) or (isinstance(written, int) and value == round(value)):
        return round(value)
    return float(f"{value:.{DIGITS}g}")


def _with_unit(key: str, value: float, unit: str) -> str | None:
    if key in {"kg", "crop_kg"}:
        return measures.weight_text(value, unit)
    if key == "litres":
        return measures.volume_text(value, unit)
    if key == "rh":
        return f"{100.0 * value:.0f} %"
    if key.endswith("_c"):
        return temperature_text(value, unit)
    if key.endswith("_mm"):
        return f"{value / 25.4:.3g} in" if unit == "F" else f"{value:g} mm"
    if key.endswith("_w"):
        return f"{value:g} W"
    return None


def _with_answers(text: str, answers: Answers) -> str:
    """Return the text with the answers that it keeps as they are now."""
    end = "\r\n" if "\r\n" in text else "\n"
    lines = text.splitlines(keepends=True)
    wanted = {key: each.text for key, each in answers.of.items() if answers.moved(key)}
    fresh = answers_text(wanted).splitlines()
    if answers.changes:
        kept = read_answers(text)[1]
        fresh += answers_text({}, tuple(dict.fromkeys((*kept, *answers.changes)))).splitlines()
    for line in fresh:
        begins = LINE_MARK + line.partition("=")[0]
        at = next((n for n, each in enumerate(lines) if each.startswith(begins)), None)
        if at is not None:
            lines[at] = f"{LINE_MARK}{line}{end}"
            continue
        last = max(n for n, each in enumerate(lines) if each.startswith(LINE_MARK))
        if not lines[last].endswith("\n"):
            lines[last] += end
        lines.insert(last + 1, f"{LINE_MARK}{line}{end}")
    return "".join(lines)
