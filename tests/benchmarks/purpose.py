"""What it is all for: a hot week under coldpin with its forecast, beside a plain on/off switch.

    python -m tests.benchmarks.purpose [--chambers 12] [--seed 1] [--processes 2]

The same plants, weather and noise. Under the plain switch the grower comes by habit, morning and
evening, and when the reservoir or the air calls, and sleeps at night. Under coldpin the grower goes
by its swap plan and by its notices, which let people sleep or do not. "asleep" is coldpin with a
grower whom no notice reaches: the plan alone. "sized" is the share of hot days in band,
as `coldpin size` reckons it. Prints a row for each chamber and judges nothing; where coldpin does
worse, the row shows it.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import dataclass
from datetime import timedelta
from multiprocessing import Pool
from pathlib import Path
from random import Random

from controller.cli.rehearsal_notices import RehearsedNotices
from controller.planning.verdict import HOLDS_SHARE, judge
from controller.rehearsal.dry_forecaster import DryForecaster
from controller.rehearsal.rehearse import Rehearsal
from controller.settings.load import read_settings
from controller.settings.scenario_file import read_scenario
from controller.settings.shipped import shipped_config

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


@dataclass(frozen=True, slots=True)
class Week:
    """One chamber's week under one control."""

    above_k_h: float
    packs: int
    starts: int
    cover: float
    nights: int
    """Swaps between bedtime and waking."""


def config_text(random: Random) -> str:
    """Return a configuration of a chamber drawn at random."""
    text = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")
    uniform = random.uniform
    in_water = random.randint(3, 6)
    for old, new in (
        ("volume_m3 = 0.35", f"volume_m3 = {uniform(0.25, 0.8):.2f}"),
        ("wall_area_m2 = 3.0", f"wall_area_m2 = {uniform(2.6, 5.0):.2f}"),
        ("wall_u_w_m2k = 0.51", f"wall_u_w_m2k = {uniform(0.45, 1.2):.2f}"),
        ("crop_kg = 4.0", f"crop_kg = {uniform(2.0, 8.0):.1f}"),
        ("ua_air_w_k = 6.0", f"ua_air_w_k = {uniform(8.0, 22.0):.1f}"),
        ("air_kg_s = 0.010", f"air_kg_s = {uniform(0.010, 0.02):.4f}"),
        ("litres = 24.0", f"litres = {uniform(16.0, 40.0):.0f}"),
        ("count = 8", f"count = {in_water * random.choice((3, 4))}"),
        ("in_reservoir = 4", f"in_reservoir = {in_water}"),
        ("\nkg = 1.0", f"\nkg = {uniform(0.7, 1.5):.2f}"),
    ):
        assert old in text
        text = text.replace(old, new)
    return text


def week(arguments: tuple[int, int]) -> tuple[int, Week, Week, Week]:
    """Return a chamber's week: coldpin, coldpin whose notices reach nobody, the plain switch."""
    number, seed = arguments
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
            if 0.8 < cover < 1.0:  # neither hopeless nor so ample that nothing can go wrong
                break
    grower = scenario.grower

    def lived(run: Rehearsal) -> Week:
        run.run()
        came = [(run.started + timedelta(seconds=swap["t_s"])).time() for swap in run.swaps]
        return Week(
            run.tally.degree_hours_above,
            run.packs_used,
            run.tally.starts,
            cover,
            sum(not grower.wakes <= at < grower.sleeps for at in came),
        )

    return (
        number,
        lived(
            Rehearsal(
                settings,
                scenario,
                seed=number,
                forecaster=DryForecaster(settings),
                teller=RehearsedNotices(settings, grower),
            )
        ),
        lived(Rehearsal(settings, scenario, seed=number, forecaster=DryForecaster(settings))),
        lived(Rehearsal(settings, scenario, seed=number, plain=True)),
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--chambers", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=2)
    asked = parser.parse_args()
    with Pool(asked.processes) as pool:
        found = pool.map(week, [(n, asked.seed) for n in range(asked.chambers)], chunksize=1)
    print("coldpin / asleep / plain")
    print(
        f"{'':>4} {'sized':>6} {'K·h above cut-in':>26} {'packs':>18} {'starts':>20} {'nights':>9}"
    )
    for number, *weeks in found:
        above = " / ".join(f"{each.above_k_h:6.2f}" for each in weeks)
        packs = " / ".join(f"{each.packs:4}" for each in weeks)
        starts = " / ".join(f"{each.starts:4}" for each in weeks)
        nights = "/".join(f"{each.nights}" for each in weeks)
        print(f"{number:4} {weeks[0].cover:6.2f} {above:>26} {packs:>18} {starts:>20} {nights:>9}")
    held = [each for each in found if each[1].cover >= HOLDS_SHARE]
    _together("all", found)
    _together("those that sizing says can be held", held)
    _together("those that it says cannot", [each for each in found if each not in held])


def _together(name: str, found: list[tuple[int, Week, Week, Week]]) -> None:
    if not found:
        return
    print(f"{name}, {len(found)}:")
    plain = [each[3] for each in found]
    for control, weeks in (
        ("coldpin", [each[1] for each in found]),
        ("asleep", [each[2] for each in found]),
        ("plain", plain),
    ):
        above, over = (sum(each.above_k_h for each in of) for of in (weeks, plain))
        worse = sum(a.above_k_h > b.above_k_h + 0.1 for a, b in zip(weeks, plain, strict=True))
        print(
            f"  {control:8} {above:7.1f} K·h ({over / max(0.01, above):.1f} times fewer), "
            f"{sum(each.packs for each in weeks)} packs, "
            f"{sum(each.starts for each in weeks)} starts, worse by over 0.1 K·h in {worse}"
        )


if __name__ == "__main__":
    main()
