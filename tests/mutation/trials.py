"""Processes that run chosen tests again and again, each time in a fork of their own.

    python -m tests.mutation.trials warm TEST ...    (the tests are collected once)
    python -m tests.mutation.trials fresh            (only libraries are loaded; each fork collects)

They run in a copy of the project. One JSON document a line goes in and one comes out. A fork of
the warm one swaps the code of one function for its faulty code, which spares it every import; what
runs at import needs a fresh one.
"""

from __future__ import annotations

import contextlib
import gc
import importlib
import json
import os
import resource
import select
import signal
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any, TextIO

import hypothesis
import pytest

LIBRARIES = ["click", "freezegun", "jsonschema", "pydantic", "rich.console"]
"""What most tests import before anything of ours; what is not there is left out."""
NOTICED, PASSED, CANNOT_SWAP, TOO_LONG = 1, 0, 3, 4
LIMIT_S = 5.0
"""Processor time that a fork may use beside four times what it should need."""
LEAVE = os._exit
"""A test may have put another function in its place when it fails."""
BUSY = 60.0
"""A fork that waits for something is ended after so many times what it should need."""


class FirstFailure:
    """Runs chosen tests in a given order and ends the process at the first that fails."""

    def __init__(self, chosen: list[str], answer: int) -> None:
        self.chosen = {name: place for place, name in enumerate(chosen)}
        self.answer = answer
        self.at_work = ""

    def pytest_configure(self) -> None:
        no_search_for_the_smallest()

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = sorted(
            (item for item in items if item.nodeid in self.chosen),
            key=lambda item: self.chosen[item.nodeid],
        )

    def pytest_runtest_logstart(self, nodeid: str) -> None:
        self.at_work = nodeid
        os.pwrite(self.answer, nodeid.encode() + b"\n", 0)  # the test in hand, should it hang

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed:
            LEAVE(NOTICED)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            LEAVE(NOTICED)


class WarmServer(FirstFailure):
    """Takes the place of the loop that runs the tests, once they are collected."""

    def __init__(self, take: TextIO, give: TextIO, answer: int) -> None:
        super().__init__([], answer)
        self.take, self.give = take, give

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Keep them all."""

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        """A file that cannot be collected already is the caller's to find."""

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        items = {item.nodeid: item for item in session.items}
        functions = functions_of(Path.cwd() / "controller")
        gc.freeze()

        def run(task: dict[str, Any]) -> int:
            path, function = task["path"], task["function"]
            loaded = functions.get((path, function), [])
            if function and not swap(loaded, path, function, task["source"]):
                return CANNOT_SWAP
            chosen = [items[name] for name in task["tests"] if name in items]
            for item, following in zip(chosen, [*chosen[1:], None], strict=True):
                item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
            return PASSED

        serve(self.take, self.give, self.answer, run)
        return True


def no_search_for_the_smallest() -> None:
    """Let a property test end at its first failing input: that it fails is all that is asked."""
    hypothesis.settings.register_profile(
        "first failure",
        parent=hypothesis.settings.default,
        phases=[hypothesis.Phase.explicit, hypothesis.Phase.generate],
    )
    hypothesis.settings.load_profile("first failure")


def functions_of(root: Path) -> dict[tuple[str, str], list[FunctionType]]:
    """Return the loaded functions of the program, by file and name; once, before any fork."""
    functions: dict[tuple[str, str], list[FunctionType]] = {}
    for each in gc.get_objects():
        if isinstance(each, FunctionType) and each.__code__.co_filename.startswith(str(root)):
            key = (each.__code__.co_filename, each.__code__.co_qualname)
            functions.setdefault(key, []).append(each)
    return functions


