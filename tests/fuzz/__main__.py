"""Fuzz one target as coverage leads, or each for a number of inputs; needs the package atheris.

    nice python -m tests.fuzz [TARGET] [--inputs 20000] [--seconds 600]

Each target runs in a process of its own; a fault leaves its input in the folder and its trace here.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.fuzz.seeds import seeds
from tests.fuzz.targets import TARGETS


def fuzz(name: str, inputs: int, seconds: int, corpus: Path) -> None:
    """Fuzz a target; leaves by itself."""
    import atheris

    for number, good in enumerate(seeds(name)):
        (corpus / f"seed-{number}").write_bytes(good)
    atheris.instrument_all()
    atheris.Setup(
        [sys.argv[0], str(corpus), f"-runs={inputs}", f"-max_total_time={seconds}",
         "-max_len=4096", "-verbosity=0", "-print_final_stats=1", f"-artifact_prefix={corpus}/"],
        TARGETS[name],
    )  # fmt: skip
    atheris.Fuzz()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("target", nargs="?", choices=sorted(TARGETS))
    parser.add_argument("--inputs", type=int, default=20_000, help="of each target; default 20000")
    parser.add_argument("--seconds", type=int, default=600, help="of each target at most")
    parser.add_argument("--corpus", type=Path)
    asked = parser.parse_args()
    if asked.target and asked.corpus:
        fuzz(asked.target, asked.inputs, asked.seconds, asked.corpus)
        return
    failed = []
    for name in [asked.target] if asked.target else TARGETS:
        corpus = Path(tempfile.mkdtemp(prefix=f"fuzz-{name}-"))
        ran = subprocess.run(
            [sys.executable, "-m", "tests.fuzz", name, "--inputs", str(asked.inputs),
             "--seconds", str(asked.seconds), "--corpus",
             str(corpus)],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        units = [line for line in ran.stderr.splitlines() if "number_of_executed_units" in line]
        count = units[0].split()[-1] if units else "?"
        print(f"{name:20} {count:>9} inputs, "
              f"{'nothing found' if ran.returncode == 0 else 'FAULT'}", flush=True)  # fmt: skip
        if ran.returncode:
            failed.append(name)
            print("\n".join(ran.stderr.splitlines()[-40:]))
            print(f"input: {sorted(corpus.glob('crash-*'))}")
    sys.exit(bool(failed))


if __name__ == "__main__":
    main()
