"""The table of species: the bands in which they pin and crop, each row with its source."""

from __future__ import annotations

from collections.abc import Iterator
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated

from pydantic import Field, ValidationError

from controller.domain.units import celsius_text
from controller.errors import SettingsError
from controller.settings.load import Settings
from controller.settings.models import CropTemperature, Name, Table
from controller.settings.problems import problem_lines
from controller.settings.shipped import shipped_config
from controller.settings.toml_file import read_toml

PerCent = Annotated[int, Field(ge=0, le=100)]


class AirBand(Table):
    """Air in which a stage goes well."""

    low: CropTemperature = Field(alias="from")
    high: CropTemperature = Field(alias="to")
    rh: Annotated[tuple[PerCent, PerCent], Field(strict=False)]
    """Relative humidity from and to [%]."""


class Species(Table):
    """[species.ID]: one row."""

    name: str
    source: str
    pinning: AirBand
    cropping: AirBand


class _SpeciesFile(Table):
    species: dict[Name, Species]


def read_species(path: Path | None = None) -> dict[str, Species]:
    """Return the species by id.

    Args:
        path: The table; None for the one that ships.

    Raises:
        SettingsError: The file cannot be used; carries every problem found.
    """
    path = path or shipped_config("species.toml")
    try:
        return dict(_SpeciesFile.model_validate(read_toml(path)).species)
    except ValidationError as error:
        raise SettingsError(str(path), tuple(problem_lines(error, _SpeciesFile))) from None


def species_of(settings: Settings) -> Species | None:
    """Return the species that the chamber names, None where it names none.

    Raises:
        SettingsError: The table does not know it.
    """
    named = settings.chamber.species
    if named is None:
        return None
    known = read_species()
    if named in known:
        return known[named]
    near = get_close_matches(named, known, n=1)
    hint = f'; did you mean "{near[0]}"?' if near else ""
    raise SettingsError(
        "chamber",
        (f'chamber.species: found "{named}", allowed: {", ".join(sorted(known))}{hint}',),
    )


def band_of(species: Species, stage: str) -> AirBand | None:
    """Return the species' band for a stage of that name, None for other stages."""
    return {"pinning": species.pinning, "cropping": species.cropping}.get(stage)


def disagreements(settings: Settings, species: Species) -> Iterator[str]:
    """Yield a warning for each stage whose band does not lie in the species' own."""
    for name, stage in settings.stages.items():
        band = band_of(species, name)
        if band is None:
            continue
        for key, value, wrong, limit in (
            ("cut_in", stage.cut_in, stage.cut_in > band.high, band.high),
            ("cut_out", stage.cut_out, stage.cut_out < band.low, band.low),
        ):
            if wrong:
                side = "above" if key == "cut_in" else "below"
                yield (
                    f"stages.{name}.{key}: {celsius_text(value)} lies {side} "
                    f"{celsius_text(limit)}, the end of the {name} band of {species.name} "
                    f"({species.source}); your strain may differ"
                )
