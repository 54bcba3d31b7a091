"""Every exception of the package goes from one process to another and says the same there."""

from __future__ import annotations

import ast
import importlib
import pickle
from pathlib import Path

import pytest

from controller.errors import InputFileError, SettingsError
from controller.lookout.page.access import TooSoonError

PACKAGE = Path(__file__).parents[1] / "controller"
ARGUMENTS: dict[type[Exception], tuple[object, ...]] = {
    SettingsError: ("chamber.toml", ("a: found 1", "b: found 2")),
    InputFileError: ("weather.csv", ("found no rows",)),
    TooSoonError: (30.0,),
}
"""Of those that take more than a text."""


def exceptions() -> list[type[Exception]]:
    """Return every class of the package that is an exception."""
    classes = []
    for path in sorted(PACKAGE.rglob("*.py")):
        names = [
            node.name
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(node, ast.ClassDef) and node.name.endswith("Error")
        ]
        if names:
            dotted = ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts)
            module = importlib.import_module(dotted)
            classes += [getattr(module, name) for name in names]
    return [each for each in classes if issubclass(each, Exception)]


@pytest.mark.parametrize("kind", exceptions(), ids=lambda kind: kind.__name__)
def test_an_error_is_the_same_in_another_process(kind: type[Exception]) -> None:
    """A text that was carried as something else would be lost, or end the other process."""
    error = kind(*ARGUMENTS.get(kind, ("what is wrong",)))

    again = pickle.loads(pickle.dumps(error))

    assert type(again) is kind
    assert str(again) == str(error) != ""
    assert vars(again) == vars(error)


def test_a_settings_error_says_how_many_problems_there_are() -> None:
    """Then each in a line of its own."""
    error = SettingsError("chamber.toml", ("a: found 1", "b: found 2"))

    assert str(error) == "chamber.toml: 2 problem(s)\na: found 1\nb: found 2"
