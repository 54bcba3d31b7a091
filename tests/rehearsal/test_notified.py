"""Notices in a rehearsal: what is told, what wakes a person, and what becomes of the crop."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from random import Random

import pytest

from controller.cli.main import status_of
from controller.cli.rehearsal_notices import RehearsedNotices
from controller.rehearsal.dry_forecaster import DryForecaster
from controller.rehearsal.grower import Freezer, Grower
from controller.rehearsal.notified import Notification, NotifiedPerson, OutsideView
from controller.rehearsal.rehearse import Rehearsal
from controller.settings.load import read_settings
from controller.settings.scenario_file import GrowerScript, read_scenario
from controller.settings.shipped import shipped_config
from controller.thermal.freezing import FreezerPace, frozen_queue

CONFIG = shipped_config("larkmoor-laptop.toml")
HOUR_S = 3600.0
NIGHT, NOON = datetime(2026, 7, 14, 2, tzinfo=UTC), datetime(2026, 7, 14, 12, tzinfo=UTC)
DUE = Notification(about="swap_due", text="Change the packs.", urgent=False)
WARM = Notification(about="air_high", text="The air is too warm.", urgent=True)


def test_a_person_knows_what_was_reported_while_it_stands() -> None:
    """An alarm until it clears; swap due by its leads until packs are changed."""
    notified = NotifiedPerson()
    notified.take([WARM], 60.0, asleep=False)
    notified.take([DUE], 120.0, asleep=True)

    assert notified.calls(frozenset({"air_high", "long_run"})) == (
        {"air_high", "swap_due"},
        {"swap_due"},
    )
    assert notified.calls(frozenset()) == ({"swap_due"}, {"swap_due"})
    assert notified.calls(frozenset({"air_high"}))[0] == {"swap_due"}
    notified.swapped()
    assert notified.calls(frozenset()) == (frozenset(), frozenset())
    assert [(each["t_s"], each["about"]) for each in notified.notices] == [
        (60.0, "air_high"),
        (120.0, "swap_due"),
    ]


@pytest.mark.parametrize(
    ("local", "woken", "planned", "comes"),
    [
        (NOON, frozenset(), None, True),
        (NIGHT, frozenset(), None, False),
        (NIGHT, frozenset({"swap_due"}), None, True),
        (NIGHT, frozenset({"air_high"}), None, False),
        (NOON, frozenset(), False, False),
        (NIGHT, frozenset({"swap_due"}), False, True),
        (NIGHT, frozenset(), True, False),
    ],
    ids=["day", "asleep", "woken", "by-another", "plan", "woken-despite-plan", "plan-at-night"],
)
def test_a_person_asleep_comes_only_for_what_woke_them(
    local: datetime, woken: frozenset[str], planned: bool | None, comes: bool
) -> None:
    """Packs are due, and frozen; the person answers that within ten minutes."""
    script = GrowerScript.model_validate(
        {"wakes": "06:30", "sleeps": "22:30", "answers": ["swap_due"], "comes_within": "10 min"}
    )
    pace = FreezerPace(refreeze_s=HOUR_S, pack_s=0.0)
    freezer = Freezer(queue=frozen_queue(2, pace))
    person = Grower(script, freezer, packs_in_use=2, random=Random(1))

    visits = [
        person.visit(60.0 * i, local, frozenset({"swap_due"}), planned=planned, woken=woken)
        for i in range(12)
    ]

    assert any(visits) is comes


def rehearsal_of(notifier: object, *, hours: float = 1.0, forecast: bool = False) -> Rehearsal:
    settings = read_settings(CONFIG)
    scenario = read_scenario(shipped_config("scenarios") / "by-notice.toml")
    made = Rehearsal(
        settings,
        scenario,
        days=hours / 24,
        seed=1,
        forecaster=DryForecaster(settings) if forecast else None,
        notifier=notifier,  # type: ignore[arg-type]
    )
    made.run()
    return made


def test_the_teller_views_once_a_minute_at_what_the_lookout_would_see() -> None:
    """Status, time and forecast; what it says is in the document, and brings the person."""
    views: list[OutsideView] = []

    def notifier(view: OutsideView) -> Sequence[Notification]:
        views.append(view)
        return [DUE] if len(views) == 30 else []

    made = rehearsal_of(notifier, hours=2)

    assert 118 <= len(views) <= 121
    assert views[0].status.stage == "fruiting"
    assert views[0].status.alarms == ()
    assert views[0].last_swap is None
    ((notice,), (swap,)) = (made.lookout.notices, made.swaps)
    assert notice["text"] == "Change the packs."
    assert 0 < swap["t_s"] - float(notice["t_s"]) <= 45 * 60 + 60
    assert views[-1].last_swap is not None
    assert (views[-1].last_swap.at - made.started).total_seconds() == swap["t_s"]
    assert views[-1].last_swap.packs == swap["packs"]


def test_a_person_who_gets_no_notice_does_not_come() -> None:
    """By notices only: the alarms stand, and nobody knows."""
    made = rehearsal_of(lambda _: [], hours=26)

    assert made.tally.alarms
    assert made.swaps == []


def test_a_person_who_gets_notice_in_time_keeps_the_crop_cool() -> None:
    """Two days that grow hotter, nobody looks: without a forecast and with it."""
    settings = read_settings(CONFIG)
    scenario = read_scenario(shipped_config("scenarios") / "by-notice.toml")
    alone = rehearsal_of(None, hours=48)
    notified_run = rehearsal_of(
        RehearsedNotices(settings, scenario.grower), hours=48, forecast=True
    )

    assert notified_run.tally.degree_hours_above < alone.tally.degree_hours_above / 4
    assert notified_run.packs_used <= 1.1 * alone.packs_used
    leads = [each for each in notified_run.lookout.notices if each["about"] == "swap_due"]
    assert leads
    assert not any(alarm.name == "air_high" for alarm in notified_run.tally.alarms)


def test_json_and_picture_carry_what_was_reported(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With --forecast; an empty list without; the same bytes again."""
    arguments = ["rehearse", str(CONFIG), "--scenario", "by-notice", "--days", "0.8"]
    picture = tmp_path / "r.html"

    def notices(*more: str) -> list[dict[str, object]]:
        assert status_of([*arguments, "--json", *more]) == 0
        result: list[dict[str, object]] = json.loads(capsys.readouterr().out)["notices"]
        return result

    sent = notices("--forecast", "--html", str(picture))

    assert sent
    assert set(sent[0]) == {"t_s", "about", "urgent", "text"}
    assert sent == notices("--forecast")
    assert notices() == []
    page = picture.read_text(encoding="utf-8")
    assert str(sent[0]["text"]) in page
    assert "How long the cold was expected to last" in page
