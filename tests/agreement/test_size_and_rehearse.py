"""`coldpin size` and ten rehearsed days say the same of one build, drawn at random or known."""

from __future__ import annotations

import json
from dataclasses import replace
from random import Random

import pytest

from controller.cli.main import status_of
from controller.planning.build import Build
from controller.planning.verdict import HOLDS_SHARE, Judgement, Verdict, judge, supply_of
from controller.settings.load import Settings, read_settings
from controller.settings.shipped import shipped_config
from controller.thermal.specs import PlantSpec
from tests.support.drawn_builds import drawn_build

CONFIG = shipped_config("larkmoor-laptop.toml")
SETTINGS = read_settings(CONFIG)
LONG_DAYS = 10.0


def beside(settings: Settings, plant: PlantSpec) -> tuple[Judgement, Judgement]:
    """Return what sizing says, and the same read off ten rehearsed days."""
    short = judge(settings, plant=plant)
    long_days = short.build.days(LONG_DAYS)
    supply = supply_of(short.build, long_days, long_days)
    held = long_days is not None and long_days.in_band_share >= HOLDS_SHARE
    verdict = Verdict.HOLDS if held else short.verdict
    return short, replace(short, days=long_days, supply=supply, verdict=verdict)


@pytest.mark.parametrize("number", range(3))
def test_a_build_drawn_at_random(number: int) -> None:
    """In band within five hundredths, packs a day within a tenth; no verdict the other way round.

    `python -m tests.benchmarks.agreement` prints forty of them.
    """
    short, long = beside(SETTINGS, drawn_build(Random(number)))

    if short.days is None or long.days is None:
        assert short.verdict is Verdict.CANNOT
        return
    assert short.days.in_band_share == pytest.approx(long.days.in_band_share, abs=0.05)
    if short.holds and long.days.packs_used:
        assert short.supply.packs_per_day == pytest.approx(long.supply.packs_per_day, rel=0.10)
    if short.verdict is not Verdict.NEEDS_HEAT:
        assert not (short.holds and long.days.in_band_share < HOLDS_SHARE - 0.03)
        assert not (not short.holds and long.days.in_band_share > HOLDS_SHARE + 0.03)


def test_lights_change_size_and_rehearsal_alike() -> None:
    """Four watts and two hundred: both see the difference, without a word on hours in the file."""
    spec = SETTINGS.plant_spec()
    bright = replace(spec, chamber=replace(spec.chamber, lights_w=60.0))

    dark_days, bright_days = (
        Build(settings=SETTINGS, plant=each).coarse_days() for each in (spec, bright)
    )

    assert dark_days is not None
    assert bright_days is not None
    assert bright_days.duty > dark_days.duty + 0.05
    assert judge(SETTINGS, plant=bright).design.steady.load.lights_w == 60.0


def test_check_and_size_show_one_cycle(capsys: pytest.CaptureFixture[str]) -> None:
    """The hottest hour in `size --json` stands in the table of `check`."""
    assert status_of(["size", str(CONFIG), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert status_of(["check", str(CONFIG)]) == 0
    printed = capsys.readouterr().out

    for row in document["cycle"]:
        assert f"{row['starts_per_h']:.1f}/h" in printed
