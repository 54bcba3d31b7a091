"""The table of species: the bands in which they pin and fruit, each row with its source."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Literal

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


class OtherSource(Table):
    """[[species.ID.other]]: what another source gives."""

    source: str
    pinning: AirBand | None = None
    cropping: AirBand | None = None


class Species(Table):
    """[species.ID]: the bands to go by, and what other sources give."""

    name: str
    source: str
    pinning: AirBand
    cropping: AirBand
    other: Annotated[tuple[OtherSource, ...], Field(strict=False)] = ()


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


def kind_of(stage: str) -> Literal["pinning", "cropping"] | None:
    """Return which band of a species goes with a stage of that name, None for other stages.

    "Fruiting" is what growers call cropping.
    """
    return _KINDS.get(stage.lower())


_KINDS: Mapping[str, Literal["pinning", "cropping"]] = {
    "pinning": "pinning",
    "cropping": "cropping",
    "fruiting": "cropping",
}


def band_of(species: Species, stage: str) -> AirBand | None:
    """Return the species' band for a stage of that name, None for other stages."""
    kind = kind_of(stage)
    return None if kind is None else getattr(species, kind)


def disagreements(settings: Settings, species: Species) -> Iterator[str]:
    """Yield a warning for each stage, and for the humidity, that the species does not bear."""
    for name, stage in settings.stages.items():
        band = band_of(species, name)
        if band is None:
            yield (
                f'stages.{name}: species.toml knows no stage "{name}", so its band was not '
                f"compared with that of {species.name}; "
                f"the known ones are {', '.join(sorted(_KINDS))}"
            )
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
                    f"({species.source}){_but(species, name, value)}; your strain may differ"
                )
    yield from _humidity(settings, species)


def _but(species: Species, stage: str, value: int) -> str:
    """Return which other source would have it, as a clause; empty: none."""
    kind = kind_of(stage)
    for other in species.other:
        band: AirBand | None = None if kind is None else getattr(other, kind)
        if band is not None and band.low <= value <= band.high:
            return f", but within that of {other.source}"
    return ""


def _humidity(settings: Settings, species: Species) -> Iterator[str]:
    """Yield a warning where the chamber's humidity, if it was given, is not the species'."""
    if "rh" not in settings.plant.chamber.model_fields_set:
        return
    stage = settings.chamber.stage
    band = band_of(species, stage)
    if band is None:
        return
    rh = round(100 * settings.plant_spec().chamber.rh)
    driest, wettest = band.rh
    if not driest <= rh <= wettest:
        side = "drier" if rh < driest else "wetter"
        yield (
            f"plant.chamber.rh: {rh} % is {side} than the {driest} to {wettest} % in which "
            f"{species.name} goes well in {stage} ({species.source})"
        )
