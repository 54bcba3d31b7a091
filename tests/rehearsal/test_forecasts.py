"""A rehearsal with the lookout's forecast: it sees the probes only; a person goes by its plan."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from random import Random

import pytest

from controller.cli.main import status_of
from controller.foresight.forecast import Forecast
from controller.rehearsal.dry_forecaster import DryForecaster
from controller.rehearsal.grower import FROZEN_THROUGH, Freezer, Grower
from controller.rehearsal.rehearse import Rehearsal
from controller.settings.load import read_settings
from controller.settings.scenario_file import GrowerScript, read_scenario
from controller.settings.shipped import shipped_config
from controller.thermal.freezing import FreezerPace, frozen_queue

CONFIG = shipped_config("larkmoor-laptop.toml")
HOUR_S = 3600.0
MORNING = datetime(2026, 7, 1, 7, 15, tzinfo=UTC)
LATER = MORNING.replace(hour=15)


def run(
    days: float,
    *,
    foresee: bool,
    packs: int = 8,
    folder: Path | None = None,
    every_s: float = DryForecaster.every_s,
) -> Rehearsal:
    config = CONFIG
    if folder is not None:
        config = folder / "c.toml"
        text = CONFIG.read_text(encoding="utf-8").replace("count = 8", f"count = {packs}")
        config.write_text(text, encoding="utf-8")
    settings = read_settings(config)
    scenario = read_scenario(shipped_config("scenarios") / "heat-wave.toml")
    forecaster = DryForecaster(settings)
    forecaster.every_s = every_s
    rehearsal = Rehearsal(
        settings, scenario, days=days, seed=1, forecaster=forecaster if foresee else None
    )
    rehearsal.run()
    return rehearsal


def test_forecasts_come_each_half_hour_with_their_bounds_in_order() -> None:
    """From the first swap on; none looks back."""
    forecasts = run(0.5, foresee=True).lookout.forecasts

    assert len(forecasts) > 20
    for each in forecasts:
        assert each["t_s"] is not None
        known = [each[key] for key in ("early_t_s", "swap_due_t_s", "late_t_s")]
        there = [value for value in known if value is not None]
        assert there == sorted(there)


def test_packs_are_due_by_the_longest_lead_as_in_the_lookout() -> None:
    """The first notice of a rehearsal comes as early as the grower asked for, and no earlier."""
    settings = read_settings(CONFIG)
    longest_s = max(settings.notices.swap_due_before)
    dry = DryForecaster(settings)

    def due_in(ahead_s: float) -> Forecast:
        return Forecast(as_of_s=0.0, early_s=ahead_s, due_s=ahead_s, basis="sized")

    assert longest_s > 0.0
    assert dry.due(due_in(longest_s)) is True
    assert dry.due(due_in(longest_s + 60.0)) is False
    assert dry.due(Forecast(as_of_s=0.0)) is None


def test_a_person_with_a_plan_loses_less_of_the_crop(tmp_path: Path) -> None:
    """Three days into the heat, with packs for three sets: fewer packs, and less air too warm.

    A look ahead each hour is enough for it, and takes half the time of one each half hour.
    """
    habit = run(3.0, foresee=False, packs=12, folder=tmp_path)
    plan = run(3.0, foresee=True, packs=12, folder=tmp_path, every_s=HOUR_S)

    assert plan.packs_used <= habit.packs_used
    assert plan.tally.degree_hours_above < 0.8 * habit.tally.degree_hours_above


TEN_HOURS = FreezerPace(refreeze_s=10 * HOUR_S, pack_s=0.0)


def grower(freezer: Freezer) -> Grower:
    script = GrowerScript.model_validate(
        {"wakes": "06:30", "sleeps": "22:30", "swaps_at": ["07:15"], "answers": ["swap_due"]}
    )
    return Grower(script, freezer, packs_in_use=2, random=Random(1))


@pytest.mark.parametrize(
    ("planned", "comes"), [(None, True), (False, False), (True, True)], ids=["habit", "not", "now"]
)
def test_a_plan_takes_the_place_of_habit(planned: bool | None, comes: bool) -> None:
    """At the hour of habit: without a plan, with one that says later, with one that says now."""
    freezer = Freezer(queue=frozen_queue(2, TEN_HOURS))

    visit = grower(freezer).visit(
        0.0, datetime(2026, 7, 1, 7, 15, tzinfo=UTC), frozenset(), planned=planned
    )

    assert (visit is not None) is comes


def test_a_person_with_a_plan_waits_for_frozen_packs() -> None:
    """Half frozen is for emergencies."""
    freezer = Freezer(queue=frozen_queue(0, TEN_HOURS))
    freezer.put(2, 0.0)
    person = grower(freezer)

    early = person.visit(8 * HOUR_S, LATER, frozenset(), planned=True)
    ready = person.visit(10 * HOUR_S, LATER, frozenset(), planned=True)

    assert early is None
    assert ready is not None
    assert ready.frozen_share >= FROZEN_THROUGH


def test_json_carries_the_forecasts(capsys: pytest.CaptureFixture[str]) -> None:
    """With --forecast, and an empty list without."""
    arguments = ["rehearse", str(CONFIG), "--days", "0.2", "--json"]

    assert status_of([*arguments, "--forecast"]) == 0
    foreseen = json.loads(capsys.readouterr().out)["forecasts"]
    assert status_of(arguments) == 0

    assert foreseen
    assert json.loads(capsys.readouterr().out)["forecasts"] == []
