"""Every property test with new random inputs: prints its seed, ends after a given time.

    python -m tests.campaign [--times 10] [--minutes 20] [--seed SEED] [PYTEST ARGUMENTS]

The same seed tries the same inputs again. Exit status 0: nothing failed, 1: something did, 75: the
time was over before every test had its turn.
"""

from __future__ import annotations

import argparse
import os
import secrets
import subprocess
import sys

from tests.support.random_inputs import CAMPAIGN


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--times", type=int, default=10, help="times the suite's number of inputs")
    parser.add_argument("--minutes", type=float, default=20.0, help="at most")
    parser.add_argument("--seed", type=int, default=secrets.randbelow(10**9))
    asked, more = parser.parse_known_args()
    print(f"seed {asked.seed}, {asked.times} times the suite's inputs", flush=True)
    try:
        ran = subprocess.run(
            [sys.executable, "-m", "pytest", "-m", "hypothesis", f"--hypothesis-seed={asked.seed}",
             *more],
            env={**os.environ, CAMPAIGN: str(asked.times)},
            timeout=60.0 * asked.minutes,
            check=False,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        print(f"stopped after {asked.minutes:g} min; seed {asked.seed}")
        sys.exit(os.EX_TEMPFAIL)
    print(f"seed {asked.seed}: {'nothing failed' if ran.returncode == 0 else 'FAILED'}")
    sys.exit(min(ran.returncode, 1))


if __name__ == "__main__":
    main()