def swap(loaded: list[FunctionType], path: str, function: str, source: str) -> bool:
    """Give one function of the loaded program its faulty code; False where that cannot be."""
    faulty = [
        code for code in _codes(compile(source, path, "exec")) if code.co_qualname == function
    ]
    if len(faulty) != 1 or len({each.__code__ for each in loaded}) != 1:
        return False
    try:
        for each in loaded:
            each.__code__ = faulty[0]
    except ValueError:  # another set of names from the class around it
        return False
    return True


def _codes(code: CodeType) -> Iterator[CodeType]:
    for each in code.co_consts:
        if isinstance(each, CodeType):
            yield each
            if "<locals>" not in each.co_qualname:
                yield from _codes(each)


def serve(take: TextIO, give: TextIO, answer: int, run: Callable[[dict[str, Any]], int]) -> None:
    """Do each task in a fork, and say how it ended."""
    for line in take:
        task = json.loads(line)
        os.truncate(answer, 0)
        sys.stdout.flush()
        pid = os.fork()
        if pid == 0:
            os.setsid()
            spent = sum(os.times()[:4])
            limit = int(spent + LIMIT_S + 4.0 * task["needs_s"])
            resource.setrlimit(resource.RLIMIT_CPU, (limit, limit + 2))
            status = NOTICED
            with contextlib.suppress(BaseException):
                status = run(task)
            LEAVE(status)
        status = _wait(pid, BUSY * (2.0 + task["needs_s"]))
        with contextlib.suppress(ProcessLookupError):
            os.killpg(pid, signal.SIGKILL)
        test = os.pread(answer, 10_000, 0).decode().split("\n")[0]
        give.write(json.dumps({"status": status, "test": test}) + "\n")
        give.flush()


def _wait(pid: int, within_s: float) -> int:
    """Return the exit status of a fork; one that was ended by a signal has not passed."""
    watched = os.pidfd_open(pid)
    try:
        ended, _, _ = select.select([watched], [], [], within_s)
    finally:
        os.close(watched)
    if not ended:
        os.killpg(pid, signal.SIGKILL)
    _, status = os.waitpid(pid, 0)
    code = os.waitstatus_to_exitcode(status)
    return code if code >= 0 else TOO_LONG


def pytest_arguments(scratch: str) -> list[str]:
    """Return options for a run in a fork: no helpers, no reports, a scratch folder of its own."""
    return [
        *("-q", "--tb=no", f"--basetemp={scratch}"),
        *("-p", "no:cacheprovider", "-p", "no:xdist", "-p", "no:pytest_cov"),
        *("-o", "addopts=--strict-markers --import-mode=importlib"),
        *("-W", "ignore::pytest.PytestAssertRewriteWarning"),  # hypothesis is loaded already
    ]


def main() -> None:
    kind, scratch, *tests = sys.argv[1:]
    take = os.fdopen(os.dup(0), encoding="utf-8")
    give = os.fdopen(os.dup(1), "w", encoding="utf-8")
    nothing = os.open(os.devnull, os.O_RDWR)
    for number in (0, 1, 2):
        os.dup2(nothing, number)
    answer = os.open(f"{scratch}.test", os.O_RDWR | os.O_CREAT | os.O_TRUNC)
    if kind == "warm":
        arguments = [*pytest_arguments(scratch), "--continue-on-collection-errors", *tests]
        pytest.main(arguments, plugins=[WarmServer(take, give, answer)])
        return
    for name in LIBRARIES:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)
    gc.freeze()

    def run(task: dict[str, Any]) -> int:
        if "map" in task:
            from tests.mutation import reach

            work = reach.time_slow if task["timed"] else reach.write_map
            work(task["map"], Path(task["into"]), pytest_arguments(scratch))
            return PASSED
        files = list(dict.fromkeys(name.split("::")[0] for name in task["tests"]))
        status = pytest.main(
            [*pytest_arguments(scratch), *files], plugins=[FirstFailure(task["tests"], answer)]
        )
        return PASSED if status == 0 else NOTICED

    serve(take, give, answer, run)


if __name__ == "__main__":
    main()
