"""The run that judges the tests: on a small package, with faults that are noticed and not."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.mutation.__main__ import Bench, Known, reach_of
from tests.mutation.changes import changes_of
from tests.mutation.reach import Reach

PROGRAM = """
LIMIT = 3
def over(value):
    return value > LIMIT
def other():
    return 7
"""
TESTS = """
from controller.room import over
def test_over():
    assert over(4)
    assert not over(3)
"""


@pytest.fixture(name="bench")
def _bench(tmp_path: Path) -> Iterator[Bench]:
    copy = tmp_path / "copy"
    for name, text in (("controller/room.py", PROGRAM), ("tests/test_room.py", TESTS)):
        (copy / name).parent.mkdir(parents=True)
        (copy / name).write_text(text, encoding="utf-8")
    (copy / "controller/__init__.py").touch()
    (copy / "tests/mutation").mkdir()
    for path in Path(__file__).parent.glob("[!t]*.py"):
        (copy / "tests/mutation" / path.name).write_bytes(path.read_bytes())
    trials = Path(__file__).with_name("trials.py")
    (copy / "tests/mutation/trials.py").write_bytes(trials.read_bytes())
    bench = Bench(copy, ["tests/test_room.py"])
    yield bench
    bench.end()


def test_a_fault_is_noticed_where_a_test_holds_its_line(bench: Bench, tmp_path: Path) -> None:
    """In a function and at import; the file is as it was afterwards."""
    file = Path("controller/room.py")
    reach = reach_of([bench], [], ["tests/test_room.py"], tmp_path, bench.copy)

    noticed = {
        change.what: bench.noticed_by(file, change, reach, 60.0) for change in changes_of(PROGRAM)
    }

    test = "tests/test_room.py::test_over"
    assert noticed == {
        "3  ->  6": test,
        "value > LIMIT  ->  value >= LIMIT": test,
        "return value > LIMIT  ->  return None": test,
        "return 7  ->  return None": None,
        "7  ->  14": None,
    }
    assert (bench.copy / file).read_text(encoding="utf-8") == PROGRAM


def test_quick_tests_come_first_and_those_that_fail_already_never() -> None:
    """A slow test is asked when all quick ones passed."""
    reach = Reach(
        lines={"controller/room.py": {3: {"a::slow", "a::quick", "a::failing"}}},
        seconds={"a::slow": 2.0, "a::quick": 0.1, "a::failing": 0.0, "a::beside": 1.0, "b::x": 1.0},
        failed={"a::failing"},
        starting={"b::x"},
    )

    reaching, same_room, rest = reach.rings("controller/room.py", 3, "over", "", Path())

    assert reach.quick_first(reaching, 60.0) == ["a::quick", "a::slow"]
    assert reach.quick_first(reaching, 1.0) == ["a::quick"]
    assert same_room == {"a::beside"}
    assert rest == {"b::x"}  # it may run the line in a process of its own


def test_slow_tests_are_asked_last() -> None:
    """Those of files that reach the module, and those that start a process; at import, all."""
    reach = Reach(
        lines={"controller/room.py": {3: {"a::quick"}, 5: {"a::slow"}}},
        seconds={"a::quick": 0.1, "a::slow": 9.0, "b::slow": 8.0, "c::slow": 7.0, "a::bad": 1.0},
        slow={"a::slow", "b::slow", "c::slow", "a::bad"},
        failed={"a::bad"},
        starting={"c::slow"},
    )

    assert reach.quick_first(reach.seconds, 60.0) == ["a::quick"]
    assert reach.at_last("controller/room.py", {"a::quick"}) == ["a::quick", "c::slow", "a::slow"]
    assert reach.at_last("controller/names.py", set()) == ["c::slow", "b::slow", "a::slow"]


def test_every_fault_that_is_reported_to_change_nothing_has_a_reason() -> None:
    """A sentence, not a tick."""
    assert all(len(why.split()) > 3 for why in Known.read().reasons.values())
