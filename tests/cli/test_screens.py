"""What report, forecast, keys and probes print for people."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import redirect_stdout
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from io import StringIO
from pathlib import Path

import pytest

from controller.cli.forecast import print_forecast
from controller.cli.main import status_of
from controller.domain.published_forecast import PackShortage, PlannedChange, PublishedForecast
from controller.domain.requests import LoggedSwap
from tests.lookout.houses import NOW, forecast, settings_with
from tests.support.w1_tree import W1Tree

DAY = datetime(2026, 7, 13, 23, 0, tzinfo=UTC)
"""Midnight in the zone of the example, Europe/Lisbon, which is an hour ahead in summer."""


@pytest.fixture(name="config")
def _config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a chamber with a day of records: the pump ran at noon, and three hours are missing."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    monkeypatch.setenv("COLUMNS", "100")
    settings_with(tmp_path)
    rows = ["time,air_c,reservoir_c,room_c,pump,fan"]
    for minute in range(24 * 60):
        hour = minute // 60
        if hour in {3, 5, 7}:
            continue
        on = int(hour == 12 or (hour == 13 and minute % 60 < 30))
        at = DAY + timedelta(minutes=minute)
        rows.append(f"{at.isoformat()},16.25,4.5,24.0,{on},{on}")
    (tmp_path / "day.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    config = tmp_path / "c.toml"
    assert status_of(["import", str(config), "--csv", str(tmp_path / "day.csv")]) == 0
    return config


SPAN = ["--from", "2026-07-14T00:00", "--to", "2026-07-15T00:00"]
"""In the zone of the chamber."""


def test_a_report_begins_with_the_chamber_and_its_span(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Local times; a bar for each hour, a question mark where none is known; gaps by name."""
    capsys.readouterr()
    assert status_of(["report", str(config), *SPAN]) == 0

    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "hall shelf, 2026-07-14 00:00 to 2026-07-15 00:00"
    (bars,) = (line.split(": ")[1] for line in lines if line.startswith("duty by hour"))
    assert bars == "   ? ? ?    █▄          "
    gaps = [line for line in lines if line.startswith("gap: ")]
    assert [gap.split(",")[0] for gap in gaps] == [
        f"gap: 2026-07-14 0{hour}:04"
        for hour in (3, 5, 7)  # a reading holds for five minutes
    ]
    assert gaps[0].endswith(", 56 min")
    assert lines[-1].startswith("first run: ")


