"""Break the program on purpose, one small fault at a time, and see whether a test notices.

    python -m tests.mutation ROOM [--sample 100] [--seed 1] [--tests PATH ...] [--keep FOLDER]

ROOM is a folder of the package, such as `core`, or a file in it. Works on copies of the project.
The room's tests run once, each under its own name, which tells what they reach and how long they
need; a fault is then tried with the tests that can notice it, the quickest first, to the first that
fails. Slow tests are asked only when no quick one failed. A fault that no test notices is a promise
without a test, or a line that changes nothing: each is printed, to be read. What is known to change
nothing is listed in no_change.toml with the reason, and counts neither way.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.mutation.changes import Change, changes_of
from tests.mutation.reach import Reach
from tests.mutation.trials import CANNOT_SWAP, PASSED, TOO_LONG

ROOT = Path(__file__).parents[2]
KNOWN = Path(__file__).with_name("no_change.toml")
MORE_TESTS = {
    "cli": [
        "tests/test_manual.py",
        "tests/settings",
        "tests/agreement",
        "tests/history",
        "tests/lookout/notices/test_sending.py",
        "tests/pictures/test_wiring.py",
        "tests/rehearsal/test_notified.py",
        "tests/rehearsal/test_scenarios.py",
        "tests/rehearsal/test_weather.py",
    ],
    "foresight": ["tests/lookout/test_forecasting.py"],
    "service": [
        "tests/records/test_requests.py",
        "tests/settings/test_answers.py",
        "tests/faults/test_process_faults.py",
    ],
    "records": ["tests/history"],
}
"""Tests beside those in the folder of the room's own name."""


@dataclass(slots=True)
class Server:
    """A process that runs tests in forks of its own."""

    copy: Path
    arguments: list[str]
    process: subprocess.Popen[str] | None = field(default=None, init=False)

    def ask(self, task: dict[str, Any]) -> dict[str, Any]:
        """Hand it one task and wait for the end."""
        if self.process is None:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "tests.mutation.trials", *self.arguments],
                cwd=self.copy, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
                stderr=subprocess.DEVNULL, env=environment(self.copy),
            )  # fmt: skip
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(json.dumps(task) + "\n")
        self.process.stdin.flush()
        answer = self.process.stdout.readline()
        if not answer:
            sys.exit(f"the process that runs the tests ended: {' '.join(self.arguments)}")
        return dict(json.loads(answer))

    def end(self) -> None:
        """Close its input, which ends it."""
        if self.process is not None:
            self.process.communicate()
            self.process = None


def environment(copy: Path) -> dict[str, str]:
    return {"PATH": "/usr/bin:/bin:/usr/sbin", "PYTHONPATH": str(copy), "HOME": str(copy)}


@dataclass(slots=True)
class Bench:
    """One copy of the project and the two processes that try faults in it."""

    copy: Path
    tests: list[str]
    fresh: Server = field(init=False)
    warm: Server = field(init=False)
    put_in: int = 0

    def __post_init__(self) -> None:
        scratch = str(self.copy.with_name(self.copy.name + "-scratch"))
        self.fresh = Server(self.copy, ["fresh", scratch + "-fresh"])
        self.warm = Server(self.copy, ["warm", scratch + "-warm", *self.tests])

    def end(self) -> None:
        """End both processes."""
        self.warm.end()
        self.fresh.end()

    def reached_by(self, test_file: str, into: Path) -> None:
        """Map one file of tests."""
        task = {"map": test_file, "into": str(into), "needs_s": 600.0}
        self.fresh.ask({**task, "timed": False})
        if into.exists() and json.loads(into.read_text(encoding="utf-8"))["slow"]:
            self.fresh.ask({**task, "timed": True})

    def run(self, path: Path, change: Change, tests: list[str], needs_s: float) -> dict[str, Any]:
        """Try a fault with some tests."""
        file = self.copy / path
        original, times = file.read_bytes(), file.stat()
        self.put_in += 1
        file.write_text(change.source, encoding="utf-8")
        os.utime(file, (self.put_in, self.put_in))  # no compiled file is taken for another's
        task = {"tests": tests, "needs_s": needs_s, "path": str(file), "source": change.source,
                "function": change.function}  # fmt: skip
        try:
            ended = {"status": CANNOT_SWAP}
            if change.function is not None:
                ended = self.warm.ask(task)
            if ended["status"] == CANNOT_SWAP:
                ended = self.fresh.ask(task)
            return ended
        finally:
            file.write_bytes(original)
            os.utime(file, ns=(times.st_atime_ns, times.st_mtime_ns))

    def passes(self, test: str, needs_s: float) -> bool:
        """Return whether a test passes without a fault."""
        task = {"tests": [test], "needs_s": needs_s, "path": "", "source": "", "function": None}
        return bool(self.fresh.ask(task)["status"] == PASSED)

    def noticed_by(self, path: Path, change: Change, reach: Reach, most_s: float) -> str | None:
        """Return the test that fails, or hangs, with a fault in the copy; None for no test."""
        place = (str(path), change.line, change.function, change.binds, self.copy)
        rings = reach.rings(*place)
        tried: set[str] = set()
        for ring in rings:
            tests = reach.quick_first(ring, most_s)
            tried.update(tests)
            if (test := self.first_failing(path, change, tests, reach)) is not None:
                return test
        at_last = [name for name in reach.at_last(str(path), rings[0]) if name not in tried]
        return self.first_failing(path, change, at_last, reach)

    def first_failing(
        self, path: Path, change: Change, tests: list[str], reach: Reach
    ) -> str | None:
        """Return the first of the tests that fails by the fault alone."""
        left = list(tests)
        while left:
            ended = self.run(path, change, left, sum(reach.seconds[name] for name in left))
            if ended["status"] == PASSED:
                return None
            test = str(ended["test"] or "while collecting")
            chancy = test in reach.starting or ended["status"] == TOO_LONG
            chancy |= reach.seconds.get(test, 0.0) > LEAST_CHANCY_S
            if test not in left or not chancy or self.passes(test, reach.seconds.get(test, 0.0)):
                return test
            left.remove(test)
        return None


