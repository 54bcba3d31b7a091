"""Fuzz one target as coverage leads, or each for a number of inputs; needs the package atheris.

    nice python -m tests.fuzz [TARGET ...] [--inputs 20000] [--seconds 600] [--corpus FOLDER]

Each target runs in a process of its own (`tests.fuzz.follow`). Prints for each how many inputs it
had, how many branches of ours they reached, and how many inputs were worth keeping; a fault leaves
its input in the folder and its trace here, and ends with status 1.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.fuzz.targets import PREFIX, TARGETS
from tests.support.in_memory import MEMORY


def fuzz(name: str, inputs: int, seconds: int, corpus: Path) -> bool:
    """Fuzz a target, print a line about it; return whether nothing was found."""
    corpus.mkdir(parents=True, exist_ok=True)
    memory = MEMORY if MEMORY.is_dir() else None
    with tempfile.TemporaryDirectory(prefix=PREFIX, dir=memory) as place:  # it may end by a signal
        ran = subprocess.run(
            [sys.executable, "-m", "tests.fuzz.follow", name, str(corpus), str(inputs),
             str(seconds)],
            capture_output=True, text=True, errors="replace", check=False,
            env={**os.environ, "TMPDIR": place},
        )  # fmt: skip
    took = re.search(r"Done \d+ runs in (\d+) second", ran.stderr)
    count = re.search(r"number_of_executed_units: *(\d+)", ran.stderr)
    branches = re.findall(r"\bcov: (\d+)", ran.stderr)
    result = sorted(
        path for kind in ("crash", "timeout", "oom") for path in corpus.glob(f"{kind}-*")
    )
    good = not ran.returncode and not result
    print(
        f"{name:20} {count[1] if count else '?':>8} inputs in {took[1] if took else '?':>4} s, "
        f"{branches[-1] if branches else '?':>5} branches, "
        f"{sum(1 for _ in corpus.iterdir()):5} kept, {'nothing found' if good else 'FAULT'}",
        flush=True,
    )
    if not good:
        print("\n".join(ran.stderr.splitlines()[-60:]))
        print(*result, sep="\n", flush=True)
    return good


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("targets", nargs="*", metavar="TARGET", help=", ".join(TARGETS))
    parser.add_argument("--inputs", type=int, default=20_000, help="of each target; default 20000")
    parser.add_argument("--seconds", type=int, default=600, help="of each target at most")
    parser.add_argument("--corpus", type=Path, help="folder that keeps inputs for the next time")
    asked = parser.parse_args()
    if unknown := set(asked.targets) - set(TARGETS):
        parser.error(f"found {', '.join(sorted(unknown))}; allowed: {', '.join(TARGETS)}")
    corpus = asked.corpus or Path(tempfile.mkdtemp(prefix=PREFIX))
    results = [
        fuzz(name, asked.inputs, asked.seconds, corpus / name) for name in asked.targets or TARGETS
    ]
    if asked.corpus is None and all(results):
        shutil.rmtree(corpus)
    sys.exit(not all(results))


if __name__ == "__main__":
    main()
