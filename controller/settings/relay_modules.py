"""Read relay-modules.toml: what each relay module's nameplate or data sheet says.

The file is only read here, with every problem at once. Whether a module may switch a load is
judged by the mains rule; its `RelayModule.from_record` takes what `model_dump` of a record gives.
"""

from __future__ import annotations

import re
import tomllib
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError
from pydantic_core import ErrorDetails

from controller.errors import SettingsError
from controller.settings.units import Amperes, parse_current

LARGEST_FILE_BYTES = 1_000_000
"""A long list of modules is some ten kilobytes; more is another file."""

_ID = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_SUPPLY = re.compile(r"([0-9]+(?:\.[0-9]+)?) ?V ?(AC|DC)")
_HIGHEST_V = {"AC": 1000.0, "DC": 1500.0}
"""Low voltage ends here (IEC 60364)."""


def _supply_text(found: str) -> str:
    """Return the text if it is a supply.

    Raises:
        ValueError: It is none; the field's description says what is allowed.
    """
    match = _SUPPLY.fullmatch(found)
    if match is None or not 0 < float(match[1]) <= _HIGHEST_V[match[2]]:
        raise ValueError(found)
    return found


Words = Annotated[str, Field(min_length=1, max_length=300, pattern=r"\S")]
Current = Annotated[Amperes, BeforeValidator(parse_current)]


class _Record(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, populate_by_name=True)


class RatingRecord(_Record):
    """[[modules.ID.ratings]]: one line of the nameplate."""

    load_kind: Literal["resistive", "motor", "electromagnet", "lamp"] = Field(
        description='"resistive", "motor", "electromagnet" or "lamp"'
    )
    supply: Annotated[str, AfterValidator(_supply_text)] = Field(
        description='the highest volts of this rating with AC or DC, such as "30 V DC"'
    )
    current_a: Current = Field(alias="current", description='amperes, such as "5 A"')


def _some(ratings: tuple[RatingRecord, ...]) -> tuple[RatingRecord, ...]:
    """Return the ratings if there are any; min_length would not count the faulty ones.

    Raises:
        ValueError: There are none.
    """
    if not ratings:
        raise ValueError(ratings)
    return ratings


class _Module(_Record):
    description: Words = Field(description="what the module is, in a few words")
    ratings: Annotated[tuple[RatingRecord, ...], AfterValidator(_some)] = Field(
        strict=False,  # TOML has arrays only; what is in them stays strict
        description="at least one table [[modules.ID.ratings]]",
    )
    certification_mark: Words | None = Field(
        default=None, description="the testing body's mark as printed, or leave the key out"
    )
    standard: Words | None = Field(
        default=None, description="the standard as printed, or leave the key out"
    )
    file_number: Words | None = Field(
        default=None, description="the file number as text, as printed, or leave the key out"
    )
    isolation_class: Words | None = Field(
        default=None, description="the insulation as printed, or leave the key out"
    )
    enclosure: Words | None = Field(
        default=None, description="the enclosure in a few words, or leave the key out"
    )


class RelayModuleRecord(_Module):
    """[modules.ID]: one relay module, fields named as the mains rule names them."""

    id: str


def read_relay_modules(path: Path) -> dict[str, RelayModuleRecord]:
    """Return the recorded modules by id.

    Args:
        path: A TOML file of ``[modules.ID]`` tables; an empty one records no module.

    Raises:
        SettingsError: The file cannot be used; carries every problem found.
    """
    modules, problems = examine_relay_modules(path)
    if problems:
        raise SettingsError(str(path), tuple(problems))
    return modules


def examine_relay_modules(path: Path) -> tuple[dict[str, RelayModuleRecord], list[str]]:
    """Return the modules that can be used and every problem found in the others."""
    try:
        document = _read_toml(path)
    except ValueError as error:
        return {}, [f"{path.name}: {error}"]
    problems = [_unknown(key, ("modules",), key) for key in document if key != "modules"]
    tables = document.get("modules", {})
    modules: dict[str, RelayModuleRecord] = {}
    if isinstance(tables, dict):
        for name, table in tables.items():
            record, found = _record(name, table)
            problems += found
            if record is not None:
                modules[name] = record
    else:
        problems.append(f"modules: found {_shown(tables)}, allowed: tables [modules.ID]")
    return modules, [f"{path.name}: {problem}" for problem in problems]


def _record(name: str, table: object) -> tuple[RelayModuleRecord | None, list[str]]:
    problems = []
    if _ID.fullmatch(name) is None:
        problems.append(
            f"modules.{name}: found {_shown(name)}, allowed: an id of small letters, digits and "
            "single dashes, such as mosfet-24v-dc"
        )
    try:
        module = _Module.model_validate(table)
    except ValidationError as error:
        return None, problems + [_problem(name, detail) for detail in error.errors()]
    record = RelayModuleRecord.model_construct(id=name, **dict(module))
    return (None if problems else record), problems


def _read_toml(path: Path) -> dict[str, Any]:
    """Return the document.

    Raises:
        ValueError: It is no readable TOML; says what it is.
    """
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_FILE_BYTES + 1)
    except IsADirectoryError:
        raise ValueError("found a directory, allowed: a TOML file; name the file in it") from None
    except OSError as error:
        raise ValueError(
            f"cannot be read ({error.strerror or error}) at {path}; name a readable file"
        ) from None
    if len(content) > LARGEST_FILE_BYTES:
        raise ValueError(
            f"found more than {LARGEST_FILE_BYTES} bytes, allowed: a list of a few kilobytes; "
            "this is probably another file"
        )
    try:
        return tomllib.loads(content.decode("utf-8"))
    except UnicodeDecodeError as error:
        raise ValueError(
            f"found bytes that are not UTF-8 text at byte {error.start}, allowed: TOML"
        ) from None
    except tomllib.TOMLDecodeError as error:
        raise ValueError(f"is not TOML: {error}; see the template in the file") from None
    except RecursionError:
        raise ValueError("is nested too deeply to be a list of relay modules") from None


def _problem(name: str, detail: ErrorDetails) -> str:
    place = [_place(part) for part in detail["loc"]]
    where = ".".join(("modules", name, *place))
    table = RatingRecord if len(place) > 1 else _Module
    fields = {field.alias or known: field for known, field in table.model_fields.items()}
    key = place[-1] if place else ""
    if detail["type"] == "extra_forbidden":
        return _unknown(where, tuple(fields), key)
    allowed = fields[key].description if key in fields else "a table with keys of its own"
    found = "nothing" if detail["type"] == "missing" else _shown(detail["input"])
    return f"{where}: found {found}, allowed: {allowed}"


def _place(part: int | str) -> str:
    return f"entry {part + 1}" if isinstance(part, int) else part


def _unknown(where: str, known: tuple[str, ...], key: str) -> str:
    near = get_close_matches(key, known, n=1)
    advice = f"did you mean {near[0]}?" if near else "remove it"
    return f"{where}: found an unknown key, allowed: {', '.join(known)}; {advice}"


def _shown(found: object) -> str:
    if isinstance(found, dict):
        return f"a table of {len(found)} key(s)"
    if isinstance(found, list):
        return f"a list of {len(found)}"
    text = str(found).lower() if isinstance(found, bool) else str(found)
    text = text if len(text) <= 60 else f"{text[:57]}..."
    return f'"{text}"' if isinstance(found, str) else text
