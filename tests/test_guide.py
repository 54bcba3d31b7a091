"""Every file, module, command and name that DEVELOPERS.md mentions is there."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from controller.cli.main import COMMANDS

ROOT = Path(__file__).parents[1]
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PROSE = re.sub(r"```.*?```", "", GUIDE, flags=re.DOTALL)
MENTIONED = sorted(set(re.findall(r"`([^`\n]+)`", PROSE)))
"""Whatever stands in backquotes, blocks of code left out."""
FILE = re.compile(r"(?<![\w./])[\w-]+(?:/[\w-]+)*\.(?:py|md|toml)\b")
FOLDER = re.compile(r"[\w-]+(?:/[\w-]+)*/")
MODULE = re.compile(r"python -m ([\w.]+)")
NAME = re.compile(r"\b[A-Z][A-Za-z0-9]*(?:\.\w+)?\b|\b[a-z]+(?:_[a-z0-9]+)+\b")
"""A class with what it has, a constant, or a name with an underscore: what code is made of."""
OF_OTHERS = {
    "HATCH_BUILD_HOOK_ENABLE_MYPYC", "CONFIG", "FOLDER", "ROOM", "COLDPIN_EVERYTHING",
    "True", "False", "None",
}  # fmt: skip
"""A name of the build back end, words for what the reader puts there, and Python's own."""


def there(path: str) -> bool:
    """Return whether a file or folder is there, named from the top, the package, or its room."""
    return any(
        (ROOT / top / path).exists() or any((ROOT / top).glob(f"**/{path}"))
        for top in (".", "controller", "tests")
    )


@cache
def names_in_code() -> frozenset[str]:
    """Return every name that the package or the tests define, of a class also with what it has."""
    names = set()
    for top in ("controller", "tests"):
        for path in (ROOT / top).rglob("*.py"):
            names.add(path.stem)
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                names |= set(names_of(node))
    return frozenset(names)


def names_of(node: ast.AST) -> Iterator[str]:
    """Yield what a node defines."""
    match node:
        case ast.ClassDef():
            yield node.name
            for part in node.body:
                yield from (f"{node.name}.{name}" for name in names_of(part))
        case ast.FunctionDef() | ast.AsyncFunctionDef() | ast.arg():
            yield node.name if not isinstance(node, ast.arg) else node.arg
        case ast.Assign():
            yield from (each.id for each in node.targets if isinstance(each, ast.Name))
        case ast.AnnAssign():
            if isinstance(node.target, ast.Name):
                yield node.target.id
        case _:
            return


@pytest.mark.parametrize("path", sorted(set(FILE.findall(GUIDE))))
def test_a_file_that_the_guide_names_is_there(path: str) -> None:
    """In blocks of code and in the table too."""
    assert there(path)


@pytest.mark.parametrize("path", [each for each in MENTIONED if FOLDER.fullmatch(each)])
def test_a_folder_that_the_guide_names_is_there(path: str) -> None:
    """A room, or a folder of one."""
    assert there(path)


@pytest.mark.parametrize("module", sorted(set(MODULE.findall(GUIDE))))
def test_a_module_that_the_guide_runs_is_there(module: str) -> None:
    """As a file, or as a folder with a main module."""
    path = ROOT / module.replace(".", "/")
    assert path.with_suffix(".py").is_file() or (path / "__main__.py").is_file()


@pytest.mark.parametrize("command", sorted(set(re.findall(r"coldpin ([a-z-]+)\b", GUIDE))))
def test_a_command_that_the_guide_gives_is_one(command: str) -> None:
    """Prose has the package's name before other words nowhere."""
    assert command in COMMANDS


@pytest.mark.parametrize("text", [each for each in MENTIONED if not FILE.search(each)])
def test_a_name_that_the_guide_uses_is_in_the_code(text: str) -> None:
    """Classes with what they have, constants, functions and fields."""
    named = set(NAME.findall(text)) - OF_OTHERS
    assert named <= names_in_code()
