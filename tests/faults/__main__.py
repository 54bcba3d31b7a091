"""Bring about every fault, or those named, and print the table.

python -m tests.faults [NAME...]
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.faults.bench import SCENARIOS, Bench, read_scenario, small_medium
from tests.faults.table import rows


def main() -> None:
    names = sys.argv[1:] or [path.stem for path in sorted(SCENARIOS.glob("*.toml"))]
    outcomes = []
    for name in names:
        scenario = read_scenario(SCENARIOS / f"{name}.toml")
        with tempfile.TemporaryDirectory() as folder:
            if scenario.what == "full":
                with small_medium(Path(folder)) as medium:
                    bench = Bench(Path(folder), medium=medium)
                    outcomes.append(bench.play(scenario))
                    bench.close()
            else:
                bench = Bench(Path(folder))
                outcomes.append(bench.play(scenario))
                bench.close()
    for line in rows(outcomes):
        print(line)


if __name__ == "__main__":
    main()
