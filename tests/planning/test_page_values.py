"""Cost, shopping list, nights and combined changes, as the page of `coldpin plan` shows them."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Any, cast

import pytest
from starlette.testclient import TestClient

from controller.cli.new_file import replace_content
from controller.errors import PhysicsError
from controller.planning import mend
from controller.planning.answers import UNKNOWN, Answers, complete
from controller.planning.changes import Change
from controller.planning.configuration import configuration_text
from controller.planning.consultation import (
    OUT_FOR_S,
    Consultation,
    OutdatedError,
    _first_draft,
    consult,
    draft_of,
    first_failure,
    settings_of,
)
from controller.planning.equipment import equipment_of
from controller.planning.ideas import Effort
from controller.planning.page import plan_app
from controller.planning.page.view import changes_of, controls_of, waking
from controller.planning.running_cost import running_cost
from controller.planning.shopping import shopping_list
from controller.planning.verdict import Judgement, Verdict
from controller.rehearsal.trace_row import TraceRow
from controller.settings.load import read_settings
from controller.settings.shipped import shipped_config


class Like:
    """A value with just these attributes."""

    def __init__(self, **attributes: Any) -> None:
        self.__dict__.update(attributes)


def judgement(**attributes: Any) -> Judgement:
    plant = equipment_of(complete({"day": "30 C", "night": "22 C"}))
    return cast(
        "Judgement",
        Like(
            build=Like(plant=plant),
            days=None,
            design=Like(conditions=Like(air_c=17.0)),
            supply=Like(ice_kg_per_day=7.5),
            holds=True,
            **attributes,
        ),
    )


def test_electricity_of_ice_beside_a_cooled_room() -> None:
    """Worked by hand: 35 W of heat are 7.5 kg of ice, 0.75 kWh; a room 9 K cooler, 8.2 kWh."""
    cost = running_cost(judgement())

    assert cost.ice_kwh == pytest.approx(0.75)
    assert cost.room_kwh == pytest.approx((80 * 9 + 300) * 24 / 3000)
    assert cost.total_kwh < cost.room_kwh


def test_the_shopping_list_follows_answers_and_changes() -> None:
    answers = complete({"units": "us", "walls": "tent", "cooler_volume": "48 qt"})
    plant = equipment_of(answers)

    plain = dict(shopping_list(answers, plant, {}))
    foamed = dict(shopping_list(answers, plant, {"foam": "", "second-core": ""}))

    assert "insulate the chamber" not in plain
    assert plain["hold the cold water"].startswith("a cooler of 48 qt")
    # 4 ft² of floor and top each, 8 ft² for each of four sides: 40 ft² and a tenth for cuts
    assert foamed["insulate the chamber"].startswith("44 ft²")
    assert foamed["cool the air"].startswith("two cores")


@pytest.mark.parametrize(
    ("change", "purpose", "before", "after"),
    [
        ("larger-freezer", "freeze the packs", "ice box inside a fridge", "by its rating plate"),
        ("no-food", "freeze the packs", "ice box inside a fridge", "without food in it"),
        ("flat-packs", "carry the cold", "1 L (1 qt) bottle", "flat pack of 2 lb, 1.2 in thick"),
        ("smaller-core", "cool the air", "a finned core", "a core of half the face"),
        ("insulate-box", "hold the cold water", "ordinary cooler", "1 in of foam around it"),
    ],
)
def test_the_shopping_list_names_what_a_change_brings(
    change: str, purpose: str, before: str, after: str
) -> None:
    """And in a grower's own units."""
    texts = {"units": "us", "freezer": "ice-box", "walls": "foam-50", "lights": "0 W"}
    shown = []
    for changes in ((), (change,)):
        draft = _first_draft(complete(texts, changes))
        applied = {each.key: each.what for each in draft.applied}
        shown.append(dict(shopping_list(draft.answers, draft.plant, applied))[purpose])

    assert before in shown[0]
    assert after in shown[1]
    assert after not in shown[0]


@pytest.mark.parametrize(
    ("ends", "words"),
    [
        ([14.0], "Not needed"),
        ([14.0, 27.5], "runs out at 03:30, while you sleep"),
        ([None], "Not needed"),
    ],
)
def test_getting_up_at_night_is_read_off_the_sets(ends: list[float | None], words: str) -> None:
    began = datetime(2026, 7, 13, tzinfo=UTC)
    sets = [Like(put_in_h=0.0, useful_h=each) for each in ends]
    result = Like(
        judgement=Like(days=Like(rehearsed_days=3.0, sets=sets), holds=True),
        settings=Like(people=Like(sleeps=time(22, 30), wakes=time(6, 30))),
        rows=[Like(time=began), Like(time=began + timedelta(days=3))],
    )

    assert words in waking(cast("Consultation", result))


