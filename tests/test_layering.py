"""Arrows point one way: every import of the package against the table in DEVELOPERS.md."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "controller"
GUIDE = PACKAGE.parent / "DEVELOPERS.md"
TABLE_ROW = re.compile(
    r"^\| `(?P<room>[\w.]+?)(?:/|\.py)?` \|.*\| (?P<below>[^|]*) \|$", re.MULTILINE
)
PURE = ("core", "thermal", "foresight")
PURE_MAY_IMPORT = {
    "__future__", "bisect", "collections", "dataclasses", "enum", "functools", "itertools", "math",
    "operator", "random", "re", "types", "typing", "controller",
}  # fmt: skip
CLOCKS_AND_FILES = {"open", "now", "today", "utcnow", "monotonic", "perf_counter", "sleep"}


def files() -> list[Path]:
    """Return every module of the package."""
    return sorted(PACKAGE.rglob("*.py"))


def room_of(path: Path) -> str:
    """Return the folder, or the module at the top, that a file belongs to."""
    inside = path.relative_to(PACKAGE)
    return inside.parts[0] if len(inside.parts) > 1 else inside.stem


def imports_of(path: Path) -> list[tuple[int, str]]:
    """Return (line, dotted name) of every import, those inside functions too."""
    result = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            result += [(node.lineno, alias.name) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno} imports relatively"
            module = node.module or ""
            if module == "controller":
                result += [(node.lineno, f"controller.{alias.name}") for alias in node.names]
            else:
                result.append((node.lineno, module))
    return result


def allowed() -> dict[str, set[str]]:
    """Return what each room may import, as the table in DEVELOPERS.md says."""
    rows = TABLE_ROW.finditer(GUIDE.read_text(encoding="utf-8"))
    return {row["room"]: set(re.findall(r"`(\w+)`", row["below"])) for row in rows}


def test_the_guide_lists_every_room() -> None:
    """A new room needs a row in the table before it may have arrows; a room that went has none."""
    rooms = {room_of(path) for path in files()} - {"__init__"}

    assert set(allowed()) == rooms


def test_a_class_name_stands_for_one_thing() -> None:
    """In the whole package, private ones too."""
    named: dict[str, list[str]] = {}
    for path in files():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef):
                named.setdefault(node.name, []).append(f"{path.relative_to(PACKAGE)}:{node.lineno}")

    assert {name: places for name, places in named.items() if len(places) > 1} == {}


def test_a_file_name_stands_once_outside_the_commands() -> None:
    """A command's module is named as the command is typed."""
    named: dict[str, list[str]] = {}
    for path in files():
        if room_of(path) != "cli" and path.name != "__init__.py":
            named.setdefault(path.name, []).append(str(path.relative_to(PACKAGE)))

    assert {name: places for name, places in named.items() if len(places) > 1} == {}


def test_the_table_has_no_arrow_upward() -> None:
    """A room may import only from rooms that stand above it in the table."""
    order = list(allowed())
    upward = [
        f"{room} imports {lower}"
        for room, below in allowed().items()
        for lower in below
        if lower not in order[: order.index(room)]
    ]

    assert upward == []


def test_a_room_imports_only_what_its_row_allows() -> None:
    """Every import inside the package, those inside functions too."""
    wrong = []
    for path in files():
        room = room_of(path)
        for line, name in imports_of(path):
            parts = name.split(".")
            if name == "controller.__version__":
                continue
            if room == "__init__" or parts[0] != "controller" or len(parts) < 2 or parts[1] == room:
                continue
            if parts[1] not in allowed()[room]:
                wrong.append(f"{path.relative_to(PACKAGE)}:{line} imports {name}")

    assert wrong == []


def clock_and_file_calls(path: Path) -> list[str]:
    """Return the calls of a module that would read a clock, open a file, or wait."""
    result = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            called = node.func
            name = called.attr if isinstance(called, ast.Attribute) else ""
            name = called.id if isinstance(called, ast.Name) else name
            if name in CLOCKS_AND_FILES:
                result.append(f"{path.name}:{node.lineno} calls {name}")
    return result


@pytest.mark.parametrize("room", PURE)
def test_pure_rooms_know_no_clock_no_file_and_no_third_party(room: str) -> None:
    """core, thermal and foresight compute from what they are given."""
    wrong = []
    for path in sorted((PACKAGE / room).rglob("*.py")):
        for line, name in imports_of(path):
            if name.split(".")[0] not in PURE_MAY_IMPORT:
                wrong.append(f"{path.name}:{line} imports {name}")
        wrong += clock_and_file_calls(path)

    assert wrong == []


def test_the_shared_values_read_no_clock_and_no_file() -> None:
    """`domain` is below every other room; what it gives depends on what it is given."""
    wrong = [call for path in sorted((PACKAGE / "domain").rglob("*.py"))
             for call in clock_and_file_calls(path)]  # fmt: skip

    assert wrong == []


def test_pydantic_stays_where_files_and_documents_are_read() -> None:
    """Settings, the codecs of domain, and the schemas that are made from them."""
    rooms = {
        path.relative_to(PACKAGE).as_posix()
        for path in files()
        if any(name.split(".")[0].startswith("pydantic") for _, name in imports_of(path))
    }

    assert {name for name in rooms if not name.startswith(("settings/", "domain/"))} == {
        "lookout/broker/documents.py"
    }


@pytest.mark.parametrize("room", ["core", "thermal", "domain"])
def test_values_are_frozen_and_slotted(room: str) -> None:
    """What travels cannot be changed on the way, and a misspelt attribute is an error."""
    loose = []
    for path in sorted((PACKAGE / room).rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.ClassDef):
                continue
            for decorator in node.decorator_list:
                call = ast.unparse(decorator)
                if call.startswith("dataclass") and not (
                    "frozen=True" in call and "slots=True" in call
                ):
                    loose.append(f"{path.name}: {node.name}")

    assert loose == []


def test_no_module_is_longer_than_the_guide_allows() -> None:
    """A file that has grown past one subject is split."""
    (most,) = re.findall(r"more than (\d+) are refused", GUIDE.read_text(encoding="utf-8"))
    lengths = {path.name: len(path.read_text(encoding="utf-8").splitlines()) for path in files()}

    assert {name: lines for name, lines in lengths.items() if lines > int(most)} == {}


def test_control_process_loads_nothing_heavy() -> None:
    """What `coldpin run` imports, in a fresh interpreter: no painting, no network, no plant."""
    script = (
        "import sys, controller.cli.main, controller.cli.run, controller.probes.one_wire;"
        "print('\\n'.join(sys.modules))"
    )
    ran = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    loaded = set(ran.stdout.split())

    heavy = {
        "rich",
        "asyncio",
        "ssl",
        "numpy",
        "scipy",
        "starlette",
        "uvicorn",
        "controller.rehearsal",
        "controller.thermal.plant",
        "controller.lookout",
        "gpiozero",
        "w1thermsensor",
    }
    assert loaded & heavy == set()
