"""Fuzz one target as coverage leads, or each for a number of inputs; needs the package atheris.

    nice python -m tests.fuzz [TARGET ...] [--inputs 20000] [--seconds 600] [--corpus FOLDER]

Each target runs in a process of its own (`tests.fuzz.follow`). Prints for each how many inputs it
had, how many branches of ours they reached, and how many inputs were worth keeping; a fault leaves
its input in the folder and its trace here, and ends with status 1.
"""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.fuzz.targets import TARGETS


def fuzz(name: str, inputs: int, seconds: int, corpus: Path) -> bool:
    """Fuzz a target, print a line about it; return whether nothing was found."""
    corpus.mkdir(parents=True, exist_ok=True)
    ran = subprocess.run(
        [sys.executable, "-m", "tests.fuzz.follow", name, str(corpus), str(inputs), str(seconds)],
        capture_output=True, text=True, errors="replace", check=False,
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
        f"{sum(1 for _ in corpus.iterdir()):5} kept, {'nothing result' if good else 'FAULT'}",
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
    corpus = asked.corpus or Path(tempfile.mkdtemp(prefix="coldpin-fuzz-"))
    results = [
        fuzz(name, asked.inputs, asked.seconds, corpus / name) for name in asked.targets or TARGETS
    ]
    sys.exit(not all(results))


if __name__ == "__main__":
    main()
