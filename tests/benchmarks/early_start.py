"""An earlier start, and the proposed switching points, beside the law and a plain switch.

    python -m tests.benchmarks.early_start [--chambers 24] [--from 0] [--seed 1] [--processes 2]
        [--near-limit]

The same plants, hot days, noise and grower (who changes packs when the water is spent, day and
night), one thing changed at a time. "plain" is a plain switch at the grower's points; "law" is
coldpin's control there; "early" is that control with `[timing] start_early_by` as long as prime and
probe lag; "points" is the control at the
switching points that `coldpin size` proposes, which aim at the species' band; "both" is early
there. K·h are those of the true air outside the species' band, and outside the grower's points.
With ``--near-limit`` chambers are drawn whose coil is weak for a hotter week: for some hours a day
the air is more than 1 K over cut-in although the pump runs on and on. Judges nothing.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import time
from multiprocessing import Pool
from pathlib import Path
from random import Random

from controller.core.law import Band, Law
from controller.planning.proposal import proposal_of
from controller.rehearsal.hot_days import ALWAYS_THERE, hot_days, hot_days_scenario
from controller.rehearsal.rehearse import Rehearsal
from controller.rehearsal.tally import excess_of
from controller.settings.law_of import BandSchedule, law_of
from controller.settings.load import Settings, read_settings
from controller.settings.species import band_of, read_species, species_of
from controller.thermal.probe import Course
from tests.benchmarks.shelf_chambers import config_text, exchanged, numbers, parser_of

CONTROLS = ("plain", "law", "early", "points", "both")
SPECIES = ("king-oyster", "pearl-oyster", "shiitake", "enoki", "lions-mane")
DAYS, SETTLING_DAYS = 3.0, 1.0
RESERVOIR_C = 5.0
"""Usual temperature of the reservoir for which points are proposed [°C]."""
MOST_STARTS, MOST_ABOVE_K_H = 500, 12.0
"""A chamber that needs no cooling on a hot day, or that is hopeless then, shows nothing."""
NEAR_LIMIT_H = (0.5, 8.0)
"""Near its limit: more than 1 K over cut-in for so long on a hot day [h]."""
HOTTER_K, WEAK_W_K = (2.0, 8.0), (5.0, 10.0)
"""How much warmer its room is than usual [K], and its coil's air side [W/K]."""


@dataclass(frozen=True, slots=True)
class HotDaysUnder:
    """The counted days of one chamber under one control."""

    outside_k_h: float
    """Beyond the species' band, either side [K·h]."""
    above_k_h: float
    below_k_h: float
    """Beyond the grower's own points [K·h]."""
    starts: int
    packs: int


class _Counted(Rehearsal):
    """Counts the true air against given bands."""

    bands: tuple[Band, Band]
    """The species' band, and the grower's points."""

    def run(self, progress: Callable[[float], None] = lambda _share: None) -> None:
        """Run to the end."""
        self.outside_ks = self.above_ks = self.below_ks = 0.0
        self.starts = 0
        self._ran = False
        self._at_s = 0.0
        super().run(progress)

    def _moved(self, air: Course, reservoir: Course, pump: bool) -> None:
        super()._moved(air, reservoir, pump)
        if self._at_s >= SETTLING_DAYS * 86_400.0:
            extremes_c = air.extremes_c()
            species, own = (excess_of(air, band, extremes_c) for band in self.bands)
            self.outside_ks += species.above_ks + species.below_ks
            self.above_ks += own.above_ks
            self.below_ks += own.below_ks
            self.starts += pump and not self._ran
        self._at_s += air.dt_s
        self._ran = pump


def drawn(random: Random) -> str:
    """Return a configuration with a species, its points, timers and a probe drawn at random."""
    text = config_text(random)
    start, end = text.index("[stages.fruiting]"), text.index("[timing]")
    species = random.choice(SPECIES)
    air = read_species()[species].cropping
    cut_in_c = air.high / 1000 - random.uniform(0.4, 1.5)
    cut_out_c = max(air.low / 1000 + 0.3, cut_in_c - random.uniform(0.75, 2.0))
    text = (
        f'{text[:start]}[stages.fruiting]\ncut_in = "{cut_in_c:.2f} C"\n'
        f'cut_out = "{cut_out_c:.2f} C"\n\n{text[end:]}'
    )
    prime_s, rest_min = random.choice((5, 10, 20, 40)), random.choice((2, 3, 5))
    lag_s = random.uniform(40.0, 150.0)
    changes = (
        ('species = "king-oyster"', f'species = "{species}"'),
        ('prime = "10 s"', f'prime = "{prime_s} s"'),
        ('anti_short_cycle = "3 min"', f'anti_short_cycle = "{rest_min} min"'),
        ('air_probe_lag = "45 s"', f'air_probe_lag = "{lag_s:.0f} s"'),
        ('low_limit = "11 C"', 'low_limit = "5 C"'),
        ('air_high = "19 C"', 'air_high = "27 C"'),
    )
    return exchanged(text, changes)


def near_limit(text: str, random: Random) -> str:
    """Return a configuration with its room warmer, day and night, and a weak coil."""
    by_k, weak_w_k = random.uniform(*HOTTER_K), random.uniform(*WEAK_W_K)
    text = re.sub(r"(?m)^ua_air_w_k = .*", f"ua_air_w_k = {weak_w_k:.1f}", text)
    return re.sub(
        r"(?m)^(day_c|night_c) = ([\d.]+)",
        lambda found: f"{found[1]} = {float(found[2]) + by_k:.2f}",
        text,
    )