LEAST_CHANCY_S = 1.5
"""A failing test that takes longer, or starts a process, is tried once more without the fault."""


def project_copy(into: Path) -> None:
    """Copy what belongs to the project, and nothing that lies around."""
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    for name in listed.stdout.splitlines():
        if (ROOT / name).is_file():
            (into / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, into / name)


def files_of(tests: list[str], root: Path) -> Iterator[Path]:
    for name in tests:
        place = root / name.split("::")[0]
        yield from [place] if place.suffix == ".py" else sorted(place.rglob("test_*.py"))


def reach_of(
    benches: list[Bench], files: list[Path], tests: list[str], keep: Path, root: Path = ROOT
) -> Reach:
    """Run the tests once as they are; what an earlier run kept for the same files is taken."""
    program = hashlib.sha256()
    for path in files:
        program.update(path.read_bytes())
    reach, open_files = Reach(), []
    for file in files_of(tests, root):
        digest = hashlib.sha256(
            program.digest() + str(file.relative_to(root)).encode() + file.read_bytes()
        )
        open_files.append((file, keep / f"{digest.hexdigest()[:24]}.json"))
    free = list(benches)

    def map_one(pair: tuple[Path, Path]) -> None:
        file, into = pair
        if not into.exists():
            bench = free.pop()
            bench.reached_by(str(file.relative_to(root)), into)
            free.append(bench)

    with ThreadPoolExecutor(len(benches)) as pool:
        list(pool.map(map_one, open_files))
    for file, into in open_files:
        if into.exists():
            reach.add(json.loads(into.read_text(encoding="utf-8")))
        else:
            print(f"  could not be run: {file.relative_to(root)}")
    return reach


@dataclass(frozen=True, slots=True)
class Known:
    """Faults that are known to change nothing, with the reason."""

    reasons: dict[tuple[str, str, str], str]

    @classmethod
    def read(cls) -> Known:
        """Read the list beside this program."""
        document = tomllib.loads(KNOWN.read_text(encoding="utf-8")) if KNOWN.exists() else {}
        return cls(
            {
                (path, each["in"], each["fault"]): each["why"]
                for path, rows in document.items()
                for each in rows
            }
        )

    def reason(self, path: Path, change: Change) -> str | None:
        """Return why a fault changes nothing, if it is known."""
        name = str(path.relative_to("controller"))
        return self.reasons.get((name, change.function or change.binds, change.what))


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("room")
    parser.add_argument("--sample", type=int, default=100, help="faults to draw")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=5.0, help="of tests at a time")
    parser.add_argument("--only", type=int, nargs="*", help="numbers of drawn faults to try")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--tests", nargs="*", help="default: the room's own")
    parser.add_argument("--keep", type=Path, help="a folder for what the tests reach")
    return parser.parse_args()


def main() -> None:
    asked = arguments()
    place = ROOT / "controller" / asked.room
    files = [place] if place.suffix == ".py" else sorted(place.rglob("*.py"))
    room = asked.room.split("/")[0]
    tests = asked.tests or [f"tests/{room}", *MORE_TESTS.get(room, [])]
    faults = [
        (path.relative_to(ROOT), change)
        for path in files
        for change in changes_of(path.read_text(encoding="utf-8"))
    ]
    chosen = random.Random(asked.seed).sample(faults, min(asked.sample, len(faults)))
    known = Known.read()
    with tempfile.TemporaryDirectory() as folder:
        benches = []
        for number in range(asked.processes):
            project_copy(Path(folder) / f"copy-{number}")
            benches.append(Bench(Path(folder) / f"copy-{number}", tests))
        keep = asked.keep or Path(folder) / "reach"
        keep.mkdir(parents=True, exist_ok=True)
        reach = reach_of(benches, files, tests, keep)
        print(
            f"{room}: {len(faults)} faults, {len(chosen)} drawn by seed {asked.seed}; "
            f"{len(reach.seconds)} tests, {sum(reach.seconds.values()):.0f} s, "
            f"{len(reach.slow)} of them slow",
            flush=True,
        )
        for name in sorted(reach.failed):
            print(f"  left out, fails already: {name}", flush=True)
        free = list(benches)

        def judge(number: int) -> str:
            path, change = chosen[number]
            where = f"{number}: {path}:{change.line} in {change.function or change.binds}"
            if (why := known.reason(path, change)) is not None:
                print(f"  changes nothing: {where}: {change.what}: {why}", flush=True)
                return "no change"
            bench = free.pop()
            test = bench.noticed_by(path, change, reach, asked.seconds)
            free.append(bench)
            if test is None:
                print(f"  not noticed: {where}: {change.what}", flush=True)
                return "survived"
            print(f"    {where}: {change.what}: {test}", file=sys.stderr, flush=True)
            return "noticed"

        with ThreadPoolExecutor(len(benches)) as pool:
            ends = list(pool.map(judge, range(len(chosen)) if asked.only is None else asked.only))
        for bench in benches:
            bench.end()
    counts = {ending: ends.count(ending) for ending in ("noticed", "survived", "no change")}
    share = 100.0 * counts["noticed"] / max(counts["noticed"] + counts["survived"], 1)
    print(
        f"{room}, seed {asked.seed}: {len(ends)} tried, {counts['noticed']} noticed, "
        f"{counts['survived']} survived, {counts['no change']} change nothing: {share:.1f} %"
    )


if __name__ == "__main__":
    main()
