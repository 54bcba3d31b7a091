"""`coldpin size`: its JSON contract, its words, and its figures against a whole rehearsal."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from controller.cli.main import status_of
from controller.settings.shipped import shipped_config
from tests.agreement.test_size_and_rehearse import hot_year

CONFIG = shipped_config("larkmoor-laptop.toml")


def sized(capsys: pytest.CaptureFixture[str], config: Path = CONFIG) -> dict[str, object]:
    """Return the document that `size --json` prints."""
    assert status_of(["size", str(config), "--json"]) == 0
    document: dict[str, object] = json.loads(capsys.readouterr().out)
    return document


def test_document_has_the_keys_that_scripts_rely_on(capsys: pytest.CaptureFixture[str]) -> None:
    """The contract of `size --json`, key by key."""
    document = sized(capsys)

    assert set(document) == {
        "design", "load_w", "coil", "useful_reservoir_max_c", "ice_kg_per_day", "packs_per_day",
        "hours_per_set", "sets_in_rotation", "freezer", "cycle", "verdict", "binding", "spare",
        "changes", "rehearsed", "assumed", "proposal", "early_start",
        "weather",
    }  # fmt: skip
    assert set(document["design"]) == {"room_c", "room_rh", "air_c", "air_rh", "hour"}  # type: ignore[call-overload]
    assert set(document["load_w"]) == {  # type: ignore[call-overload]
        "envelope", "air_exchange", "lights", "fans", "pump", "crop", "humidifier", "sensible",
        "latent", "total",
    }  # fmt: skip
    assert {2, 4, 6, 8, 10, 12, 14} <= {row["reservoir_c"] for row in document["coil"]}  # type: ignore[attr-defined]
    assert document["verdict"] in {"holds", "short", "cannot", "needs_heat"}
    assert set(document["rehearsed"]) == {  # type: ignore[call-overload]
        "days", "in_band_share", "degree_hours_above", "packs_used",
    }  # fmt: skip
    times = (document["freezer"]["refreeze_h"], document["hours_per_set"]["mean"])  # type: ignore[index]
    # while one set cools, the others refreeze; worked by hand: 9.9 h and 12.7 h take 2 sets
    assert document["sets_in_rotation"] == math.ceil(1 + times[0] / times[1])
    assert [row["when"] for row in document["cycle"]] == ["mild", "normal", "hottest"]  # type: ignore[attr-defined]


def test_sums_of_the_load_close(capsys: pytest.CaptureFixture[str]) -> None:
    """Sources, the pump aside, add up to the total; sensible and latent do too."""
    load = sized(capsys)["load_w"]
    assert isinstance(load, dict)
    parts = ("envelope", "air_exchange", "lights", "fans", "crop", "humidifier")

    assert sum(load[part] for part in parts) == pytest.approx(load["total"], abs=0.05)
    assert load["sensible"] + load["latent"] == pytest.approx(load["total"], abs=0.05)


def test_watts_are_written_to_the_hundredth(capsys: pytest.CaptureFixture[str]) -> None:
    """More digits would promise what no estimate of a wall holds."""
    document: dict[str, Any] = sized(capsys)
    rows = [document["load_w"], *document["coil"]]
    watts = [
        value
        for row in rows
        for name, value in row.items()
        if name not in {"reservoir_c", "condensate_kg_h"}
    ]

    assert len(watts) > 20
    assert [each for each in watts if round(each, 2) != each] == []


def test_figures_that_were_assumed_are_reported_with_their_source(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A plant without a single figure is sized on ours, each named aloud."""
    text = CONFIG.read_text(encoding="utf-8")
    config = tmp_path / "bare.toml"
    head, tail = text.split("[plant.chamber]")[0], text.split("[simulation]")[1]
    config.write_text(f"{head}[simulation]{tail}", encoding="utf-8")

    assumed = sized(capsys, config)["assumed"]

    assert isinstance(assumed, list)
    by_key = {figure["key"]: figure for figure in assumed}
    assert by_key["plant.reservoir.ua_w_k"]["value"] == 0.45
    assert "ice retention" in by_key["plant.reservoir.ua_w_k"]["about"]
    assert all(figure["about"] for figure in assumed)


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("wall_area_m2 = -3.0", "plant.chamber.wall_area_m2 is -3.0"),
        ("rh = 9000", "plant.chamber.rh is 9000"),
        ("volume_m3 = nan", "volume_m3"),
        ("wall_aera_m2 = 3.0", "did you mean wall_area_m2"),
    ],
    ids=["negative-area", "rh-9000", "nan", "typo"],
)
def test_senseless_figure_is_refused_by_name(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], line: str, message: str
) -> None:
    """Exit 78, the key, what was found."""
    text = CONFIG.read_text(encoding="utf-8")
    key = line.split(" = ", maxsplit=1)[0]
    lines = [kept for kept in text.splitlines() if not kept.startswith(f"{key} =")]
    place = lines.index("[plant.chamber]") + 1
    config = tmp_path / "bad.toml"
    config.write_text("\n".join([*lines[:place], line, *lines[place:]]), encoding="utf-8")

    assert status_of(["size", str(config)]) == 78
    assert message in capsys.readouterr().err


