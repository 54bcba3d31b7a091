"""Bring about every fault, or those named, and print the table.

python -m tests.faults [NAME...]
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.faults.bench import SCENARIOS, played, read_scenario
from tests.faults.table import broken, rows


def main() -> int:
    """Print it, and return 1 where an expectation did not hold."""
    names = sys.argv[1:] or [path.stem for path in sorted(SCENARIOS.glob("*.toml"))]
    outcomes, skipped = [], []
    for name in names:
        with tempfile.TemporaryDirectory() as folder:
            try:
                outcomes.append(played(read_scenario(SCENARIOS / f"{name}.toml"), Path(folder)))
            except OSError as error:
                skipped.append(f"{name}: not tried: {error}")
    for line in [*rows(outcomes), *skipped]:
        print(line)
    bad = [f"{each.scenario.name}: {what}" for each in outcomes for what in broken(each)]
    print(*bad, sep="\n", end="\n" if bad else "")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