def test_the_first_failure_lasts() -> None:
    """A door that stood open for some minutes is none."""
    settings = settings_of(configuration_text(draft_of(complete({}))))
    hot_mc = settings.stages["fruiting"].cut_in + 1500
    began = datetime(2026, 7, 13, tzinfo=UTC)

    def rows(*hot_min: int) -> tuple[TraceRow, ...]:
        return tuple(
            TraceRow(
                time=began + timedelta(minutes=minute),
                readings_mc={"air": hot_mc if minute in hot_min else hot_mc - 3000},
                pump=True,
                fan=True,
                swap_packs=None,
            )
            for minute in range(120)
        )

    lasting = range(40, 41 + round(OUT_FOR_S / 60))
    assert first_failure(rows(*range(10, 20)), settings) is None
    assert first_failure(rows(*lasting), settings) == began + timedelta(minutes=40)
    assert first_failure(rows(*lasting[:-1]), settings) is None


def test_work_that_nobody_waits_for_ends() -> None:
    asked: list[bool] = []

    def is_outdated() -> bool:
        asked.append(True)
        return len(asked) > 3

    with pytest.raises(OutdatedError):
        consult(complete({}), is_outdated=is_outdated)
    assert len(asked) == 4


def test_the_fewest_changes_that_hold_are_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """Foam and a second core are needed; what stands between them in the order is left out."""
    monkeypatch.setattr(mend, "_holds", lambda _, keys: {"foam", "second-core"} <= set(keys))
    answers = complete({"walls": "tent", "food": "none", "fresh_air": "passive"})
    settings = settings_of(configuration_text(draft_of(answers)))
    build = mend.Build(settings=settings, plant=settings.plant_spec())

    result = mend.mended_answers(
        cast("Judgement", Like(build=build, holds=False, verdict=Verdict.CANNOT))
    )

    assert result is not None
    assert [each.key for each in result.applied] == ["foam", "second-core"]


def test_no_combination_is_reported_as_such(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mend, "_holds", lambda *_: False)

    cannot = Like(build=None, holds=False, verdict=Verdict.CANNOT)
    assert mend.mended_answers(cast("Judgement", cannot)) is None


def test_controls_show_what_was_answered_not_known_and_not_understood() -> None:
    controls = controls_of(complete({"day": UNKNOWN, "blocks": "heavy", "freezer": "fridge"}))
    every = {each.key: each for _, topic in controls.topics for each in topic}

    assert every["day"].unknown
    assert every["blocks"].problem
    assert "freezer_volume" not in every
    assert not every["name"].may_be_unknown


@pytest.mark.parametrize(
    ("verdict", "lead", "sentence"),
    [
        (Verdict.HOLDS, "Each of these brings something.", "foam: 25% less ice"),
        (
            Verdict.SHORT,
            "Cheapest that makes it work: foam (an afternoon of work).",
            "foam: 6 h a day more in band, and it works",
        ),
    ],
)
def test_what_a_change_brings_depends_on_the_build_and_not_on_the_changes(
    verdict: Verdict, lead: str, sentence: str
) -> None:
    """A build that does not hold, with each single change enough, is not one that holds."""
    change = Change(
        key="foam",
        what="foam",
        effort=Effort.WORK,
        before=1.0,
        after=0.5,
        unit="W/K",
        gain=0.25,
        holds=True,
    )

    shown = changes_of((change,), verdict)

    assert shown.lead == lead
    assert [each.sentence for each in shown.changes] == [sentence]


def test_without_changes_the_page_names_none_that_would_harm() -> None:
    """A cooler place is no advice for a room that is too cold already."""
    leads = {verdict: changes_of((), verdict).lead for verdict in Verdict}

    assert "cooler place" in leads[Verdict.CANNOT]
    assert "cooler" not in leads[Verdict.NEEDS_HEAT]
    assert leads[Verdict.HOLDS].startswith("It works")


def consultation_of(answers: Answers) -> Consultation:
    """Return a consultation that was not rehearsed."""
    draft = draft_of(answers)
    settings = settings_of(configuration_text(draft))
    return Consultation(draft=draft, settings=settings, judgement=judgement(), rows=())


