"""Notices of a rehearsal: the lookout's own rules, on the forecast as it would be published."""

from __future__ import annotations

from datetime import time
from types import SimpleNamespace
from typing import Any

import pytest

from controller.cli import rehearsal_notices as module
from controller.settings.load import read_settings
from controller.settings.scenario_file import GrowerScript
from controller.settings.shipped import shipped_config

SETTINGS = read_settings(shipped_config("larkmoor-laptop.toml"))
SCRIPT = GrowerScript(wakes=time(5, 30), sleeps=time(20, 15))


def view(forecast: object, plan: object = None) -> Any:
    return SimpleNamespace(forecast=forecast, plan=plan)


def test_a_forecast_is_published_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """A notifier is asked each minute, and a forecast stands for half an hour."""
    made: list[Any] = []
    monkeypatch.setattr(
        module,
        "published",
        lambda forecast, plan, zone: (made.append((forecast, plan)), [forecast])[1],
    )
    notices, first, second = module.RehearsedNotices(SETTINGS, SCRIPT), object(), object()

    assert notices._published(view(None)) is None
    results: list[Any] = [notices._published(view(each, "plan")) for each in (first, first, second)]

    assert results == [[first], [first], [second]]
    assert results[0] is results[1]
    assert made == [(first, "plan"), (second, "plan")]
    notices._published(view(object()))
    assert made[-1][1].swaps == ()


def test_the_hours_are_those_of_the_scenarios_person() -> None:
    """Not those of the configuration; and nobody is reminded of what they know."""
    rules = module.RehearsedNotices(SETTINGS, SCRIPT)._rules

    assert (rules.wakes, rules.sleeps, rules.repeat_s) == (time(5, 30), time(20, 15), 0.0)


def test_what_is_due_is_what_the_person_gets(monkeypatch: pytest.MonkeyPatch) -> None:
    """About the chamber as it is: it never falls silent; what was sent is remembered."""
    seen: list[Any] = []

    def due(history: object, snapshot: Any, _rules: object, now: object) -> Any:
        seen.append((history, snapshot.silent, snapshot.age_s, snapshot.status, now))
        return "history", [SimpleNamespace(about="air_high", body="Too warm.", urgent=True)]

    monkeypatch.setattr(module, "notices_due", due)
    monkeypatch.setattr(module, "Snapshot", SimpleNamespace)
    notices = module.RehearsedNotices(SETTINGS, SCRIPT)
    moment: Any = SimpleNamespace(now="now", status="status", last_swap=None, forecast=None)

    first, second = (list(notices(moment)) for _ in range(2))

    assert [(each.about, each.text, each.urgent) for each in first] == [
        ("air_high", "Too warm.", True)
    ]
    assert first == second
    assert [each[1:] for each in seen] == [(False, 0.0, "status", "now")] * 2
    assert seen[1][0] == "history"
