"""`coldpin size` and `coldpin rehearse` say the same of one build, drawn at random or known."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from random import Random

import pytest

from controller.cli.main import status_of
from controller.planning.build import Build
from controller.planning.verdict import LEAST_SHARE, Judgement, Verdict, judge
from controller.settings.load import read_settings
from controller.settings.shipped import shipped_config
from controller.thermal.specs import PlantSpec
from tests.agreement.rehearsed import rehearsed_spell
from tests.support.drawn_builds import drawn_build

CONFIG = shipped_config("larkmoor-laptop.toml")
SETTINGS = read_settings(CONFIG)
CLOSE = 0.05
FEW = (1, 2, 6, 8, 21, 34)
"""Of the forty builds that the benchmark prints: that hold, that do not, on either side near the
border, with a stock of frozen packs that runs down after days, and with changes every other day."""


def agree(plant: PlantSpec) -> Judgement:
    """Check sizing against ten days by the way of `coldpin rehearse`, and return what it said."""
    sized, spell = judge(SETTINGS, plant=plant), rehearsed_spell(SETTINGS, plant)

    if sized.days is None or spell is None:
        assert (sized.days, spell) == (None, None)
        assert sized.verdict is Verdict.CANNOT
        return sized
    assert sized.days.in_band_share == pytest.approx(spell.in_band_share, abs=CLOSE)
    if sized.supply.packs_per_day is None:
        assert sized.days.in_band_by_day[-1] < LEAST_SHARE
        assert sized.verdict is Verdict.NEEDS_HEAT or not spell.holds
    else:
        assert sized.supply.packs_per_day == pytest.approx(spell.packs_per_day, rel=CLOSE)
    if sized.supply.mean_h is not None:
        assert sized.supply.mean_h == pytest.approx(spell.hours_per_set, rel=CLOSE)
    if sized.verdict is not Verdict.NEEDS_HEAT:
        assert sized.holds is spell.holds
    return sized


@pytest.mark.parametrize("number", FEW)
def test_a_build_drawn_at_random(number: int) -> None:
    """In band, packs a day and hours per set within a twentieth; the same verdict.

    `python -m tests.benchmarks.agreement` prints forty builds.
    """
    agree(drawn_build(Random(number)))


def changed(**parts: dict[str, object]) -> PlantSpec:
    """Return the example's equipment with some figures changed, by part."""
    spec = SETTINGS.plant_spec()
    return replace(
        spec,
        **{name: replace(getattr(spec, name), **figures) for name, figures in parts.items()},  # type: ignore[arg-type]
    )


JUGS: dict[str, object] = {
    "shape": "bottle",
    "kg": 3.4,
    "thickness_mm": 150.0,
    "count": 4,
    "in_reservoir": 2,
}


@pytest.mark.parametrize(
    ("plant", "verdicts"),
    [
        pytest.param(changed(packs=JUGS), {Verdict.SHORT}, id="gallon-jugs-that-freeze-for-days"),
        pytest.param(
            changed(packs={"fill": "salt-11", "freezer_c": -25.0}),
            {Verdict.HOLDS, Verdict.SHORT, Verdict.CANNOT},
            id="salt-packs-in-a-cold-freezer",
        ),
        pytest.param(
            changed(site={"altitude_m": 3000.0}),
            {Verdict.HOLDS, Verdict.CANNOT},
            id="high-in-the-mountains",
        ),
        pytest.param(
            changed(room={"day_c": 12.0, "night_c": 10.0}), {Verdict.NEEDS_HEAT}, id="cold-cellar"
        ),
    ],
)
def test_a_build_that_was_once_judged_apart(plant: PlantSpec, verdicts: set[Verdict]) -> None:
    """Refreezing, fills, thin air and cold rooms count alike in both."""
    assert agree(plant).verdict in verdicts


def test_the_command_rehearses_the_same_days(capsys: pytest.CaptureFixture[str]) -> None:
    """`coldpin size` and `coldpin rehearse --scenario hot-days`, by their documents."""
    assert status_of(["size", str(CONFIG), "--json"]) == 0
    sized = json.loads(capsys.readouterr().out)
    assert status_of(["rehearse", str(CONFIG), "--scenario", "hot-days", "--json"]) == 0
    rehearsed = json.loads(capsys.readouterr().out)
    counted = [each for each in rehearsed["swaps"] if each["t_s"] >= 86_400]

    assert rehearsed["simulated_s"] == 11 * 86_400
    assert sized["rehearsed"]["days"] == 10
    # the command counts the first day too, which settling leaves out
    assert sized["rehearsed"]["in_band_share"] == pytest.approx(
        rehearsed["in_band_share"], abs=CLOSE
    )
    assert sized["rehearsed"]["packs_used"] == pytest.approx(
        sum(each["packs"] for each in counted), rel=CLOSE
    )


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


