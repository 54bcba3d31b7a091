"""Every key of a configuration is documented, as it is, and has an effect."""

from __future__ import annotations

import ast
import json
import re
import tomllib
from dataclasses import fields
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from pydantic import TypeAdapter

from controller.cli.main import EX_USAGE, coldpin, status_of
from controller.errors import PhysicsError
from controller.settings.key_reference import EXAMPLES, Key, KeyTable, key_tables
from controller.settings.load import Settings
from controller.settings.plant_texts import RATED_MEANINGS, reader_of
from controller.settings.problems import tables_in
from controller.settings.simulation import PLANT_PARTS

ROOT = Path(__file__).parents[2]
TABLES = key_tables()
KEYS = [
    pytest.param(table, key, id=f"{table.path}.{key.name}")
    for table in TABLES
    for key in table.keys
]


def test_no_table_is_left_out() -> None:
    """Every model of the settings, however deep; two of one kind are shown once."""
    shown = {table.path.split(".")[0] for table in TABLES}

    assert shown == set(Settings.model_fields)
    assert {f"plant.{part}" for part in PLANT_PARTS} <= {table.path for table in TABLES}


@pytest.mark.parametrize(("table", "key"), KEYS)
def test_every_key_has_a_meaning(table: KeyTable, key: Key) -> None:
    """In words, without the code's own marks; and so has its table."""
    assert len(key.meaning.split()) >= 3
    assert not re.search(r"``|\*|\[-\]|\bNone\b", key.meaning)
    assert table.meaning or table.path == "plant"


def field_of(table: KeyTable, name: str) -> Any:
    """Return the field of the models behind a key."""
    model: Any = Settings
    chosen = {"NAME", "PLACE"}
    first = {
        "stages": None,
        "more_freezers": None,
        "supplies": None,
        "probes": "air",
        "loads": "pump",
        "alarms": "air_high",
    }
    parts = table.path.split(".")
    for part, above in zip(parts, ["", *parts], strict=False):
        step = first[above] if part in chosen else part
        if step is None:
            continue
        model = next(tables_in(model.model_fields[step].annotation))
    by_key = {field.alias or name: field for name, field in model.model_fields.items()}
    return by_key[name]


@pytest.mark.parametrize(("table", "key"), KEYS)
def test_the_default_can_be_written_as_it_is_shown(table: KeyTable, key: Key) -> None:
    """Copied into a file it is read as the very default."""
    field = field_of(table, key.name)
    assert key.compulsory is field.is_required()
    if key.default is None:
        return

    written = tomllib.loads(f"key = {key.default}")["key"]

    read = TypeAdapter(field.rebuild_annotation()).validate_python(written)
    assert read == field.get_default(call_default_factory=True)


RANGED = [
    pytest.param(table, key, low, high, id=f"{table.path}.{key.name}")
    for table in TABLES
    for key in table.keys
    for kind, low, high in re.findall(
        r"^(temperature|difference|duration), (.+) to (.+)$", key.values
    )
]


@pytest.mark.parametrize(("table", "key", "low", "high"), RANGED)
def test_the_range_is_the_one_that_is_checked(
    table: KeyTable, key: Key, low: str, high: str
) -> None:
    """Both ends are taken, a step beyond them is refused."""
    adapter: TypeAdapter[Any] = TypeAdapter(field_of(table, key.name).rebuild_annotation())
    for end, beyond in ((low, -0.01), (high, 0.01)):
        number, unit = end.split(" ")
        adapter.validate_python(end)
        with pytest.raises(ValueError, match="allowed"):
            adapter.validate_python(f"{float(number) + beyond:g} {unit}")


@pytest.mark.parametrize(
    ("part", "name"),
    [(part, name) for part, spec in PLANT_PARTS.items() for name in spec.RANGES],
)
def test_a_figure_of_the_plant_beyond_its_range_is_refused(part: str, name: str) -> None:
    """By its name and its range, at both ends."""
    spec = PLANT_PARTS[part]
    lowest, highest, _unit = spec.RANGES[name]
    for value in (lowest - 0.01, highest + 0.01, float("nan")):
        with pytest.raises(PhysicsError, match=rf"plant\.{part}\.{name} is "):
            spec(**{name: value})


@cache
def reads() -> set[str]:
    """Return every attribute that the package reads, outside the models that declare it."""
    result = set()
    for path in (ROOT / "controller").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Load):
                result.add(node.attr)
    return result


@pytest.mark.parametrize(("table", "key"), KEYS)
def test_every_key_is_read(table: KeyTable, key: Key) -> None:
    """A key that nothing reads is a promise that nothing keeps.

    A rating is read by name where it is turned into conductances; `test_coil_rating_keys.py` holds
    that it counts.
    """
    attribute = f"{key.name}_" if key.name == "from" else key.name

    assert attribute in reads() or key.name in RATED_MEANINGS


def test_every_figure_of_the_plant_is_a_key() -> None:
    """The physics and the file name the same things."""
    shown = {f"{table.path}.{key.name}" for table in TABLES for key in table.keys}
    figures = {
        f"plant.{part}.{field.name}" for part, spec in PLANT_PARTS.items() for field in fields(spec)
    }

    assert figures <= shown


def test_the_example_of_a_figure_is_a_figure_that_is_allowed() -> None:
    """What a reader copies from the list can be used as it stands."""
    shown = 0
    for spec in PLANT_PARTS.values():
        for name, (lowest, highest, _) in spec.RANGES.items():
            if (reader := reader_of(name)) is not None:
                read, example = reader
                assert lowest <= read(example.strip('"')) <= highest, (spec.__name__, name)
                shown += 1

    assert shown > 10


def test_only_what_is_asked_for_is_shown() -> None:
    """A table, or single keys, by any part of the name."""
    shown = CliRunner().invoke(coldpin, ["keys", "timing", "limits.air"]).output

    assert "[timing]" in shown
    assert 'anti_short_cycle · duration, 30 s to 2 h · default "5 min"' in shown
    assert "air_high" in shown
    assert "low_limit" not in shown


def test_json_carries_the_same() -> None:
    """One document."""
    document = json.loads(CliRunner().invoke(coldpin, ["keys", "--json"]).output)

    assert [table["path"] for table in document["tables"]] == [table.path for table in TABLES]
    assert EXAMPLES["duration"].split('"')[1] == "90 s"


def test_a_name_that_no_key_has_is_wrong_usage(capsys: pytest.CaptureFixture[str]) -> None:
    """With how to see them all."""
    assert status_of(["keys", "zigzag"]) == EX_USAGE
    assert "zigzag" in capsys.readouterr().err
