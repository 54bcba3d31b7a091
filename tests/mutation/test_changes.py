"""The faults that are put in are faults, each alone."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from controller.core import phases
from tests.mutation.changes import changes_of

CASES = [
    ("x = a < b", ["x = a <= b"]),
    ("x = a == 5", ["x = a != 5", "x = a == 10"]),
    ("x = a + b", ["x = a - b"]),
    ("x = a and b", ["x = a or b"]),
    ("x = not a", ["x = a"]),
    ("x = -a", ["x = a"]),
    ("x = True", ["x = False"]),
    ("x = 0", ["x = 1"]),
    ("x = 1.5", ["x = 3.0"]),
    ("if a:\n    x = b", ["if not a:\n    x = b"]),
    ("call(a)", ["pass"]),
    ("def f():\n    return a", ["def f():\n    return None"]),
    ("for a in b:\n    continue", ["for a in b:\n    break"]),
    ("x = f'{a}' + 'b'", []),
    ("def f(a: Range(1)) -> Range(2):\n    return None", []),
    ("@dataclass(frozen=True)\nclass A:\n    pass", []),
    ("raise Error(1 + 2)", []),
    ('"""Text."""', []),
    ("__all__ = [*a, 1 + 2]", []),
    ("if TYPE_CHECKING:\n    a = 1", []),
    ("a = zip(b, c, strict=True)", []),
    ("def f(*a: Range(1), **b: Range(2)):\n    pass", []),
]


@pytest.mark.parametrize(("source", "expected"), CASES, ids=[case[0] for case in CASES])
def test_each_fault_stands_alone(source: str, expected: list[str]) -> None:
    """Nothing else of the module changes; texts for people are left as they are."""
    assert [change.source for change in changes_of(source)] == expected


def test_a_fault_can_be_run() -> None:
    """Throughout a whole module of ours."""
    source = Path(phases.__file__).read_text(encoding="utf-8")

    changes = list(changes_of(source))

    assert len(changes) > 50
    for change in changes[::9]:
        compile(change.source, "changed", "exec")
        assert change.source != ast.unparse(ast.parse(source))


PLACED = """
LIMIT = 3
class Rule:
    most: int = 4
    def holds(self, value: int = 5) -> bool:
        return any(value < each for each in range(6))
"""


def test_a_fault_says_where_it_stands() -> None:
    """In a function, which can be tried without importing anew, or in what runs at import."""
    places = {
        change.what.split("  ->")[0]: (change.function, change.binds)
        for change in changes_of(PLACED)
    }

    assert places["3"] == (None, "LIMIT")
    assert places["4"] == (None, "most")
    assert places["5"] == (None, "holds")
    assert places["6"][0] == places["value < each"][0] == "Rule.holds"
