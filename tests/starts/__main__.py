"""Start every command in every odd surrounding, and print each start that ends as none may.

    nice python -m tests.starts [KIND ...] [--command WORDS] [--sample]

KIND is streams, zones, environment or folders. The whole takes about half an hour of computing;
``--sample`` starts one command in each surrounding. Ends with status 1 where something was found.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from tests.starts.matrix import Starts, cases, sample, whole


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("kinds", nargs="*", metavar="KIND", help=", ".join(cases()))
    parser.add_argument("--command", default="", help="only those that begin with this")
    parser.add_argument("--sample", action="store_true", help="one command in each surrounding")
    asked = parser.parse_args()
    names = {case.name for kind in asked.kinds or cases() for case in cases()[kind]}
    count, bad = 0, 0
    with tempfile.TemporaryDirectory(prefix="coldpin-starts-") as folder:
        starts = Starts(Path(folder))
        for command, case in sample() if asked.sample else whole():
            if case.name not in names or not command.startswith(asked.command):
                continue
            end = starts.start(command, case)
            count += 1
            if not end.good:
                bad += 1
                print(f"--- {command} | {case.name} | {end.status}", flush=True)
                print("\n".join(end.output.splitlines()[-12:]), flush=True)
    print(f"{count} starts, {bad} that ended as none may")
    sys.exit(bool(bad))


if __name__ == "__main__":
    main()