def judge(arguments: tuple[int, int, bool]) -> tuple[int, str, dict[str, HotDaysUnder]]:
    """Return one chamber's days under each control."""
    number, seed, wants_near = arguments
    random = Random(f"early/{seed}/{number}")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "c.toml"
        while True:
            text = drawn(random)
            path.write_text(near_limit(text, random) if wants_near else text, encoding="utf-8")
            settings = read_settings(path)
            days = hot_days(settings, days=1.0, swap_at_c=_spent_c(settings))
            usual = MOST_STARTS > days.starts > 0 and days.degree_hours_above < MOST_ABOVE_K_H
            near = NEAR_LIMIT_H[0] < days.hours_over_1k < NEAR_LIMIT_H[1]
            if near if wants_near else usual:
                break
    stage = settings.stages[settings.chamber.stage]
    own = Band(stage.cut_in, stage.cut_out)
    species = species_of(settings)
    air = None if species is None else band_of(species, settings.chamber.stage)
    assert air is not None
    proposal = proposal_of(settings, RESERVOIR_C)
    assert proposal is not None
    timing = law_of(settings).timing
    proposed = Band(round(1000 * proposal.cut_in_c), round(1000 * proposal.cut_out_c))
    law = replace(
        law_of(settings),
        timing=replace(
            timing,
            minimum_run_s=proposal.minimum_run_s,
            anti_short_cycle_s=proposal.anti_short_cycle_s,
        ),
    )
    lead_s = timing.prime_s + settings.simulation.air_probe_lag
    limits = (Band(air.high, air.low), own)

    def lived(points: Band, law: Law, *, plain: bool = False) -> HotDaysUnder:
        return _lived(settings, limits, points, number, law=law, plain=plain)

    own_law = law_of(settings)
    weeks = {
        "plain": lived(own, own_law, plain=True),
        "law": lived(own, own_law),
        "early": lived(own, _led(own_law, lead_s)),
        "points": lived(proposed, law),
        "both": lived(proposed, _led(law, lead_s)),
    }
    return number, settings.chamber.species or "", weeks


def _spent_c(settings: Settings, cut_in_mc: int | None = None) -> float:
    """Return the water at which the grower changes packs [°C]."""
    if cut_in_mc is None:
        cut_in_mc = settings.stages[settings.chamber.stage].cut_in
    return (cut_in_mc - settings.limits.reservoir_margin) / 1000 - 1.0


def _led(law: Law, lead_s: float) -> Law:
    return replace(law, timing=replace(law.timing, lead_s=lead_s))


def _lived(
    settings: Settings,
    limits: tuple[Band, Band],
    points: Band,
    seed: int,
    *,
    law: Law,
    plain: bool,
) -> HotDaysUnder:
    run = _Counted(
        settings,
        hot_days_scenario(ALWAYS_THERE, days=DAYS + SETTLING_DAYS),
        seed=seed,
        schedule=BandSchedule(day=points, night=None, night_from=time(), night_to=time()),
        swap_at_c=_spent_c(settings, points.cut_in_mc),
        law=law,
        plain=plain,
    )
    run.bands = limits
    run.run()
    return HotDaysUnder(
        run.outside_ks / 3600.0,
        run.above_ks / 3600.0,
        run.below_ks / 3600.0,
        run.starts,
        run.packs_used,
    )


def summary(control: str, result: Sequence[dict[str, HotDaysUnder]]) -> str:
    """Return one control's sums over chambers as text."""
    days = [each[control] for each in result]
    law = [each["law"] for each in result]
    starts = sum(day.starts for day in days) / max(1, sum(day.starts for day in law)) - 1.0
    better = sum(
        day.outside_k_h < was.outside_k_h - 0.05 for day, was in zip(days, law, strict=True)
    )
    worse = sum(
        day.outside_k_h > was.outside_k_h + 0.05 for day, was in zip(days, law, strict=True)
    )
    return (
        f"{control:7} {sum(day.outside_k_h for day in days):9.2f} outside the species' band, "
        f"{sum(day.above_k_h for day in days):8.2f} above and "
        f"{sum(day.below_k_h for day in days):7.2f} below the grower's points, "
        f"{sum(day.starts for day in days):6} starts ({starts:+.0%}), "
        f"{sum(day.packs for day in days):5} packs; beside the law better in {better}, "
        f"worse in {worse}"
    )


def main() -> None:
    parser = parser_of(__doc__, chambers=24)
    parser.add_argument("--near-limit", action="store_true")
    asked = parser.parse_args()
    print(" / ".join(CONTROLS))
    result: list[dict[str, HotDaysUnder]] = []
    work = [(number, asked.seed, asked.near_limit) for number in numbers(asked)]
    with Pool(asked.processes) as pool:
        for number, species, weeks in pool.imap(judge, work, chunksize=1):
            result.append(weeks)
            each = [weeks[control] for control in CONTROLS]
            print(
                f"{number:4} {species:13} "
                f"{' / '.join(f'{day.outside_k_h:6.2f}' for day in each)}   "
                f"{' / '.join(f'{day.above_k_h:6.2f}' for day in each)}   "
                f"{' / '.join(f'{day.starts}' for day in each)}   "
                f"{' / '.join(f'{day.packs}' for day in each)}",
                flush=True,
            )
    near = [each for each in result if each["law"].above_k_h > 1.0]
    easy = [each for each in result if each["law"].above_k_h <= 1.0]
    for name, chosen in (("held well", easy), ("near the limit", near), ("in all", result)):
        print(f"{len(chosen)} chambers {name}, K·h over {DAYS:g} days")
        for control in CONTROLS:
            print(f"  {summary(control, chosen)}")


if __name__ == "__main__":
    main()