def test_people_see_the_verdict_first(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The answer stands in the first line; the rest is asked for, no line wider than the screen."""
    monkeypatch.setenv("COLUMNS", "60")

    assert status_of(["size", str(CONFIG)]) == 0
    short = capsys.readouterr().out
    assert status_of(["size", str(CONFIG), "--details"]) == 0
    long = capsys.readouterr().out

    assert short.startswith("Works")
    assert "Heat at the warmest hour" not in short
    assert long.startswith(short.splitlines()[0])
    for text in ("Heat at the warmest hour", "The cycle to expect", "What the coil takes"):
        assert text in long
    assert max(map(len, (short + long).splitlines())) <= 60


def test_too_much_assumed_is_reported_first_and_no_percentage_given(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A configuration without a plant is not judged by somebody else's in figures."""
    text = CONFIG.read_text(encoding="utf-8")
    config = tmp_path / "bare.toml"
    head, tail = text.split("[plant.chamber]")[0], text.split("[simulation]")[1]
    config.write_text(f"{head}[simulation]{tail}", encoding="utf-8")

    assert status_of(["size", str(config)]) == 0

    printed = capsys.readouterr().out
    assert printed.startswith("Too little is known of your equipment")
    assert "[plant.chamber], [plant.packs] and [plant.room]" in " ".join(printed.split())
    assert "%" not in printed.split("What would")[0]


def test_the_page_draws_the_hot_days(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One file that stands alone: days, changes, heat."""
    page = tmp_path / "size.html"

    assert status_of(["size", str(CONFIG), "--html", str(page)]) == 0

    del capsys
    drawn = page.read_text(encoding="utf-8")
    assert "<svg" in drawn
    assert "Heat at the warmest hour" in drawn
    assert "What would save ice" in drawn
    assert "% less ice" in drawn
    assert "the walls" in drawn
    assert 'style="width: 100.0%"' in drawn
    assert "W/(m²·K)" not in drawn


def test_units_in_brackets_are_shown(capsys: pytest.CaptureFixture[str]) -> None:
    """A figure that was assumed keeps the unit of its meaning."""
    assert status_of(["size", str(CONFIG), "--details"]) == 0

    shown = " ".join(capsys.readouterr().out.split())
    assert "not counted in `crop_kg` [kg]." in shown


def test_the_command_for_the_same_days_names_the_same_days(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a weather year the days that decided, with the one before them."""
    monkeypatch.setenv("COLUMNS", "300")
    file = tmp_path / "year.epw"
    file.write_text(hot_year(), encoding="utf-8")

    assert status_of(["size", str(CONFIG), "--weather", str(file)]) == 0

    assert capsys.readouterr().out.splitlines()[-1] == (
        f"The same days, hour by hour: coldpin rehearse {CONFIG} --scenario hot-days "
        f"--weather {file} --from 07-09 --to 07-19"
    )


def test_days_that_cannot_be_worked_out_are_not_offered_hour_by_hour(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`coldpin rehearse` could only refuse them."""
    text = CONFIG.read_text(encoding="utf-8")
    for before, after in (
        ("volume_m3 = 0.35", "volume_m3 = 900"),
        ("day_c = 27.0", "day_c = 50.0"),
        ("lights_w = 4.0", "lights_w = 5000.0"),
        ("crop_kg = 4.0", "crop_kg = 5000.0"),
    ):
        assert before in text
        text = text.replace(before, after)
    config = tmp_path / "far.toml"
    config.write_text(text, encoding="utf-8")

    assert status_of(["size", str(config)]) == 0

    shown = capsys.readouterr().out
    assert "far too hot" in shown
    assert "hour by hour" not in shown
