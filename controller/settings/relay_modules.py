"""Read relay-modules.toml: what each relay module's nameplate or data sheet says.

The file is only read here, with every problem at once. Whether a module may switch a load is
judged by the mains rule; its `RelayModule.from_record` takes what `model_dump` of a record gives.
"""

from __future__ import annotations

import grp
import os
import pwd
import re
import stat
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError

from controller.domain.supply import Supply
from controller.domain.units import Current
from controller.errors import SettingsError
from controller.settings.problems import problem_lines, shown, unknown_key
from controller.settings.toml_file import Purpose, read_toml

LIST_OF_MODULES = Purpose(
    what="a list of relay modules",
    usually="a list of a few kilobytes",
    see="the template in the file",
    may_be_empty=True,
)

_ID = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")


def _supply_text(given: str) -> str:
    """Return a supply as it is written everywhere, such as "12 V DC" for "12 v dc".

    Raises:
        ValueError: It is none; the field's description says what is allowed.
    """
    return str(Supply.parse(given))


RecordText = Annotated[str, Field(min_length=1, max_length=300, pattern=r"\S")]


class _Record(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


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
    description: RecordText = Field(description="what the module is, in a few words")
    ratings: Annotated[tuple[RatingRecord, ...], AfterValidator(_some)] = Field(
        strict=False,  # TOML has arrays only; what is in them stays strict
        description="at least one table [[modules.ID.ratings]]",
    )
    certification_mark: RecordText | None = Field(
        default=None, description="the testing body's mark as printed, or leave the key out"
    )
    standard: RecordText | None = Field(
        default=None, description="the standard as printed, or leave the key out"
    )
    file_number: RecordText | None = Field(
        default=None, description="the file number as text, as printed, or leave the key out"
    )
    isolation_class: RecordText | None = Field(
        default=None, description="the insulation as printed, or leave the key out"
    )
    enclosure: RecordText | None = Field(
        default=None, description="the enclosure in a few words, or leave the key out"
    )


class RelayModuleRecord(_Module):
    """[modules.ID]: one relay module, fields named as the mains rule names them."""

    id: str


class _File(_Record):
    """The whole file, for the names that are known; each module is judged by itself."""

    modules: dict[str, _Module]


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
    """Return the modules that can be used and every problem found in the others.

    A list that others can change is not used at all: whoever may write it, or a folder on the way
    to it, decides what is put on mains.
    """
    if (problem := _open_to_others(path)) is not None:
        return {}, [f"{path.name}: {problem}"]
    try:
        document = read_toml(path, LIST_OF_MODULES)
    except SettingsError as error:
        return {}, [f"{path.name}: {problem}" for problem in error.problems]
    problems = [unknown_key((key,), _File) for key in document if key != "modules"]
    tables = document.get("modules", {})
    modules: dict[str, RelayModuleRecord] = {}
    if isinstance(tables, dict):
        for name, table in tables.items():
            record, refusals = _record(name, table)
            problems += refusals
            if record is not None:
                modules[name] = record
    else:
        problems.append(f"modules: found {shown(tables)}, allowed: tables [modules.ID]")
    return modules, [f"{path.name}: {problem}" for problem in problems]


def _open_to_others(path: Path) -> str | None:
    """Return a problem where somebody but the owner decides what the file holds."""
    try:
        own, folder = path.lstat(), path.parent.stat()
        inside = path.parent.resolve()
        above = [(each, each.stat()) for each in (inside, *inside.parents)]
    except (OSError, ValueError, RuntimeError):  # the last: folders that are links in a circle
        return None  # reading it says what is wrong
    if stat.S_ISLNK(own.st_mode):
        return f"found a link at {path}, allowed: the file itself; copy it there"
    if stat.S_ISDIR(own.st_mode):
        return None  # reading it says what is wrong
    if not stat.S_ISREG(own.st_mode):
        return f"found a pipe or a device at {path}, allowed: a file"
    if own.st_uid not in {0, os.geteuid(), folder.st_uid}:
        return (
            f"found a file of {_user(own.st_uid)}, allowed: one of root or of whoever owns its "
            f"folder; chown root {path}"
        )
    if (others := _writers(own)) is not None:
        mode = stat.S_IMODE(own.st_mode)
        return (
            f"found mode {mode:04o}, by which {others} may write it, allowed: writing by its "
            f"owner; chmod go-w {path}"
        )
    for each, permissions in above:
        # further up a group is the system's own, such as staff in /usr/local
        others = _writers(permissions) if each == above[0][0] else _everybody(permissions)
        if others is not None and not permissions.st_mode & stat.S_ISVTX:
            return (
                f"found the folder {each}, in which {others} may replace it, allowed: writing by "
                f"its owner; chmod go-w {each}"
            )
    return None


def _writers(permissions: os.stat_result) -> str | None:
    """Return who may write something beside root, its owner and the owner's own group."""
    if (others := _everybody(permissions)) is not None:
        return others
    if not permissions.st_mode & stat.S_IWGRP or permissions.st_gid == 0:
        return None
    try:
        if pwd.getpwuid(permissions.st_uid).pw_gid == permissions.st_gid:
            return None
        return f"the group {grp.getgrgid(permissions.st_gid).gr_name}"
    except KeyError:
        return f"the group {permissions.st_gid}"


def _everybody(permissions: os.stat_result) -> str | None:
    return "everybody" if permissions.st_mode & stat.S_IWOTH else None


def _user(uid: int) -> str:
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"user {uid}"


def _record(name: str, table: object) -> tuple[RelayModuleRecord | None, list[str]]:
    problems = []
    if _ID.fullmatch(name) is None:
        problems.append(
            f"modules.{name}: found {shown(name)}, allowed: an id of small letters, digits and "
            "single dashes, such as mosfet-24v-dc"
        )
    try:
        module = _Module.model_validate(table)
    except ValidationError as error:
        return None, problems + problem_lines(error, _File, below=("modules", name))
    record = RelayModuleRecord.model_construct(id=name, **dict(module))
    return (None if problems else record), problems
