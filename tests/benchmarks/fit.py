"""Does `coldpin fit` find the figures that made a record, within its own intervals?

    python -m tests.benchmarks.fit [--chambers 20] [--days 4] [--seed 11] [--processes 2] [--known]

Chambers, weather, growers and probes are those of `drawn_chambers`, at steps of five seconds, with
a room probe. What is believed of each figure is up to 50 % off, and what a grower knows roughly is
off by as much as the fit takes it to be (`controller.fit.figures.ROUGHLY_KNOWN`); with ``--known``
that is known. Records that others wrote: `tests.benchmarks.foreign_fit`.
"""

from __future__ import annotations

import argparse
import math
import time
from collections import Counter
from dataclasses import dataclass, replace
from multiprocessing import Pool
from random import Random

from controller.errors import RecordError
from controller.fit.figures import FIGURES, ROUGHLY_KNOWN
from controller.fit.fitting import Fit, fit
from controller.fit.stretches import Observed, Stretch, stretches_of
from controller.foresight.bins import bins_of
from controller.foresight.swaps import find_swaps
from tests.benchmarks import drawn_chambers
from tests.benchmarks.drawn_chambers import PlayedChamber, draw, play

BELIEVED_LOG = 0.4


@dataclass(frozen=True, slots=True)
class FitOutcome:
    """What a fit found of one chamber, figure by figure: value over truth, and whether inside."""

    number: int
    outcome: str
    ratios: dict[str, float]
    inside: dict[str, bool]
    width: dict[str, float]
    seconds: float


def stretches(played: PlayedChamber) -> list[Stretch]:
    """Return a record as a fit takes it."""
    samples = [sample for sample in played.samples if sample.room_c is not None]
    seen = [
        Observed(
            s.at_s,
            s.air_c or 0.0,
            s.water_c or 0.0,
            s.room_c or 0.0,
            bool(s.cooling),
            bool(s.cooling),
        )
        for s in samples
    ]
    bins = list(bins_of(samples, until_s=samples[-1].at_s))
    return list(stretches_of(seen, find_swaps(bins, [log for _, log in played.logged])))


def fitted(
    number: int, *, days: float, seed: int, known: bool
) -> tuple[Fit | RecordError, dict[str, float]]:
    """Return the fit of one drawn chamber, and the truth of each figure."""
    drawn = replace(draw(number, seed=seed), room_probe=True)
    random = Random(f"{seed}/{number}/believed")
    believed = drawn.spec
    for figure in () if known else ROUGHLY_KNOWN:
        off = math.exp(random.gauss(0.0, figure.doubt))
        value = figure.of(believed) * off
        believed = figure.put(believed, min(value, 0.99) if figure.key == "rh" else value)
    for figure in FIGURES:
        off = math.exp(random.uniform(-BELIEVED_LOG, BELIEVED_LOG))
        believed = figure.put(believed, figure.of(believed) * off)
    truth = {figure.key: figure.of(drawn.spec) for figure in FIGURES}
    try:
        return fit(stretches(play(drawn, days=days)), believed), truth
    except RecordError as error:
        return error, truth


def judge(arguments: tuple[int, float, int, bool]) -> FitOutcome:
    """Return what became of one chamber."""
    number, days, seed, rest_known = arguments
    drawn_chambers.STEP_S = 5.0  # a probe is read that often; longer steps blur its lag
    began = time.process_time()
    judged_fit, truth = fitted(number, days=days, seed=seed, known=rest_known)
    spent = time.process_time() - began
    if isinstance(judged_fit, RecordError):
        return FitOutcome(number, f"refused: {judged_fit}", {}, {}, {}, spent)
    known = {each.figure.key: each for each in judged_fit.fitted}
    return FitOutcome(
        number,
        f"misfit {judged_fit.air_rms_k:.3f} / {judged_fit.reservoir_rms_k:.3f} K, "
        f"{judged_fit.sets} sets; not known: "
        f"{', '.join(each.figure.key for each in judged_fit.undetermined) or 'none'}",
        {key: each.value / truth[key] for key, each in known.items()},
        {key: each.low <= truth[key] <= each.high for key, each in known.items()},
        {key: math.sqrt(each.high / each.low) for key, each in known.items()},
        spent,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--chambers", type=int, default=20)
    parser.add_argument("--days", type=float, default=4.0)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--known", action="store_true", help="the rest of the plant is known")
    asked = parser.parse_args()
    work = [(number, asked.days, asked.seed, asked.known) for number in range(asked.chambers)]
    hits: Counter[str] = Counter()
    known: Counter[str] = Counter()
    off: dict[str, list[float]] = {figure.key: [] for figure in FIGURES}
    width: dict[str, list[float]] = {figure.key: [] for figure in FIGURES}
    seconds = []
    with Pool(asked.processes) as pool:
        for judged_fit in pool.imap(judge, work):
            ratios = " ".join(
                f"{key} {ratio:.2f}{'' if judged_fit.inside[key] else '!'}"
                for key, ratio in judged_fit.ratios.items()
            )
            print(
                f"{judged_fit.number:3} {judged_fit.seconds:4.0f} s  {ratios}  "
                f"({judged_fit.outcome})",
                flush=True,
            )
            seconds.append(judged_fit.seconds)
            for key, inside in judged_fit.inside.items():
                known[key] += 1
                hits[key] += inside
                off[key].append(abs(math.log(judged_fit.ratios[key])))
                width[key].append(judged_fit.width[key] - 1.0)
    print("\nfigure           known  inside  median error  median half width")
    for key, count in known.items():
        errors, widths = sorted(off[key]), sorted(width[key])
        print(
            f"{key:16} {count:5} {hits[key] / count:7.0%} {errors[len(errors) // 2]:13.1%} "
            f"{widths[len(widths) // 2]:18.1%}"
        )
    print(
        f"together: {sum(hits.values())} of {sum(known.values())} intervals hold the truth "
        f"({sum(hits.values()) / max(1, sum(known.values())):.1%}); processor time with making the "
        f"record {sorted(seconds)[len(seconds) // 2]:.0f} s median"
    )


if __name__ == "__main__":
    main()
