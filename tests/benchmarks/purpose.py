"""What it is all for: a hot week under coldpin with its plan, beside a plain on/off switch.

    python -m tests.benchmarks.purpose [--chambers 12] [--from 0] [--seed 1] [--processes 2]
        [--weeks 1]

The same plants, weather and noise, one thing changed at a time. "plain" is a plain switch, and the
grower comes by habit, morning and evening, and when the reservoir or the air calls, and sleeps at
night. "law" is coldpin's control with that same grower: what the switching alone changes. "plan" is
coldpin whose grower goes by its swap plan, but whom no notice reaches. "notices" is the whole: its
notices let people sleep or do not. "early" is the whole with `[timing] start_early_by` as long as
prime and probe lag, and "advised" is "early" where `coldpin check` offers that key and "notices"
elsewhere. "switch" is a plain switch whose grower makes the very visits of "notices":
what the plan alone changes. K·h above cut-in and below cut-out of the true air, hours more than
1 K above, which no cycle reaches while the water is cold, packs put in, visits, and visits between
bedtime and waking. "band" is the share of time in band on the hot days that `coldpin size`
rehearses; from `HELD` on a chamber counts as one that can be held. With ``--weeks`` each chamber
lives so many, of other noise, and its row is their mean: where packs are short a hair's breadth
decides whether somebody is woken, and noise alone moves a single week by 20 K·h and more.
Prints a row for each chamber and judges nothing; where coldpin does worse, the row shows it.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from datetime import timedelta
from multiprocessing import Pool
from pathlib import Path
from random import Random
from typing import Any

from controller.cli.rehearsal_notices import RehearsedNotices
from controller.planning.early_start import EarlyStart, early_start
from controller.planning.verdict import judge
from controller.rehearsal.dry_forecaster import DryForecaster
from controller.rehearsal.grower import Grower, Visit
from controller.rehearsal.rehearse import Rehearsal
from controller.settings.law_of import law_of
from controller.settings.load import Settings, read_settings
from controller.settings.scenario_file import ScenarioFile, read_scenario
from tests.benchmarks.shelf_chambers import config_text, numbers, parser_of

SCENARIO = """
about = "A hot week; a grower who comes by habit and when called."
days = 7
starts = "07:00"
[room]
warmer_by = ["0 K", "1 K", "3 K", "5 K", "5 K", "4 K", "2 K"]
[grower]
wakes = "06:30"
sleeps = "22:30"
swaps_at = ["07:15", "19:00"]
answers = ["swap_due", "reservoir_warm", "air_high"]
comes_within = "45 min"
"""


CONTROLS = ("plain", "law", "plan", "notices", "early", "advised", "switch")
LEAST_COVER, MOST_COVER = 0.6, 0.9999
"""Neither hopeless nor so ample that nothing can go wrong [share of time in band]."""
HELD = 0.95
OTHER_NOISE = 1000
"""From one week's seed of noise to that of the next."""


@dataclass(frozen=True, slots=True)
class Week:
    """One chamber's week under one control, or the mean of several."""

    above_k_h: float
    below_k_h: float
    packs: float
    visits: float
    starts: float
    cover: float
    nights: float
    """Swaps between bedtime and waking."""
    hot_h: float
    """More than 1 K above cut-in [h]."""


def mean_week(weeks: Sequence[Week]) -> Week:
    """Return the mean of each figure."""
    names = [field.name for field in fields(Week)]
    return Week(**{name: sum(getattr(each, name) for each in weeks) / len(weeks) for name in names})


def week(arguments: tuple[int, int, int]) -> tuple[int, dict[str, Week]]:
    """Return a chamber's week under each control, the mean of so many with other noise."""
    number, seed, count = arguments
    random = Random(f"{seed}/{number}")
    with tempfile.TemporaryDirectory() as folder:
        config, script = Path(folder) / "c.toml", Path(folder) / "s.toml"
        script.write_text(SCENARIO, encoding="utf-8")
        scenario = read_scenario(script)
        while True:
            config.write_text(config_text(random), encoding="utf-8")
            settings = read_settings(config)
            judgement = judge(settings)
            cover = 0.0 if judgement.days is None else judgement.days.in_band_share
            if LEAST_COVER < cover < MOST_COVER:
                break
    advice = None if judgement.days is None else early_start(judgement.build, judgement.days)
    each_week = [
        _lived(settings, scenario, number + OTHER_NOISE * each, cover=cover)
        for each in range(count)
    ]
    weeks = {control: mean_week([each[control] for each in each_week]) for control in each_week[0]}
    weeks["advised"] = weeks["early" if advice is EarlyStart.OFFER else "notices"]
    return number, weeks