def test_a_report_says_the_same_in_json(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One document: the figures, and the first run, of which there is none."""
    capsys.readouterr()
    assert status_of(["report", str(config), *SPAN, "--json"]) == 0

    document = json.loads(capsys.readouterr().out)
    assert document["first_run"] is None
    assert document["starts"] == 1


def test_the_last_day_is_reported_where_nobody_says_which(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A day before the end; of another day, nothing was recorded."""
    capsys.readouterr()
    assert status_of(["report", str(config), "--to", "2026-07-15T00:00"]) == 0
    assert "2026-07-14 00:00 to 2026-07-15 00:00" in capsys.readouterr().out

    assert status_of(["report", str(config)]) == 0
    assert "Nothing was recorded in this time." in capsys.readouterr().out


@pytest.mark.parametrize("to", ["2026-07-14T00:00", "2026-07-13T00:00"], ids=["none", "before"])
def test_a_span_that_is_none_is_refused(
    config: Path, to: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """64, wrong usage."""
    assert status_of(["report", str(config), "--from", "2026-07-14T00:00", "--to", to]) == 64
    assert "an end that is not later" in capsys.readouterr().err


def shown(made: PublishedForecast, last: LoggedSwap | None = None, unit: str = "C") -> str:
    """Return a forecast as it is printed, without the breaks of its lines."""
    out = StringIO()
    with redirect_stdout(out):
        print_forecast(made, last, unit, UTC)
    return " ".join(out.getvalue().split())


@pytest.fixture(name="wide", autouse=True)
def _wide(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("COLUMNS", "200")
    return None


def test_a_forecast_begins_with_what_to_do_and_has_the_interval_below() -> None:
    """Then how sure it is, from what it was learned, and the plan."""
    due = NOW + timedelta(hours=6)
    text = shown(forecast(due, useful_until_c=11.5, notes=("a probe is lost",)))

    assert text.startswith("Change 4 packs by ")
    assert "nine times in ten after 20:00" in text
    assert "nine times in ten before 22:00" in text
    assert "cold until the reservoir is at 11.5 °C" in text
    assert "packs went in 09:00" in text
    assert "what your equipment did with earlier packs (4 sets seen to the end)" in text
    assert "Note: a probe is lost." in text
    assert "The next two days" in text
    assert "19:30 (in 5 h 30 min) 4 the cold may run out" in text
    assert "Not every set" not in text


def test_a_forecast_says_where_packs_are_short_or_the_freezer_is_behind() -> None:
    """In the unit that people chose; and a change that is due is due now."""
    early = NOW + timedelta(minutes=10)
    plan = (PlannedChange(at=NOW, packs=2, why="the freezer"),)
    short = PackShortage(warm_from=NOW, peak_k=2.0, packs=3, freeze_now=True)
    screen = shown(forecast(early, plan=plan, shortage=short, freezer_keeps_up=False), unit="F")

    assert "now 2 the freezer" in screen
    assert "3.6" in screen  # 2 K are 3.6 °F
    assert "Not every set" not in screen
    behind = shown(forecast(early, plan=plan, freezer_keeps_up=False))
    assert "Not every set can be whole; the band is held all the same." in behind


def test_one_set_is_a_set_and_an_unknown_end_has_no_interval() -> None:
    """Grammar, and nothing made up."""
    learned = forecast(NOW + timedelta(hours=6), cycles_learned=1, plan=())
    open_end = replace(learned, swap_due=None, early=None, late=None, swapped_at=None)

    text = shown(open_end)

    assert "(1 set seen to the end)" in text
    assert "nine times in ten" not in text
    assert "packs went in" not in text
    assert "The next two days" not in text


def test_no_forecast_is_one_sentence() -> None:
    """What to do about it, and nothing below."""
    text = shown(PublishedForecast(as_of=NOW))

    assert text == "No forecast yet. Log your first pack change to start it."


def test_keys_are_listed_by_what_is_in_their_names(capsys: pytest.CaptureFixture[str]) -> None:
    """A table whole, or single keys; with values, default and meaning."""
    assert status_of(["keys", "timing"]) == 0
    timing = capsys.readouterr().out
    assert "[timing]" in timing
    assert "minimum_run" in timing
    assert "[limits]" not in timing

    assert status_of(["keys", "low_limit"]) == 0
    limits = capsys.readouterr().out
    assert "low_limit" in limits
    assert "air_high" not in limits

    assert status_of(["keys", "minimum_run", "--json"]) == 0
    (table,) = json.loads(capsys.readouterr().out)["tables"]
    assert (table["path"], [key["name"] for key in table["keys"]]) == ("timing", ["minimum_run"])
    assert status_of(["keys", "zigzag"]) == 64
    assert "found no table or key with zigzag" in capsys.readouterr().err.replace("\n", " ")


def test_a_key_says_whether_it_must_be_there(capsys: pytest.CaptureFixture[str]) -> None:
    """One with a default shows it, one without is compulsory or may be left out."""
    status_of(["keys", "stages"])
    stages = " ".join(capsys.readouterr().out.split())
    assert "cut_in · " in stages
    assert "compulsory" in stages
    status_of(["keys", "minimum_run"])
    assert "default " in capsys.readouterr().out


def test_every_alarm_is_listed_with_what_to_do(capsys: pytest.CaptureFixture[str]) -> None:
    """As a page."""
    assert status_of(["keys", "--alarms"]) == 0
    assert "Air too warm" in capsys.readouterr().out


@pytest.fixture(name="tree")
def _tree(tmp_path: Path) -> W1Tree:
    return W1Tree(tmp_path)


def test_probes_are_listed_with_what_each_reads(
    tree: W1Tree, capsys: pytest.CaptureFixture[str]
) -> None:
    """For people and for scripts; a fault stands in the place of a reading."""
    for probe_id, celsius in (("28-0a1b2c3d4e01", 16.5), ("28-0a1b2c3d4e02", 4.0)):
        tree.add_probe(probe_id)
        tree.set(probe_id, celsius)

    assert status_of(["probes", "--root", str(tree.root)]) == 0
    people = " ".join(capsys.readouterr().out.split())
    assert "28-0a1b2c3d4e01 16.5 °C" in people
    assert "28-0a1b2c3d4e02 4.0 °C" in people

    assert status_of(["probes", "--root", str(tree.root), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["root"] == str(tree.root)
    assert document["probes"] == [
        {"id": "28-0a1b2c3d4e01", "reading_c": 16.5, "fault": None},
        {"id": "28-0a1b2c3d4e02", "reading_c": 4.0, "fault": None},
    ]


def test_no_probe_and_no_bus_are_two_things(
    tree: W1Tree, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An empty bus is an answer; a folder that is not there is hardware that is not there."""
    assert status_of(["probes", "--root", str(tree.root)]) == 0
    assert "No thermometer under" in capsys.readouterr().out
    assert status_of(["probes", "--root", str(tmp_path / "none")]) == 69
    assert "dtoverlay=w1-gpio" in capsys.readouterr().err
