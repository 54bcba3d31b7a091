"""Break the program on purpose, one small fault at a time, and see whether a test notices.

    python -m tests.mutation ROOM [--sample 40] [--seed 1] [--minutes 20] [--tests PATH ...]

ROOM is a folder of the package, such as `core`, or a file in it. Works on a copy of the project. A
first run of the room's tests under coverage tells which tests reach which line; a fault is then
tried with those tests alone, and where only a process started by a test reaches it, with all of
them. A fault that no test notices is a promise without a test, or a line that changes nothing:
each is printed, to be read.
"""

from __future__ import annotations

import argparse
import random
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from coverage import CoverageData

from tests.mutation.changes import Change, changes_of

ROOT = Path(__file__).parents[2]
MORE_TESTS = {
    "cli": ["tests/test_manual.py", "tests/settings"],
    "service": ["tests/records/test_requests.py"],
    "records": ["tests/history"],
}
"""Tests beside those in the folder of the room's own name."""
LEAST_S, TIMES = 60.0, 5.0
"""A run that takes longer than this, or than so many times the whole room's tests, is noticed."""


def project_copy(into: Path) -> None:
    """Copy what belongs to the project, and nothing that lies around."""
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    for name in listed.stdout.splitlines():
        if (ROOT / name).is_file():
            (into / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, into / name)


def pytest(copy: Path, *arguments: str, within_s: float | None = None) -> int | None:
    """Run tests in the copy; None where they take too long."""
    with subprocess.Popen(
        [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *arguments],
        cwd=copy, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        env={"PATH": "/usr/bin:/bin:/usr/sbin", "PYTHONPATH": str(copy), "HOME": str(copy)},
    ) as process:  # fmt: skip
        try:
            return process.wait(within_s)
        except subprocess.TimeoutExpired:
            process.kill()
            return None


def reached_by(copy: Path, tests: list[str]) -> CoverageData:
    """Run the tests once, as they are, and return which of them reach which line.

    Raises:
        SystemExit: They fail already.
    """
    status = pytest(
        copy, "--cov=controller", "--cov-report=", "--cov-context=test", *tests,
    )  # fmt: skip
    if status:
        sys.exit(f"the tests fail without a fault: {' '.join(tests)}")
    data = CoverageData(str(copy / ".coverage"))
    data.read()
    return data


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("room")
    parser.add_argument("--sample", type=int, default=40, help="faults to try")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=20.0, help="at most")
    parser.add_argument("--tests", nargs="*", help="default: the room's own")
    asked = parser.parse_args()
    place = ROOT / "controller" / asked.room
    files = [place] if place.suffix == ".py" else sorted(place.rglob("*.py"))
    room = asked.room.split("/")[0]
    tests = asked.tests or [f"tests/{room}", *MORE_TESTS.get(room, [])]
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder)
        project_copy(copy)
        began = time.monotonic()
        reached = reached_by(copy, tests)
        whole_s = time.monotonic() - began
        faults = [
            (path.relative_to(ROOT), change)
            for path in files
            for change in changes_of(path.read_text(encoding="utf-8"))
        ]
        chosen = random.Random(asked.seed).sample(faults, min(asked.sample, len(faults)))
        print(
            f"{room}: {len(faults)} faults, {len(chosen)} tried; its tests take {whole_s:.0f} s",
            flush=True,
        )
        ends = began + 60.0 * asked.minutes
        tried, survivors = 0, []
        for path, change in chosen:
            if time.monotonic() > ends:
                print(f"stopped after {asked.minutes:g} min")
                break
            tried += 1
            if not noticed(copy, path, change, tests, reached, within_s=LEAST_S + TIMES * whole_s):
                survivors.append((path, change))
                print(f"  not noticed: {path}:{change.line}: {change.what}", flush=True)
        share = 100.0 * (1 - len(survivors) / max(tried, 1))
        print(
            f"{room}: {tried - len(survivors)} of {tried} noticed, {share:.0f} %; seed {asked.seed}"
        )


def noticed(
    copy: Path,
    path: Path,
    change: Change,
    tests: list[str],
    reached: CoverageData,
    *,
    within_s: float,
) -> bool:
    """Return whether a test fails, or hangs, with a fault in the copy."""
    contexts = reached.contexts_by_lineno(str(copy / path)).get(change.line, [])
    names = sorted({context.split("|")[0] for context in contexts if "::" in context})
    file = copy / path
    original = file.read_text(encoding="utf-8")
    file.write_text(change.source, encoding="utf-8")
    try:
        status = pytest(copy, *(names or tests), within_s=within_s)
        if status == 0 and names:  # what only a started process reaches, or an import
            status = pytest(copy, *tests, within_s=within_s)
    finally:
        file.write_text(original, encoding="utf-8")
    return status != 0


if __name__ == "__main__":
    main()