def _lived(
    settings: Settings, scenario: ScenarioFile, noise: int, *, cover: float
) -> dict[str, Week]:
    """Return one week with noise of this seed, under each control that is rehearsed."""
    grower = scenario.grower

    def lived(run: Rehearsal) -> Week:
        run.run()
        came = [(run.started + timedelta(seconds=swap["t_s"])).time() for swap in run.swaps]
        return Week(
            run.tally.degree_hours_above,
            run.tally.degree_hours_below,
            run.packs_used,
            len(came),
            run.tally.starts,
            cover,
            sum(not grower.wakes <= at < grower.sleeps for at in came),
            run.tally.over_1k_s / 3600.0,
        )

    def rehearsal(**more: Any) -> Rehearsal:
        return Rehearsal(settings, scenario, seed=noise, **more)

    def whole(**more: Any) -> Rehearsal:
        notifier = RehearsedNotices(settings, grower)
        return rehearsal(forecaster=DryForecaster(settings), notifier=notifier, **more)

    noticed = whole()
    law = law_of(settings)
    lead_s = law.timing.prime_s + settings.simulation.air_probe_lag
    weeks = {
        "plain": lived(rehearsal(plain=True)),
        "law": lived(rehearsal()),
        "plan": lived(rehearsal(forecaster=DryForecaster(settings))),
        "notices": lived(noticed),
        "early": lived(whole(law=replace(law, timing=replace(law.timing, lead_s=lead_s)))),
    }
    again = _SameVisits(settings, scenario, seed=noise, plain=True)
    again.visits = [(swap["t_s"], int(swap["packs"])) for swap in noticed.swaps]
    return weeks | {"switch": lived(again)}


class _SameVisits(Rehearsal):
    """A rehearsal whose person makes the visits of another one, whatever the chamber does."""

    visits: Sequence[tuple[float, int]] = ()

    def _new_grower(self, random: Random) -> Grower:
        usual = super()._new_grower(random)
        return _Repeating(usual, lambda: self.visits)


class _Repeating(Grower):
    """Makes given visits."""

    def __init__(self, usual: Grower, visits: Callable[[], Sequence[tuple[float, int]]]) -> None:
        super().__init__(
            usual._script, usual._freezer, packs_in_use=usual._packs_in_use, random=usual._random
        )
        self._visits, self._made = visits, 0

    def visit(self, at_s: float, *_: Any, **__: Any) -> Visit | None:
        """Return the visit of this minute, if there is one."""
        visits = self._visits()
        if self._made == len(visits) or at_s < visits[self._made][0] - 1.0:
            return None
        wanted = visits[self._made][1]
        self._made += 1
        packs, frozen_share = self._freezer.take(wanted, at_s, worth=0.0)
        return Visit(packs=packs, frozen_share=frozen_share)

    def next_at(self, at_s: float, hour: float) -> float:
        """Return the instant of the next visit."""
        visits = self._visits()
        return visits[self._made][0] if self._made < len(visits) else math.inf


def row(number: int, weeks: dict[str, Week]) -> str:
    each = [weeks[control] for control in CONTROLS]
    return (
        f"{number:4} {each[0].cover:5.2f} "
        f"{' / '.join(f'{w.above_k_h:6.2f}' for w in each):>60} "
        f"{'/'.join(f'{w.hot_h:.1f}' for w in each):>28} "
        f"{'/'.join(f'{w.below_k_h:.1f}' for w in each):>35} "
        f"{'/'.join(f'{w.packs:.0f}' for w in each):>28} "
        f"{'/'.join(f'{w.visits:.0f}' for w in each):>21} "
        f"{'/'.join(f'{w.nights:.0f}' for w in each):>16}"
    )


def summary(control: str, result: Sequence[dict[str, Week]]) -> str:
    weeks = [each[control] for each in result]
    worse = sum(each[control].above_k_h > each["plain"].above_k_h + 0.1 for each in result)
    return (
        f"{control:8} {sum(w.above_k_h for w in weeks):7.1f} K·h above, "
        f"{sum(w.hot_h for w in weeks):6.1f} h more than 1 K, "
        f"{sum(w.below_k_h for w in weeks):6.1f} below, {sum(w.packs for w in weeks):.0f} packs, "
        f"{sum(w.visits for w in weeks):.0f} visits, {sum(w.nights for w in weeks):.0f} of them at "
        f"night, {sum(w.starts for w in weeks):.0f} starts, worse than plain by over 0.1 K·h in "
        f"{worse}"
    )


def main() -> None:
    parser = parser_of(__doc__, chambers=12)
    parser.add_argument("--weeks", type=int, default=1, help="weeks of other noise, for a mean")
    asked = parser.parse_args()
    print(" / ".join(CONTROLS))
    print(
        f"{'':>4} {'band':>5} {'K·h above':>60} {'h over 1 K':>28} {'K·h below':>35} {'packs':>28} "
        f"{'visits':>21} {'at night':>16}"
    )
    result: list[dict[str, Week]] = []
    with Pool(asked.processes) as pool:
        work = [(number, asked.seed, asked.weeks) for number in numbers(asked)]
        for number, weeks in pool.imap(week, work, chunksize=1):
            result.append(weeks)
            print(row(number, weeks), flush=True)
    held = [each for each in result if each["plain"].cover >= HELD]
    short = [each for each in result if each["plain"].cover < HELD]
    for name, chosen in (("that can be held", held), ("that cannot", short), ("in all", result)):
        print(f"{len(chosen)} chambers {name}")
        for control in CONTROLS:
            print(f"  {summary(control, chosen)}")


if __name__ == "__main__":
    main()
