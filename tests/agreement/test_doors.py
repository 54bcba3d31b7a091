"""The same chamber asked through every door gives the same figures and the same words."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import pytest

from controller.domain.alarm_guide import alarm_title, guide_of
from controller.pictures import words
from tests.agreement.doors import AIR_C, IDS, PACKS, RESERVOIR_C, Asked, asked_chamber

TEXTS: dict[str, Callable[[Asked], str]] = {
    "status": lambda chamber: chamber.command("status"),
    "page": lambda chamber: chamber.page(),
    "notices": lambda chamber: chamber.notices(),
    "chambers": lambda chamber: chamber.command("chambers"),
}


@pytest.fixture
def chamber(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Asked:
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    return asked_chamber(tmp_path)


def test_temperatures_are_the_same_figures(chamber: Asked) -> None:
    """In documents and figures to the last digit."""
    status = chamber.status_json()["status"]
    broker = chamber.broker("state")["status"]
    others = chamber.chambers_json()
    figures = chamber.metrics()

    for name, expected in (("air", AIR_C), ("reservoir", RESERVOIR_C)):
        assert status["probes"][name]["reading_c"] == expected
        assert broker["probes"][name]["reading_c"] == expected
        assert others[f"{name}_c"] == expected
        assert figures["coldpin_temperature_celsius", name] == expected
    assert broker == status


@pytest.mark.parametrize("door", TEXTS)
def test_temperatures_are_the_same_words(chamber: Asked, door: str) -> None:
    """On every screen and in every message by the one function for it."""
    assert words.temperature(AIR_C * 1000) in TEXTS[door](chamber)


@pytest.mark.parametrize("door", ["status", "page"])
def test_place_value_and_id_of_a_probe_stand_together(chamber: Asked, door: str) -> None:
    """So that nobody takes one thermometer for another; documents have the three as well."""
    text = re.sub(r"<[^>]*>|\s+", " ", TEXTS[door](chamber))
    probes = chamber.status_json()["status"]["probes"]

    for name, value_c in (("air", AIR_C), ("reservoir", RESERVOIR_C)):
        shown = words.temperature(value_c * 1000)
        assert re.search(rf"{name.capitalize()} +{re.escape(f'{shown} ({IDS[name]})')}", text)
        assert (probes[name]["reading_c"], probes[name]["id"]) == (value_c, IDS[name])


@pytest.mark.parametrize("door", TEXTS)
def test_an_alarm_has_one_title(chamber: Asked, door: str) -> None:
    """The guide's, with the probe that it is about; never the name that scripts see."""
    text = TEXTS[door](chamber).replace('id="alarm-air_high"', "")

    assert alarm_title("air_high") in text
    assert alarm_title("probe_lost", "room") in text
    assert "air_high" not in text.replace('value="air_high"', "")


@pytest.mark.parametrize("door", ["status", "page", "notices"])
def test_an_alarm_has_one_first_action(chamber: Asked, door: str) -> None:
    """What to do first is the same by every door."""
    assert "The water is still cold: close the chamber" in TEXTS[door](chamber)
    assert guide_of("air_high").action not in TEXTS[door](chamber), "that is for warm water"


def test_alarms_are_the_same_set(chamber: Asked) -> None:
    """Documents and figures name them as scripts know them."""
    expected = {("probe_lost", "room"), ("air_high", "")}

    for document in (chamber.status_json()["status"], chamber.broker("alarms")):
        assert {(each["name"], each["about"]) for each in document["alarms"]} == expected
    assert set(chamber.chambers_json()["alarms"]) == {name for name, _ in expected}
    standing = {label for name, label in chamber.metrics() if name == "coldpin_alarm_standing"}
    assert standing == {name for name, _ in expected}


def test_a_forecast_is_the_same_instants(chamber: Asked) -> None:
    """Early bound, most likely end and late bound, in every document and figure."""
    forecast = chamber.snapshot.forecast
    assert forecast is not None
    instants = {"early": forecast.early, "swap_due": forecast.swap_due, "late": forecast.late}
    figures = chamber.metrics()
    others = chamber.chambers_json()

    for name, at in instants.items():
        assert at is not None
        for document in (chamber.status_json()["forecast"], chamber.broker("forecast")["forecast"]):
            assert datetime.fromisoformat(document[name]) == at
        label = {"swap_due": "likely"}.get(name, name)
        assert figures["coldpin_swap_due_timestamp_seconds", label] == at.timestamp()
        assert datetime.fromisoformat(others[{"swap_due": "due"}.get(name, name)]) == at


@pytest.mark.parametrize("door", TEXTS)
def test_a_forecast_is_the_same_hour(chamber: Asked, door: str) -> None:
    """The early bound in local time, by the one function for instants."""
    forecast = chamber.snapshot.forecast
    assert forecast is not None
    assert forecast.early is not None
    local = chamber.now.astimezone(chamber.settings.site.zone())

    assert words.moment(forecast.early, local, far=False) in TEXTS[door](chamber)


def test_the_last_pack_change_is_the_same(chamber: Asked) -> None:
    """By when the packs went in, not by which note came last."""
    swap = chamber.snapshot.last_swap
    document = chamber.status_json()["last_swap"]

    assert swap is not None
    assert (swap.packs, document["packs"]) == (PACKS, PACKS)
    assert datetime.fromisoformat(document["at"]) == swap.at
    for text in (chamber.command("status"), chamber.page()):
        assert f"{PACKS} packs" in text
