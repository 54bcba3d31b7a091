"""Two freezers that do half each are one that does the whole, by every door."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.planning.build import Build
from controller.planning.verdict import Verdict, judge
from controller.settings.foresight_of import freezer_packs_per_day, habits_of
from controller.settings.load import read_settings
from controller.settings.shipped import shipped_config
from tests.agreement.rehearsed import rehearsed_spell

CONFIG = shipped_config("larkmoor-laptop.toml")
OWN = "[plant.freezer]\nlitres = 300.0\n"


def with_freezers(folder: Path, first: str, *others: str) -> Path:
    """Return the laptop example with other freezers, each as its keys."""
    text = CONFIG.read_text(encoding="utf-8")
    assert OWN in text
    tables = f"[plant.freezer]\n{first}\n" + "".join(
        f"[plant.more_freezers.number-{number}]\n{keys}\n" for number, keys in enumerate(others, 2)
    )
    file = folder / f"with-{len(others)}-more.toml"
    file.write_text(text.replace(OWN, tables), encoding="utf-8")
    return file


def test_two_of_half_are_one_of_the_whole(tmp_path: Path) -> None:
    """Verdict, rehearsal, forecast's plan and list of chambers, for freezers that run short."""
    half = 'kg_per_day = 2.5\nfood = "half"'
    one = read_settings(with_freezers(tmp_path, half.replace("2.5", "5.0")))
    two = read_settings(with_freezers(tmp_path, half, half))
    whole, halves = judge(one), judge(two)

    assert whole.verdict is Verdict.SHORT
    assert whole.supply.limit_kg_per_day == pytest.approx(5.0 * 320.0 / 412.0 * 0.8, rel=0.001)
    assert (halves.verdict, halves.supply, halves.days) == (
        whole.verdict, whole.supply, whole.days,
    )  # fmt: skip
    assert rehearsed_spell(one, one.plant_spec()) == rehearsed_spell(two, two.plant_spec())
    assert habits_of(one) == habits_of(two)
    assert freezer_packs_per_day(one) == freezer_packs_per_day(two)


def test_a_loaded_and_an_empty_one_lie_between(tmp_path: Path) -> None:
    """A loaded kitchen freezer and an empty one: between two of the first and two of the second.

    What they freeze, and how long the air is in band through the hot days.
    """
    full, empty = 'kg_per_day = 1.5\nfood = "full"', "kg_per_day = 1.5"
    limits_kg, shares = [], []
    for pair in ((full, full), (full, empty), (empty, empty)):
        settings = read_settings(with_freezers(tmp_path, *pair))
        build = Build(settings=settings, plant=settings.plant_spec())
        days = build.coarse_days()
        assert days is not None
        limits_kg.append(build.limit_kg_per_day())
        shares.append(days.in_band_share)

    assert limits_kg[1] == pytest.approx(0.5 * (limits_kg[0] + limits_kg[2]))
    assert shares[0] < shares[1] < shares[2]
