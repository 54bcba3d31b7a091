"""A long soak: a million ticks with troubles thrown at random, and what it does to the process.

    python -m tests.benchmarks.soak [--ticks 1000000] [--seed 1]

Ends with an error at the first tick that breaks a rule; prints memory, file handles and threads.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import threading
import time
from pathlib import Path

import structlog

from tests.support.soak import TICK_S, Soak

PARTS = 5


def resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * resource.getpagesize() / 1e6


def open_files() -> int:
    return sum(1 for _ in Path("/proc/self/fd").iterdir())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--ticks", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(50))
    with tempfile.TemporaryDirectory() as folder:
        soak = Soak(asked.seed, Path(folder) / "records.sqlite")
        began = time.perf_counter()
        for _ in range(PARTS):
            found = soak.turn(asked.ticks // PARTS)
            print(
                f"{found.ticks:9} ticks, {found.ticks * TICK_S / 86_400:5.1f} d: {found.starts} "
                f"starts; {resident_mb():.1f} MB, {open_files()} files, "
                f"{threading.active_count()} threads"
            )
        print(f"no rule broken, in {time.perf_counter() - began:.0f} s")
        print("thrown:", ", ".join(f"{n} {what}" for what, n in sorted(found.thrown.items())))
        print("alarms:", ", ".join(f"{n} {what}" for what, n in sorted(found.alarms.items())))
        soak.close()


if __name__ == "__main__":
    main()
