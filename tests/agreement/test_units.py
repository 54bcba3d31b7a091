"""One chamber in °C and in °F: the doors agree word for word, in the unit that people chose."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import UTC, datetime
from html import unescape
from pathlib import Path

import pytest
from click.testing import CliRunner
from starlette.testclient import TestClient

from controller.cli.main import coldpin
from controller.domain.published_forecast import PublishedForecast
from controller.lookout.forecasting import RecordsForecaster
from controller.planning.own_file import own_file
from controller.planning.page.plan_app import Planner, app_of
from controller.records.forecast_file import write_forecast
from controller.settings.load import read_settings
from controller.settings.shipped import shipped_config
from tests.lookout.houses import forecast, put_status, settings_with, status

LB_KG, F_PER_K = 0.45359237, 1.8
"""The international pound (NIST Handbook 44), and degrees Fahrenheit in a kelvin."""
UNITS = pytest.mark.parametrize("unit", ["C", "F"])


def chamber_in(unit: str, folder: Path) -> Path:
    """Return the example's configuration for people who use this unit."""
    file = folder / "c.toml"
    text = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")
    file.write_text(f'{text}\n[display]\nunit = "{unit}"\n', encoding="utf-8")
    return file


def printed(*arguments: str) -> list[str]:
    """Return the lines that a command prints."""
    ran = CliRunner().invoke(
        coldpin, arguments, catch_exceptions=False, env={"COLUMNS": "300", "NO_COLOR": "1"}
    )
    return ran.output.splitlines()


@UNITS
def test_size_and_the_plan_page_say_the_same(
    unit: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The verdict, then packs a day, ice and freezer, each rehearsed by its own door."""
    file = chamber_in(unit, tmp_path)
    own = own_file(file.read_text(encoding="utf-8"), tmp_path, read_settings(file))
    planner = Planner(file=file, start={}, write=lambda *_: None, own=own)
    monkeypatch.setattr("controller.cli.size.best_changes", lambda _: ())

    verdict, supply = printed("size", str(file))[:2]
    page = unescape(TestClient(app_of(planner)).get("/result").text)

    assert verdict.startswith("Works")
    assert f" {'lb' if unit == 'F' else 'kg'} of ice melted" in supply
    assert verdict in page
    assert supply in page


@UNITS
def test_a_rehearsal_prints_its_document_in_the_unit_that_people_chose(
    unit: str, tmp_path: Path
) -> None:
    """Ice as `size` gives it, in kilograms or pounds; degree-hours in K·h or °F·h."""
    file = chamber_in(unit, tmp_path)
    hot = ("rehearse", str(file), "--scenario", "hot-days", "--days", "1")

    text = "\n".join(printed(*hot))
    document = json.loads("\n".join(printed(*hot, "--json")))

    name, per_kg, hours, per_k = (
        ("lb", 1.0 / LB_KG, "°F·h", F_PER_K) if unit == "F" else ("kg", 1.0, "K·h", 1.0)
    )
    ice = re.search(rf"([\d.]+) {name} of ice melted", text)
    above = re.search(rf"([\d.]+) {hours} above cut-in", text)
    assert ice is not None
    assert above is not None
    assert float(ice[1]) == pytest.approx(per_kg * document["ice_melted_kg"], abs=0.051)
    assert float(above[1]) == pytest.approx(per_k * document["degree_hours_above"], abs=0.0051)


def test_status_and_forecast_name_the_same_first_step(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before any pack change is logged."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    settings_with(tmp_path, "")
    now = datetime.now(UTC).replace(microsecond=0)
    unknown = replace(
        forecast(now), as_of=now, basis="unknown", notes=("no pack change is known yet",)
    )

    def no_forecast(*_: object) -> PublishedForecast:
        return unknown

    monkeypatch.setattr(RecordsForecaster, "forecast", no_forecast)
    put_status(tmp_path, status(as_of=now))
    write_forecast(tmp_path, unknown)
    config = str(tmp_path / "c.toml")

    assert printed("forecast", config) == [
        "No forecast yet. Log your first pack change to start it."
    ]
    assert printed("forecast", config)[0] in printed("status", config)