def test_what_cannot_be_saved_is_reported_with_its_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By the writer that `coldpin plan` gives the page: a folder that is missing is no crash."""
    asked = plan_app.PlanQuery(complete({}), 0.3, plan_app.Turn("", 0), "name=box")
    planner = plan_app.Planner(file=tmp_path / "gone" / "box.toml", start={}, write=replace_content)
    monkeypatch.setattr(plan_app, "consult", lambda answers, **_: consultation_of(answers))

    assert (
        plan_app._save(planner, asked, replace=False).headers["location"].endswith("refused=disk")
    )

    def refuse(*_: object, **__: object) -> Consultation:
        raise PhysicsError("too warm")

    monkeypatch.setattr(plan_app, "consult", refuse)
    other = plan_app.PlanQuery(complete({"blocks": "3 kg"}), 0.3, plan_app.Turn("", 0), "name=box")
    assert (
        plan_app._save(planner, other, replace=False)
        .headers["location"]
        .endswith("refused=chamber")
    )


def test_a_remembered_result_is_saved_with_the_answers_that_were_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """20 W that were assumed and 20 W that were given are one rehearsal and two files."""
    planner = plan_app.Planner(file=tmp_path / "box.toml", start={}, write=replace_content)
    monkeypatch.setattr(plan_app, "consult", lambda answers, **_: consultation_of(answers))

    assumed = planner.consultation(complete({"lights": UNKNOWN}))
    monkeypatch.delattr(plan_app, "consult")
    given = planner.consultation(complete({"lights": "20 W"}))

    assert "lights_w = 20  # watts while they are on (assumed: not known)" in assumed.text
    assert "lights_w = 20  # watts while they are on\n" in given.text


def test_a_question_is_outdated_by_later_ones_of_its_own_page_alone(tmp_path: Path) -> None:
    planner = plan_app.Planner(file=tmp_path / "box.toml", start={}, write=replace_content)

    assert planner.take(plan_app.Turn("one", 7))
    assert planner.take(plan_app.Turn("other", 1))
    assert planner.take(plan_app.Turn("one", 7)), "sketch, result and list are of one question"
    assert not planner.take(plan_app.Turn("one", 6))
    with pytest.raises(OutdatedError):
        planner.consultation(complete({}), turn=plan_app.Turn("one", 6))

    for number in range(plan_app.MOST_PAGES):
        planner.take(plan_app.Turn(f"page {number}", 1))
    assert planner.take(plan_app.Turn("one", 6)), "forgotten"


def test_answers_that_make_no_chamber_are_reported_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At the verdict's place, and not at that of the changes too."""

    def refuse(*_: object, **__: object) -> Consultation:
        raise PhysicsError("too warm")

    monkeypatch.setattr(plan_app, "consult", refuse)
    planner = plan_app.Planner(file=tmp_path / "box.toml", start={}, write=replace_content)
    client = TestClient(plan_app.app_of(planner))

    assert "These answers make no chamber: too warm" in client.get("/result").text
    assert client.get("/better").text.strip() == ""


def test_usual_answers_follow_the_place_where_the_page_comes_anew(tmp_path: Path) -> None:
    """Those of the page are not the grower's; what stays shown is what is rehearsed and saved."""
    planner = plan_app.Planner(file=tmp_path / "box.toml", start={}, write=replace_content)
    form = {
        "place": ["garage"],
        "day": ["29 C"],
        "night": ["20 C"],
        "blocks": ["10 kg"],
        "usual": ["day=29 C", "night=24 C", "blocks=10 kg"],
    }

    anew = plan_app.plan_query_of(form, planner, whole=True).answers
    part = plan_app.plan_query_of(form, planner).answers

    assert anew.of["day"].text == "35 C"
    assert anew.of["night"].text == part.of["night"].text == "20 C"
    assert part.of["day"].text == "29 C"
    assert part.assumed("blocks")
    assert not part.assumed("day")


def test_the_first_failure_is_against_the_band_of_its_hour() -> None:
    """Air that a warmer night allows is none; air above a cooler night's is."""
    settings = read_settings(shipped_config("larkmoor-laptop.toml"))
    name = settings.chamber.stage
    stage = settings.stages[name]
    assert stage.night is not None
    assert (stage.cut_in, stage.night.cut_in) == (17_000, 16_500)

    def failure(night_cut_in: int, air_mc: int) -> datetime | None:
        night = stage.night.model_copy(update={"cut_in": night_cut_in}) if stage.night else None
        stages = {**settings.stages, name: stage.model_copy(update={"night": night})}
        rows = tuple(
            TraceRow(
                time=datetime(2026, 7, 13, 1, minute, tzinfo=UTC),
                readings_mc={"air": air_mc},
                pump=False,
                fan=False,
                swap_packs=None,
            )
            for minute in range(40)
        )
        return first_failure(rows, settings.model_copy(update={"stages": stages}))

    assert failure(20_000, 18_500) is None
    assert failure(16_500, 17_700) is not None
