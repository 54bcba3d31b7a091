"""`coldpin size` beside ten rehearsed days of the same build, over builds drawn at random.

    python -m tests.benchmarks.agreement [--builds 40] [--seed 0]

Prints a row for each build, the largest differences, and how many verdicts turned round.
"""

from __future__ import annotations

import argparse
from random import Random

from controller.planning.verdict import HOLDS_SHARE, Verdict
from tests.agreement.test_size_and_rehearse import SETTINGS, beside
from tests.support.drawn_builds import drawn_build


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--builds", type=int, default=40)
    parser.add_argument("--seed", type=int, default=0)
    asked = parser.parse_args()
    print(f"{'':>3} {'verdict':>10} {'in band':>15} {'packs a day':>15} {'hours a set':>15}")
    shares, packs, hours = [0.0], [0.0], [0.0]
    turned = 0
    for number in range(asked.seed, asked.seed + asked.builds):
        short, long = beside(SETTINGS, drawn_build(Random(number)))
        if short.days is None or long.days is None:
            print(f"{number:3} {short.verdict:>10} too hot to be worked out")
            continue
        a, b = short.days.in_band_share, long.days.in_band_share
        shares.append(abs(a - b))
        mine, theirs = short.supply, long.supply
        if theirs.packs_per_day > 0.0:
            packs.append(abs(mine.packs_per_day / theirs.packs_per_day - 1.0))
        if mine.mean_h is not None and theirs.mean_h is not None:
            hours.append(abs(mine.mean_h / theirs.mean_h - 1.0))
        other_way = short.verdict is not Verdict.NEEDS_HEAT and short.holds is not (
            b >= HOLDS_SHARE
        )
        turned += other_way
        print(
            f"{number:3} {short.verdict:>10} {a:7.1%} {b:7.1%} "
            f"{mine.packs_per_day:7.1f} {theirs.packs_per_day:7.1f} "
            f"{mine.mean_h or 0:7.1f} {theirs.mean_h or 0:7.1f}{'  turned' if other_way else ''}",
            flush=True,
        )
    print(
        f"largest difference: in band {max(shares):.1%}, packs a day {max(packs):.1%}, "
        f"hours a set {max(hours):.1%}; verdicts the other way round: {turned}"
    )


if __name__ == "__main__":
    main()
