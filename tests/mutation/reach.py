"""Which test reaches which line, and how long each takes, so that quick ones run first."""

from __future__ import annotations

import json
import os
import signal
import sys
from collections.abc import Generator, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType

import pytest
from coverage import Coverage

SLOW_S = 1.5
"""A test that needs more processor time than this, counted line by line, is slow: it is ended
there, timed without counting, and tried last."""


class _Slow(BaseException):
    pass


class Mapper:
    """Runs every test once, each under its own name for the coverage library.

    Without that library it runs the *chosen* tests to their end.
    """

    def __init__(self, coverage: Coverage | None, chosen: Iterable[str] = ()) -> None:
        self.coverage = coverage
        self.chosen = set(chosen)
        self.seconds: dict[str, float] = {}
        self.failed: set[str] = set()
        self.starting: set[str] = set()
        self.slow: set[str] = set()
        self.at_work = ""
        sys.addaudithook(self.on_event)

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        if self.coverage is None:
            items[:] = [item for item in items if item.nodeid in self.chosen]

    def on_event(self, event: str, _details: object) -> None:
        if event in {"subprocess.Popen", "os.posix_spawn", "os.fork"} and self.at_work:
            self.starting.add(self.at_work)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Generator[None, bool, bool]:
        self.at_work = item.nodeid
        began = sum(os.times()[:4])
        if self.coverage is not None:
            self.coverage.switch_context(item.nodeid)
            signal.signal(signal.SIGPROF, self.end_test)
            signal.setitimer(signal.ITIMER_PROF, SLOW_S)
        try:
            return (yield)
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0)
            self.seconds[item.nodeid] = sum(os.times()[:4]) - began
            if self.coverage is not None:
                self.coverage.switch_context("")
            self.at_work = ""

    def end_test(self, _number: int, _frame: FrameType | None) -> None:
        self.slow.add(self.at_work)
        raise _Slow

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.failed.add(report.nodeid)


def write_map(test_file: str, into: Path, arguments: list[str]) -> None:
    """Run one file of tests and write what its tests reach, need, and whether they pass."""
    coverage = Coverage(data_file=None, source=["controller"], branch=False, config_file=False)
    coverage.start()
    mapper = Mapper(coverage)
    pytest.main([*arguments, test_file], plugins=[mapper])
    coverage.stop()
    data = coverage.get_data()
    root = Path.cwd()
    lines = {
        str(Path(path).relative_to(root)): {
            line: names
            for line, contexts in data.contexts_by_lineno(path).items()
            if (names := [name for name in contexts if name])
        }
        for path in data.measured_files()
        if data.lines(path)
    }
    slow_elsewhere = {name for name, needed in mapper.seconds.items() if needed > SLOW_S}
    slow = mapper.slow | slow_elsewhere  # in a process of its own
    document = {
        "lines": lines,
        "seconds": mapper.seconds,
        "failed": sorted(mapper.failed - mapper.slow),
        "slow": sorted(slow),
        "starting": sorted(mapper.starting),
    }
    into.write_text(json.dumps(document), encoding="utf-8")


def time_slow(test_file: str, into: Path, arguments: list[str]) -> None:
    """Run the slow tests of a mapped file to their end, and add to the map what they need."""
    document = json.loads(into.read_text(encoding="utf-8"))
    mapper = Mapper(None, document["slow"])
    pytest.main([*arguments, test_file], plugins=[mapper])
    document["seconds"].update(mapper.seconds)
    document["failed"] = sorted({*document["failed"], *mapper.failed})
    into.write_text(json.dumps(document), encoding="utf-8")


@dataclass(slots=True)
class Reach:
    """What the tests of a room reach."""

    lines: dict[str, dict[int, set[str]]] = field(default_factory=dict)
    seconds: dict[str, float] = field(default_factory=dict)
    failed: set[str] = field(default_factory=set)
    slow: set[str] = field(default_factory=set)
    starting: set[str] = field(default_factory=set)
    """Tests that start a process, whose lines no map shows."""

    def add(self, document: dict[str, object]) -> None:
        """Take in what one file of tests reaches."""
        known = json.loads(json.dumps(document))
        for path, lines in known["lines"].items():
            mine = self.lines.setdefault(path, {})
            for line, names in lines.items():
                mine.setdefault(int(line), set()).update(names)
        self.seconds.update(known["seconds"])
        self.failed.update(known["failed"])
        self.slow.update(known["slow"])
        self.starting.update(known["starting"])

    def quick_first(self, names: Iterable[str], most_s: float) -> list[str]:
        """Order tests by the time that they need, up to so much in all, without the slow ones."""
        usable = set(names) & self.seconds.keys() - self.failed - self.slow
        chosen, total = [], 0.0
        for name in sorted(usable, key=lambda name: (self.seconds[name], name)):
            total += self.seconds[name]
            if total > most_s:
                break
            chosen.append(name)
        return chosen

    def rings(
        self, path: str, line: int, function: str | None, binds: str, root: Path
    ) -> list[set[str]]:
        """Return the tests that can notice a fault in a line, the likeliest first.

        Those that reach it; then the others of their files, where one test may pay for what all
        use, and those that start a process. A line that runs at import is reached by those that
        reach a line that speaks of the name it defines; then by all.
        """
        everything = set(self.seconds)
        reaching = set(self.lines.get(path, {}).get(line, set()))
        if function is None:
            reaching |= self.speaking_of(binds, root) if binds else set()
            in_file = {name for names in self.lines.get(path, {}).values() for name in names}
            rest = everything
        else:
            files = {name.split("::")[0] for name in reaching}
            in_file = {name for name in everything if name.split("::")[0] in files}
            rest = self.starting
        return [reaching, in_file - reaching, rest - in_file - reaching]

    def at_last(self, path: str, likely: Iterable[str]) -> list[str]:
        """Return what may still notice a fault that no quick test did, the quickest first.

        The likely ones that there was no time for, and the slow ones of the files whose tests reach
        the module, or that start a process; all where the module only runs at import. What a slow
        one reaches was seen of its beginning only.
        """
        reaching = {name for names in self.lines.get(path, {}).values() for name in names}
        files = {name.split("::")[0] for name in reaching}
        slow = {
            name
            for name in self.slow
            if not files or name in self.starting or name.split("::")[0] in files
        }
        return sorted(
            (set(likely) & self.seconds.keys() | slow) - self.failed,
            key=lambda name: (self.seconds[name], name),
        )

    def speaking_of(self, name: str, root: Path) -> set[str]:
        """Return the tests that reach a line of the program that has a name in it."""
        reached: set[str] = set()
        for path, lines in self.lines.items():
            texts = (root / path).read_text(encoding="utf-8").splitlines()
            for line, names in lines.items():
                if line <= len(texts) and name in texts[line - 1]:
                    reached |= names
        return reached
