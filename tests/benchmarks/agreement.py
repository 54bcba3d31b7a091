"""`coldpin size` beside ten days of `coldpin rehearse`, over builds drawn at random.

    python -m tests.benchmarks.agreement [--builds 40] [--seed 0]

Prints a row for each build, the largest differences, and how many verdicts turned round.
"""

from __future__ import annotations

import argparse
from random import Random

from controller.planning.verdict import Verdict, judge
from tests.agreement.rehearsed import rehearsed_spell
from tests.agreement.test_size_and_rehearse import SETTINGS
from tests.support.drawn_builds import drawn_build


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--builds", type=int, default=40)
    parser.add_argument("--seed", type=int, default=0)
    asked = parser.parse_args()
    print("Each pair: size, then rehearse --scenario hot-days over ten days.")
    print(
        f"{'':>3} {'verdict':>10} {'days':>5} {'in band':>15} {'packs a day':>15}"
        f" {'hours a set':>15}"
    )
    shares, packs, hours = [0.0], [0.0], [0.0]
    turned = 0
    for number in range(asked.seed, asked.seed + asked.builds):
        plant = drawn_build(Random(number))
        sized, spell = judge(SETTINGS, plant=plant), rehearsed_spell(SETTINGS, plant)
        if sized.days is None or spell is None:
            both = sized.days is None and spell is None
            turned += not both
            print(f"{number:3} {sized.verdict:>10} too hot to be worked out, {both=}")
            continue
        supply = sized.supply
        shares.append(abs(sized.days.in_band_share - spell.in_band_share))
        if supply.packs_per_day is not None and spell.packs_per_day > 0.0:
            packs.append(abs(supply.packs_per_day / spell.packs_per_day - 1.0))
        if supply.mean_h is not None and spell.hours_per_set is not None:
            hours.append(abs(supply.mean_h / spell.hours_per_set - 1.0))
        other_way = sized.verdict is not Verdict.NEEDS_HEAT and sized.holds is not spell.holds
        turned += other_way
        print(
            f"{number:3} {sized.verdict:>10} {sized.days.rehearsed_days:5.0f} "
            f"{sized.days.in_band_share:7.1%} {spell.in_band_share:7.1%} "
            f"{'–' if supply.packs_per_day is None else f'{supply.packs_per_day:.1f}':>7} "
            f"{spell.packs_per_day:7.1f} "
            f"{supply.mean_h or 0:7.1f} {spell.hours_per_set or 0:7.1f}"
            f"{'  turned' if other_way else ''}",
            flush=True,
        )
    print(
        f"largest difference: in band {max(shares):.1%}, packs a day {max(packs):.1%}, "
        f"hours a set {max(hours):.1%}; verdicts the other way round: {turned}"
    )


if __name__ == "__main__":
    main()
