"""The suite holds to what the developers' guide says of it."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
import tempfile
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path

import pytest

from tests.support import in_memory

TESTS = Path(__file__).parent
WAITS = {"sleep", "monotonic", "perf_counter", "time_ns", "monotonic_ns", "process_time"}
"""Functions of the module time by which a test could depend on how long something takes."""
MAY_WAIT = ("support/waiting.py", "benchmarks/", "faults/kills.py", "pi/")


def times_measured(path: Path) -> list[int]:
    """Return the lines of a file that sleep or read a clock of the module time."""
    return [
        node.lineno
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if (
            isinstance(node, ast.Attribute)
            and isinstance(node.value, ast.Name)
            and (node.value.id, node.attr) in {("time", name) for name in WAITS}
        )
        or (isinstance(node, ast.ImportFrom) and node.module == "time")
        or (isinstance(node, ast.alias) and node.name == "time" and node.asname is not None)
    ]


def test_no_test_sleeps_and_none_measures_time() -> None:
    """Waiting for another process or thread is done in one place, up to a bound."""
    names = [path.relative_to(TESTS).as_posix() for path in sorted(TESTS.rglob("*.py"))]
    result = {
        name: lines
        for name in names
        if not name.startswith(MAY_WAIT) and (lines := times_measured(TESTS / name))
    }

    assert result == {}


def names_imported(path: Path) -> list[tuple[int, str, str]]:
    """Return (line, module, name) of what a file imports from the package and from the tests."""
    return [
        (node.lineno, node.module, alias.name)
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ImportFrom) and node.module
        if node.module.split(".")[0] in {"controller", "tests"}
        for alias in node.names
    ]


def is_there(module: str, name: str) -> bool:
    """Return whether a name can be imported from a module."""
    try:
        return hasattr(import_module(module), name) or find_spec(f"{module}.{name}") is not None
    except ImportError:
        return False


PROGRAMS = [
    path
    for path in sorted(TESTS.rglob("*.py"))
    if not path.name.startswith("test_") and path.name != "conftest.py"
]
"""Benchmarks and other programs, which the suite does not run."""


@pytest.mark.parametrize("path", PROGRAMS, ids=lambda path: path.relative_to(TESTS).as_posix())
def test_what_a_program_imports_is_there(path: Path) -> None:
    """A benchmark must not break unnoticed when something is renamed."""
    broken = [
        f"{path.name}:{line}: {module}.{name}"
        for line, module, name in names_imported(path)
        if not is_there(module, name)
    ]

    assert broken == []


def ran(test: Path, environment: dict[str, str], *options: str) -> subprocess.CompletedProcess[str]:
    """Run one file of tests under the suite's own conftest, in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-o", "addopts=", "--import-mode=importlib",
         "-p", "tests.conftest", "-p", "no:cacheprovider", f"--rootdir={TESTS.parent}",
         str(test), *options],
        cwd=TESTS.parent, env={"PATH": "/usr/bin:/bin", **environment},
        capture_output=True, text=True, check=False,
    )  # fmt: skip


PROBE = """
import pytest
from tests.support.machine import NEEDS, Need, needs
NEEDS["something"] = Need(lambda: False, "something is not on this machine")

@needs("something")
def test_of_it():
    raise AssertionError
"""


@pytest.mark.parametrize(
    ("everything", "status", "outcome"),
    [("0", 0, "1 skipped"), ("1", 1, "1 error")],
    ids=["a-newcomers-machine", "continuous-integration"],
)
def test_what_is_not_there_is_skipped_or_fails(
    tmp_path: Path, everything: str, status: int, outcome: str
) -> None:
    """A newcomer's machine may lack a browser; the machine that must have everything may not."""
    probe = tmp_path / "test_probe.py"
    probe.write_text(PROBE, encoding="utf-8")

    done = ran(probe, {"COLDPIN_EVERYTHING": everything}, "-rsE")

    assert done.returncode == status, done.stdout
    assert outcome in done.stdout
    assert "something is not on this machine" in done.stdout


DRAWS = """
from hypothesis import given, strategies as st
seen = []

@given(st.integers(0, 10**12))
def test_draws(number):
    seen.append(number)

def test_prints():
    print("DREW", hash(tuple(seen)))
"""


def drawn(folder: Path, environment: dict[str, str], *more: str) -> str:
    """Return what a property test drew, as one number, in a process of its own."""
    probe = folder / "test_draws.py"
    probe.write_text(DRAWS, encoding="utf-8")
    done = ran(probe, environment, "-s", *more)
    assert done.returncode == 0, done.stdout
    return done.stdout.split("DREW")[1].split()[0]


def test_the_suite_draws_the_same_and_a_campaign_what_its_seed_says(tmp_path: Path) -> None:
    """Random inputs repeat from run to run; a campaign's repeat by its seed."""
    campaign = {"COLDPIN_CAMPAIGN": "1"}

    assert drawn(tmp_path, {}) == drawn(tmp_path, {})
    assert (
        drawn(tmp_path, campaign, "--hypothesis-seed=1")
        == drawn(tmp_path, campaign, "--hypothesis-seed=1")
        != drawn(tmp_path, campaign, "--hypothesis-seed=2")
    )


LOADED = """
from hypothesis import given, strategies as st
from pathlib import Path
{more}

@given(st.integers(), st.text())
def test_of_it(number, text):
    with Path("{file}").open("a", encoding="utf-8") as file:
        file.write(repr((number, text)) + chr(10))
"""


def test_what_is_drawn_depends_on_the_test_alone(tmp_path: Path) -> None:
    """Not on the modules of ours that an earlier test happened to load."""
    file, test = tmp_path / "inputs", tmp_path / "test_of_it.py"
    inputs = []
    for more in ("", "import controller.core.law, controller.domain.alarm_guide"):
        test.write_text(LOADED.format(more=more, file=file), encoding="utf-8")
        assert ran(test, {}).returncode == 0
        inputs.append(file.read_text(encoding="utf-8"))
        file.unlink()

    assert inputs[0].count("\n") >= 100
    assert inputs[0] == inputs[1]


@pytest.mark.parametrize(
    ("named", "room_bytes", "chosen"),
    [(None, 0, "memory"), (None, 1 << 60, None), ("elsewhere", 0, "elsewhere")],
    ids=["room-in-memory", "no-room", "a-place-is-named"],
)
def test_temporary_files_lie_in_memory_where_it_has_room(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    named: str | None,
    room_bytes: int,
    chosen: str | None,
) -> None:
    """For this process and those that it starts; what the environment names is obeyed."""
    for name in ("memory", "elsewhere"):
        (tmp_path / name).mkdir()
    monkeypatch.setenv("TMPDIR", str(tmp_path / str(named)))
    if named is None:
        monkeypatch.delenv("TMPDIR")
    monkeypatch.setattr(tempfile, "tempdir", None)
    monkeypatch.setattr(in_memory, "MEMORY", tmp_path / "memory")
    monkeypatch.setattr(in_memory, "ROOM_BYTES", room_bytes)

    in_memory.write_in_memory()

    assert os.environ.get("TMPDIR") == (None if chosen is None else str(tmp_path / chosen))
    assert (Path(tempfile.gettempdir()) == tmp_path / str(chosen)) is (chosen is not None)
