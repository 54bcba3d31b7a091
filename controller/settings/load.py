"""Read the configuration: all problems at once, each with path, what was found, what is allowed."""

from __future__ import annotations

from pathlib import Path
from typing import Any, get_origin

from pydantic import Field, TypeAdapter, ValidationError

from controller.errors import SettingsError
from controller.settings import lookout_models, models
from controller.settings.cross_checks import cross_check
from controller.settings.fit_file import put_fit_in
from controller.settings.problems import problem_lines, tables_in, unknown_key
from controller.settings.simulation import PlantTables, Simulation
from controller.settings.toml_file import read_toml
from controller.thermal.specs import PlantSpec, SiteSpec


class Settings(models.Table):
    """The whole configuration."""

    chamber: models.ChamberTable
    stages: dict[models.Name, models.Stage] = Field(min_length=1)
    timing: models.TimingTable = models.TimingTable.by_default()
    limits: models.LimitsTable
    flow_proof: models.FlowProofTable = models.FlowProofTable.by_default()
    fallback: models.FallbackTable = models.FallbackTable.by_default()
    alarms: models.Alarms = models.Alarms.by_default()
    one_wire: models.OneWire = models.OneWire.by_default()
    readings: models.Readings = models.Readings.by_default()
    probes: models.Probes
    loads: models.Loads
    inputs: models.SwitchInputs = models.SwitchInputs.by_default()
    supplies: dict[models.Name, models.PowerSupply] = Field(default_factory=dict)
    relay_modules: models.RelayModules = models.RelayModules.by_default()
    records: models.Records = models.Records.by_default()
    site: models.Site = models.Site.by_default()
    lights: models.LightsTable | None = None
    people: models.People = models.People.by_default()
    notices: lookout_models.NoticesTable = lookout_models.NoticesTable.by_default()
    lookout: lookout_models.Lookout = lookout_models.Lookout.by_default()
    mqtt: lookout_models.Mqtt = lookout_models.Mqtt.by_default()
    display: models.Display = models.Display.by_default()
    simulation: Simulation = Simulation.by_default()
    plant: PlantTables = Field(default_factory=PlantTables)

    def plant_spec(self) -> PlantSpec:
        """Return the plant that these settings describe."""
        spec: PlantSpec = self.plant.spec(SiteSpec(altitude_m=self.site.altitude_m))
        return spec


def read_settings(path: Path, *, needs_fit: bool = False) -> Settings:
    """Return the settings in the file.

    Args:
        path: A TOML file.
        needs_fit: Whether a fit of the plant that cannot be used is a problem; else the
            configuration's own figures hold.

    Raises:
        SettingsError: The file cannot be used; carries every problem found.
    """
    settings, problems = examine_settings(path, needs_fit=needs_fit)
    if settings is None or problems:
        raise SettingsError(str(path), tuple(problems))
    return settings


def examine_settings(path: Path, *, needs_fit: bool = True) -> tuple[Settings | None, list[str]]:
    """Return the settings, None where they are unusable, and every problem found."""
    tables, problems = examine_tables(path, needs_fit=needs_fit)
    return (None if problems else settings_from(tables)), problems


def settings_from(tables: dict[str, Any]) -> Settings:
    """Return the settings made of tables in which nothing was wrong."""
    return Settings.model_construct(**tables)


def examine_tables(path: Path, *, needs_fit: bool = True) -> tuple[dict[str, Any], list[str]]:
    """Return what can be read of each table, and every problem found.

    A table in which something is wrong lacks the keys that could not be read, so that whoever
    judges more (drivers, the mains rule) can still judge the rest.

    Args:
        path: A TOML file.
        needs_fit: Whether a fit of the plant that cannot be used is a problem. Control needs none.
    """
    try:
        document = read_toml(path)
    except SettingsError as error:
        return {}, list(error.problems)
    return examine_document(document, path.parent, needs_fit=needs_fit)


def examine_document(
    document: dict[str, Any], folder: Path, *, needs_fit: bool = True
) -> tuple[dict[str, Any], list[str]]:
    """Return what can be read of each table of a document, and every problem found.

    Args:
        document: As TOML gives it.
        folder: Where files that it names are looked for.
        needs_fit: As for `examine_tables`.
    """
    document, fit_problems = put_fit_in(document, folder)
    tables: dict[str, Any] = {}
    problems: list[str] = fit_problems if needs_fit else []
    for name, field in Settings.model_fields.items():
        if name not in document:
            if field.is_required():
                problems.append(f"{name}: found nothing, allowed: a table [{name}]")
            else:
                tables[name] = field.get_default(call_default_factory=True)
            continue
        adapter: TypeAdapter[Any] = TypeAdapter(field.rebuild_annotation())
        try:
            tables[name] = adapter.validate_python(document[name])
        except ValidationError as error:
            problems += problem_lines(error, Settings, below=(name,))
            tables[name] = _readable_part(field.annotation, document[name])
    problems += [
        unknown_key((name,), Settings) for name in document if name not in Settings.model_fields
    ]
    problems += cross_check(tables)
    return tables, problems


def _readable_part(annotation: Any, content: object) -> Any:
    """Return what of a faulty table can be read, so that the rest is still cross-checked.

    The result lacks the attributes that could not be read; `cross_check` allows for that.
    """
    if not isinstance(content, dict):
        return None
    table = next(tables_in(annotation), None)
    if table is None:
        return None
    if get_origin(annotation) is dict:
        return {name: _readable_part(table, part) for name, part in content.items()}
    parts: dict[str, Any] = {}
    for name, field in table.model_fields.items():
        key = field.alias or name
        if key not in content:
            continue
        try:
            parts[name] = TypeAdapter(field.rebuild_annotation()).validate_python(content[key])
        except ValidationError:
            parts[name] = _readable_part(field.annotation, content[key])
    return table.model_construct(**{k: v for k, v in parts.items() if v is not None})