def test_the_hottest_days_of_a_weather_year_decide_in_both(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`size --weather` and `rehearse --scenario hot-days --weather` over the same days.

    The year is invented, in the published layout: ten hot days from 10 July.
    """
    file = tmp_path / "year.epw"
    file.write_text(hot_year(), encoding="utf-8")
    assert status_of(["size", str(CONFIG), "--json", "--weather", str(file)]) == 0
    sized = json.loads(capsys.readouterr().out)
    days = ["--weather", str(file), "--from", "07-09", "--to", "07-19"]
    assert status_of(["rehearse", str(CONFIG), "--scenario", "hot-days", "--json", *days]) == 0
    rehearsed = json.loads(capsys.readouterr().out)
    counted = [each for each in rehearsed["swaps"] if each["t_s"] >= 86_400]

    assert (sized["weather"]["first"], sized["weather"]["last"]) == ("07-10", "07-19")
    assert sized["weather"]["outdoor_c"]["max"] == 34.0
    assert 25.0 < sized["weather"]["room_c"]["max"] < 34.0
    assert sized["design"]["room_c"] == pytest.approx(sized["weather"]["room_c"]["max"], abs=0.1)
    assert sized["rehearsed"]["in_band_share"] == pytest.approx(
        rehearsed["in_band_share"], abs=CLOSE
    )
    assert sized["rehearsed"]["packs_used"] == pytest.approx(
        sum(each["packs"] for each in counted), rel=CLOSE
    )


def hot_year() -> str:
    """Return a weather year of 12 to 20 °C in which ten days from 10 July have 18 to 34 °C."""
    head = ["LOCATION,Larkmoor,-,-,invented,0,0,0,0,0", *["-"] * 7]
    rows = []
    for number in range(8760):
        day = date(2026, 1, 1) + timedelta(days=number // 24)
        hot = date(2026, 7, 10) <= day < date(2026, 7, 20)
        middle, swing = (26.0, 8.0) if hot else (16.0, 4.0)
        outdoor_c = middle - swing * math.cos(2 * math.pi * (number % 24 - 3) / 24)
        cells = [str(day.year), str(day.month), str(day.day), str(number % 24 + 1), "0", "-"]
        cells += [f"{outdoor_c:.1f}", "10.0", "50", *["0"] * 26]
        rows.append(",".join(cells))
    return "\n".join([*head, *rows]) + "\n"


def test_a_recorded_room_decides_in_both(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`[plant.room] csv`: `size` and `rehearse --scenario hot-days` take its ten warmest days.

    A month of 20 °C with a swing of 3 K, in which ten days are 6 K warmer; a day that came first
    would be judged by the cool ones.
    """
    named = CONFIG.read_text(encoding="utf-8").replace(
        "[plant.room]", '[plant.room]\ncsv = "r.csv"'
    )
    config = tmp_path / "chamber.toml"
    config.write_text(named, encoding="utf-8")
    rows = ["time,room_c"]
    for number in range(30 * 24 + 1):
        middle = 26.0 if 15 <= number // 24 < 25 else 20.0
        room_c = middle + 3.0 * math.cos(2 * math.pi * (number % 24 - 16) / 24)
        at = datetime(2026, 7, 1, tzinfo=UTC) + timedelta(hours=number)
        rows.append(f"{at.isoformat()},{room_c:.2f}")
    (tmp_path / "r.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")

    assert status_of(["size", str(config), "--json"]) == 0
    sized = json.loads(capsys.readouterr().out)
    assert status_of(["rehearse", str(config), "--scenario", "hot-days", "--json"]) == 0
    rehearsed = json.loads(capsys.readouterr().out)
    counted = [each for each in rehearsed["swaps"] if each["t_s"] >= 86_400]
    assert status_of(["size", str(config)]) == 0
    shown = capsys.readouterr().out

    assert sized["design"]["room_c"] == pytest.approx(29.0, abs=0.1)
    assert sized["rehearsed"]["in_band_share"] == pytest.approx(
        rehearsed["in_band_share"], abs=CLOSE
    )
    assert sized["rehearsed"]["packs_used"] == sum(each["packs"] for each in counted)
    assert "the hottest days of r.csv" in shown


def test_a_simple_plant_for_rehearsals_says_nothing_of_the_equipment(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`first-order` has no packs: `size` took it for the equipment, and found 0 kg of ice a day."""
    simple = tmp_path / "simple.toml"
    text = CONFIG.read_text(encoding="utf-8")
    simple.write_text(text.replace('plant = "chamber"', 'plant = "first-order"'), encoding="utf-8")
    rehearse = ["--scenario", "hot-days", "--days", "2", "--json"]

    documents = []
    for config in (CONFIG, simple):
        assert status_of(["size", str(config), "--json"]) == 0
        sized = json.loads(capsys.readouterr().out)
        assert status_of(["rehearse", str(config), *rehearse]) == 0
        rehearsed = json.loads(capsys.readouterr().out)
        documents.append((sized, {**rehearsed, "config": "", "wall_s": 0.0}))

    assert simple.read_text(encoding="utf-8") != text
    assert documents[0] == documents[1]
