"""Read the configuration: all problems at once, each with path, what was found, what is allowed."""

from __future__ import annotations

import tomllib
import types
from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Union, get_args, get_origin

from pydantic import BaseModel, Field, TypeAdapter, ValidationError
from pydantic_core import ErrorDetails

from controller.errors import SettingsError
from controller.settings import models
from controller.settings.cross_checks import cross_check
from controller.settings.simulation import PlantTables, Simulation

LARGEST_FILE_BYTES = 1_000_000
"""A configuration is a few kilobytes; more is not one."""


class Settings(models.Table):
    """The whole configuration."""

    chamber: models.Chamber
    stages: dict[models.Name, models.Stage] = Field(min_length=1)
    timing: models.Timing = models.Timing()
    limits: models.Limits
    flow_proof: models.FlowProof = models.FlowProof()
    fallback: models.Fallback = models.Fallback()
    alarms: models.Alarms = models.Alarms()
    one_wire: models.OneWire = models.OneWire()
    readings: models.Readings = models.Readings()
    probes: models.Probes
    loads: models.Loads
    relay_modules: models.RelayModules = models.RelayModules()
    records: models.Records = models.Records()
    site: models.Site = models.Site()
    display: models.Display = models.Display()
    simulation: Simulation = Simulation()
    plant: PlantTables = PlantTables()


def read_settings(path: Path) -> Settings:
    """Return the settings in the file.

    Args:
        path: A TOML file.

    Raises:
        SettingsError: The file cannot be used; carries every problem found.
    """
    settings, problems = examine_settings(path)
    if settings is None or problems:
        raise SettingsError(str(path), tuple(problems))
    return settings


def examine_settings(path: Path) -> tuple[Settings | None, list[str]]:
    """Return the settings, None where they are unusable, and every problem found."""
    try:
        document = _read_toml(path)
    except SettingsError as error:
        return None, list(error.problems)
    tables: dict[str, Any] = {}
    problems: list[str] = []
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
            problems += [_problem(detail, (name, *detail["loc"])) for detail in error.errors()]
            tables[name] = _readable_part(field.annotation, document[name])
    problems += [
        _unknown((name,), Settings.model_fields)
        for name in document
        if name not in Settings.model_fields
    ]
    problems += cross_check(tables)
    settings = None if problems else Settings.model_construct(**tables)
    return settings, problems


def _read_toml(path: Path) -> dict[str, Any]:
    def refuse(problem: str) -> SettingsError:
        return SettingsError(str(path), (problem,))

    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_FILE_BYTES + 1)
    except IsADirectoryError:
        raise refuse("found a directory, allowed: a TOML file; name the file in it") from None
    except OSError as error:
        raise refuse(f"cannot be read: {error.strerror or error}; name a readable file") from None
    if len(content) > LARGEST_FILE_BYTES:
        raise refuse(
            f"found more than {LARGEST_FILE_BYTES} bytes, allowed: a configuration of a few "
            "kilobytes; this is probably another file"
        )
    if not content.strip():
        raise refuse("found an empty file; start from an example in config/")
    try:
        return tomllib.loads(content.decode("utf-8"))
    except UnicodeDecodeError as error:
        raise refuse(
            f"found bytes that are not UTF-8 text at byte {error.start}, allowed: TOML"
        ) from None
    except tomllib.TOMLDecodeError as error:
        raise refuse(f"is not TOML: {error}; see the examples in config/") from None
    except RecursionError:
        raise refuse("is nested too deeply to be a configuration") from None


def _problem(detail: ErrorDetails, loc: tuple[int | str, ...]) -> str:
    """Return one problem in our words."""
    path = tuple(str(part) for part in loc if part != "[key]")
    kind, found = detail["type"], detail["input"]
    if kind == "extra_forbidden":
        return _unknown(path, _fields_of(path[:-1]))
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


def _unknown(path: tuple[str, ...], known: Mapping[str, Any]) -> str:
    names = [field.alias or name for name, field in known.items()]
    near = get_close_matches(path[-1], names, n=1)
    hint = f'did you mean "{near[0]}"?' if near else f"known here: {', '.join(sorted(names))}"
    return f'{".".join(path)}: found an unknown key "{path[-1]}", {hint}'


def _readable_part(annotation: Any, found: object) -> Any:
    """Return what of a faulty table can be read, so that the rest is still cross-checked.

    The result lacks the attributes that could not be read; `cross_check` allows for that.
    """
    if not isinstance(found, dict):
        return None
    table = next(_tables_in(annotation), None)
    if table is None:
        return None
    if get_origin(annotation) is dict:
        return {name: _readable_part(table, part) for name, part in found.items()}
    parts: dict[str, Any] = {}
    for name, field in table.model_fields.items():
        key = field.alias or name
        if key not in found:
            continue
        try:
            parts[name] = TypeAdapter(field.rebuild_annotation()).validate_python(found[key])
        except ValidationError:
            parts[name] = _readable_part(field.annotation, found[key])
    return table.model_construct(**{k: v for k, v in parts.items() if v is not None})


def _fields_of(path: tuple[str, ...]) -> Mapping[str, Any]:
    """Return the fields of the table that lies at *path*."""
    table: type[BaseModel] = Settings
    for part in path:
        inner = None
        for name, field in table.model_fields.items():
            if part in {name, field.alias}:
                inner = next(_tables_in(field.annotation), None)
        if inner is not None:
            table = inner
        # a name that people choose, such as a stage's: the table stays the one it maps to
    return table.model_fields


def _tables_in(annotation: Any) -> Iterator[type[BaseModel]]:
    """Yield the models inside an annotation such as ``dict[Name, Stage]`` or ``Probe | None``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    elif get_origin(annotation) in {Union, types.UnionType, dict}:
        for part in get_args(annotation):
            yield from _tables_in(part)
