"""Any configuration opens as answers; moving one changes what it governs and no other byte.

Documents are compared as tomllib reads them, texts line by line with difflib.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import pytest

from controller.cli.new_file import exact_content
from controller.planning.answers import Answers, OwnFile, complete, texts_in
from controller.planning.configuration import settings_of
from controller.planning.consultation import Consultation, draft_of
from controller.planning.equipment import equipment_of
from controller.planning.own_draft import OwnDraft, learned_figures, own_draft
from controller.planning.own_file import _same, own_file
from controller.planning.page import plan_app
from controller.planning.page.plan_app import Planner
from controller.planning.page.view import _stage_kept
from controller.planning.verdict import Judgement, judge
from controller.planning.verdict_words import supply_sentence
from controller.planning.weather_spell import placed_plant
from controller.settings.load import read_settings
from controller.settings.shipped import shipped_config
from controller.thermal.freezing import freezers_kg_per_day

ODD = Path(__file__).parent / "odd-layout.toml"
FILES = {
    "laptop": shipped_config("larkmoor-laptop.toml"),
    "pi": shipped_config("skerrow-pi.toml"),
    "odd": ODD,
}
MOVES = {
    "species": ("shiitake", {"chamber.species", "stages", "limits", "plant.chamber"}),
    "walls": ("foam-25", {"plant.chamber"}),
    "size": ("80 x 60 x 110 cm", {"plant.chamber"}),
    "blocks": ("7 kg", {"plant.chamber.crop_kg"}),
    "lights": ("11 W", {"plant.chamber.lights_w"}),
    "fresh_air": ("timer", {"plant.chamber.air_changes_per_h"}),
    "humidifier": ("large", {"plant.chamber.humidifier_kg_per_h"}),
    "day": ("31 C", {"plant.room.day_c"}),
    "night": ("19 C", {"plant.room.night_c"}),
    "humidity": ("dripping", {"plant.room.rh"}),
    "cooler": ("thick", {"plant.reservoir.ua_w_k"}),
    "cooler_volume": ("60 L", {"plant.reservoir"}),
    "pack": ("jug", {"plant.packs"}),
    "packs_in_water": ("5", {"plant.packs.in_reservoir"}),
    "packs": ("19", {"plant.packs.count"}),
    "freezer": ("ice-box", {"plant.freezer"}),
    "freezer_volume": ("120 L", {"plant.freezer"}),
    "food": ("full", {"plant.freezer.food"}),
    "core": ("240", {"plant.coil", "plant.chamber.fans_w"}),
    "fan": ("loud", {"plant.coil", "plant.chamber.fans_w"}),
    "pump": ("400 L/h", {"plant.coil.water_kg_s", "plant.reservoir.pump_w"}),
    "sleeps": ("21:00", {"people.sleeps"}),
    "wakes": ("05:15", {"people.wakes"}),
    "name": ("another name", {"chamber.name"}),
}
"""Question, what it is moved to, and where keys may change."""


def opened(file: Path, text: str | None = None) -> OwnFile:
    content = file.read_bytes().decode() if text is None else text
    return own_file(content, file.parent, settings_of(content, file.parent), texts_in(content))


def drafted(own: OwnFile, texts: dict[str, str], *changes: str) -> OwnDraft:
    answers = complete(texts, changes, own)
    assert answers.problems == {}
    return own_draft(answers, own)


def leaves(table: dict[str, Any], above: str = "") -> Iterator[tuple[str, Any]]:
    for key, value in table.items():
        path = f"{above}{key}"
        if isinstance(value, dict):
            yield from leaves(value, f"{path}.")
        else:
            yield path, value


def changed_keys(before: str, after: str) -> set[str]:
    old, new = (
        dict(leaves(tomllib.loads(each.removeprefix("\ufeff")))) for each in (before, after)
    )
    return {key for key in {*old, *new} if old.get(key) != new.get(key)}


def lines_lost(before: str, after: str) -> list[str]:
    return [
        line for line in difflib.ndiff(before.splitlines(), after.splitlines()) if line[0] == "-"
    ]


@pytest.mark.parametrize("file", FILES)
def test_a_file_that_nobody_moved_is_saved_byte_for_byte(file: str) -> None:
    own = opened(FILES[file])

    draft = drafted(own, {})

    assert draft.text.encode() == FILES[file].read_bytes()
    assert draft.difference == ()
    assert equipment_of(draft.answers) == read_settings(FILES[file]).plant_spec()


@pytest.mark.parametrize("file", FILES)
@pytest.mark.parametrize("key", MOVES)
def test_a_moved_answer_changes_only_what_it_governs(file: str, key: str) -> None:
    """And reads back as that answer, the others as they were."""
    own = opened(FILES[file])
    if key == "freezer_volume" and key not in own.answers:
        pytest.skip("its freezer is one whose volume is not asked")
    text, governed = MOVES[key]

    draft = drafted(own, {key: text})

    changed = changed_keys(own.content, draft.text)
    assert changed
    for path in changed:
        assert any(path == each or path.startswith(f"{each}.") for each in governed), path
    values = {path.rpartition(".")[2] for path in changed}
    for line in lines_lost(own.content, draft.text):
        assert any(value in line for value in values), line
    again = opened(FILES[file], draft.text)
    others = set(own.answers) - {key} - ({"core", "fan"} if key in {"core", "fan"} else set())
    if key in {"pack", "packs_in_water", "cooler_volume"}:
        others -= {"cooler_volume", "cooler"}  # what the box holds follows from water and packs
    if key in {"freezer", "freezer_volume"}:
        others -= {"freezer", "freezer_volume"}
    assert {each: again.answers[each].text for each in others if each in again.answers} == {
        each: own.answers[each].text for each in others if each in again.answers
    }
    expected = complete({key: text}, (), own)
    if again.answers[key].fits and key not in {"size", "cooler_volume"}:
        assert _same(again.answers[key].value, expected[key])


def test_other_species_bring_their_own_band_and_limits() -> None:
    own = opened(FILES["laptop"])
    before, after = own.settings, settings_of(drafted(own, {"species": "shiitake"}).text)

    fruiting = after.stages[after.chamber.stage]
    assert fruiting != before.stages[before.chamber.stage]
    assert after.limits.low_limit < min(
        each.cut_out if each.night is None else min(each.cut_out, each.night.cut_out)
        for each in after.stages.values()
    )
    assert fruiting.night is not None
    assert fruiting.cut_in - fruiting.night.cut_in == pytest.approx(
        before.stages[before.chamber.stage].cut_in
        - before.stages[before.chamber.stage].night.cut_in,  # type: ignore[union-attr]
        abs=100,
    )


def test_a_stage_of_ones_own_keeps_its_points_and_the_page_says_so() -> None:
    """A stage named in another language: another species has no band for it."""
    text = FILES["laptop"].read_text(encoding="utf-8")
    text = text.replace('stage = "fruiting"', 'stage = "Ernte"').replace(
        "stages.fruiting", "stages.Ernte"
    )
    own = own_file(text, FILES["laptop"].parent, settings_of(text))

    def cautions(content: OwnFile, species: str) -> list[str]:
        draft = own_draft(complete({"species": species}, (), content), content)
        settings = settings_of(draft.text)
        shown = Consultation(
            draft=draft, settings=settings, judgement=cast("Judgement", None), rows=()
        )
        return list(_stage_kept(shown))

    (caution,) = cautions(own, "pink-oyster")
    assert "in the stage “Ernte” is not known" in caution
    assert cautions(own, "king-oyster") == []
    known = FILES["laptop"].read_text(encoding="utf-8")
    assert cautions(own_file(known, own.folder, settings_of(known)), "pink-oyster") == []


def test_a_stage_that_the_file_lacks_comes_with_its_band() -> None:
    own = opened(ODD)

    after = settings_of(drafted(own, {"stage": "pinning"}).text)

    assert after.chamber.stage == "pinning"
    assert {"pinning", "resting", "fruiting"} == set(after.stages)


def test_answers_are_in_the_units_of_the_file_and_say_where_none_fits() -> None:
    odd, laptop = opened(ODD).answers, opened(FILES["laptop"]).answers

    assert odd["day"].text == "79 F"
    assert odd["blocks"].text == "20 lb"
    assert odd["size"].text == "2 ft x 2 ft x 4 ft"
    assert odd["walls"].text == "as in your file: R-6.3"
    assert odd["pack"].value == "bottle-1"
    assert laptop["size"].text == "as in your file: 0.35 m³, 3 m² of walls"
    assert laptop["core"].text == "as in your file: takes 6 W/K from the air"
    assert laptop["day"].text == "27 C"


def test_figures_keep_the_form_in_which_they_were_written() -> None:
    text = drafted(opened(ODD), {"day": "90 F", "night": "70 F", "blocks": "30 lb"}).text

    assert 'day_c = "90 F"' in text
    assert "night_c = 21.11 # measured in °C" in text
    assert 'crop_kg = "30 lb"' in text
    assert not text.endswith("\n")


def test_another_place_brings_its_own_day_and_night() -> None:
    answers = complete({"place": "garage", "day": "27 C"}, (), opened(FILES["laptop"]))

    assert answers.of["day"].text == "35 C"
    assert answers.of["night"].text == "24 C"


def test_an_applied_change_is_written_as_the_keys_that_it_moves() -> None:
    own = opened(FILES["laptop"])

    draft = drafted(own, {}, "foam", "one-more-set")

    assert changed_keys(own.content, draft.text) == {
        "plant.chamber.wall_u_w_m2k",
        "plant.packs.count",
    }
    assert [each.key for each in draft.applied] == ["foam", "one-more-set"]
    assert draft.difference[0] == "- wall_u_w_m2k = 0.51"


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_byte_order_mark_and_line_ends_stay(end: str) -> None:
    content = "\ufeff" + FILES["laptop"].read_text(encoding="utf-8").replace("\n", end)

    after = drafted(opened(FILES["laptop"], content), {"lights": "9 W"}).text

    assert after == content.replace("lights_w = 4.0", "lights_w = 9.0")


def test_a_file_from_answers_that_was_changed_by_hand_keeps_both() -> None:
    """What a person wrote into it since stands; the answers that still hold are theirs."""
    made = draft_of(complete({"units": "us", "walls": "tote", "name": "tote"})).text
    edited = made.replace("lights_w = 10 ", "lights_w = 33 ").replace(
        "[probes.room]", "# the shelf\n[probes.room]"
    )
    own = opened(ODD, edited)
    assert own.answers["walls"].text == "tote"
    assert own.answers["lights"].text == "33 W"

    text = drafted(own, {"blocks": "30 lb"}).text

    assert "# the shelf\n[probes.room]" in text
    assert "lights_w = 33 " in text
    assert '#: blocks = "30 lb"' in text
    assert '#: walls = "tote"' in text


def test_figures_that_a_fit_learned_are_named_where_they_stay(tmp_path: Path) -> None:
    (tmp_path / "learned.toml").write_text("[plant.reservoir]\nua_w_k = 0.8\n", encoding="utf-8")
    file = tmp_path / "c.toml"
    text = FILES["laptop"].read_text(encoding="utf-8")
    file.write_text(text + '\n[plant]\nfitted = "learned.toml"\n', encoding="utf-8")
    own = opened(file)

    draft = drafted(own, {"cooler": "thick", "lights": "9 W"})

    settings = settings_of(draft.text, tmp_path)
    assert learned_figures(draft, settings) == ("plant.reservoir.ua_w_k",)

    changed = own_draft(complete({}, ("insulate-box", "larger-freezer"), own), own)
    settings = settings_of(changed.text, tmp_path)
    assert [each.key for each in changed.applied] == ["insulate-box", "larger-freezer"]
    assert learned_figures(changed, settings) == ("plant.reservoir.ua_w_k",)


def test_a_small_figure_that_a_fit_learned_is_named_too(tmp_path: Path) -> None:
    """0.05 W/K and 0.01 kg/s are a tenth of what they are of, and more."""
    (tmp_path / "learned.toml").write_text(
        "[plant.chamber]\nwall_u_w_m2k = 0.45\n", encoding="utf-8"
    )
    file = tmp_path / "c.toml"
    text = FILES["laptop"].read_text(encoding="utf-8")
    file.write_text(text + '\n[plant]\nfitted = "learned.toml"\n', encoding="utf-8")
    own = opened(file)

    draft = own_draft(complete({}, ("foam",), own), own)

    settings = settings_of(draft.text, tmp_path)
    assert learned_figures(draft, settings) == ("plant.chamber.wall_u_w_m2k",)


def test_a_second_freezer_stays_in_the_file(tmp_path: Path) -> None:
    """It counts, is said, and changes where a change is about it."""
    file = tmp_path / "c.toml"
    text = FILES["laptop"].read_text(encoding="utf-8")
    own_freezer = "[plant.freezer]\nlitres = 300.0\n"
    second = '\n[plant.more_freezers.kitchen]\nlitres = 80.0\nfood = "full"\n'
    file.write_text(text.replace(own_freezer, f"{own_freezer}{second}"), encoding="utf-8")
    own = opened(file)

    moved = drafted(own, {"food": "half"})
    without_food = drafted(own, {}, "no-food")
    larger = drafted(own, {}, "larger-freezer")

    assert moved.plant.more_freezers == own.settings.plant_spec().more_freezers
    assert moved.difference == ('+ food = "half"',)
    assert without_food.difference == ('- food = "full"', '+ food = "none"')
    before = freezers_kg_per_day(own.settings.plant_spec())
    after = freezers_kg_per_day(settings_of(larger.text, tmp_path).plant_spec())
    assert after == pytest.approx(2.0 * before, rel=0.001)
    assert supply_sentence(judge(own.settings)).count("your 2 freezers together can freeze") == 1


def planner_of(file: Path, *, own: bool = True) -> plan_app.Planner:
    return plan_app.Planner(
        file=file,
        start={},
        own=opened(file) if own else None,
        read=lambda path: path.read_bytes().decode(),
        write=lambda path, text: path.write_bytes(text.encode()) and None,
    )


def test_save_keeps_the_file_as_it_was_beside_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Then the page begins with what the file says now; one changed meanwhile is left alone."""

    class Drafted:
        def __init__(self, answers: Answers) -> None:
            self.text = draft_of(answers).text

        def for_answers(self, _: Answers) -> Drafted:
            return self

    monkeypatch.setattr(plan_app, "consult", lambda answers, **_: Drafted(answers))
    file = tmp_path / "odd.toml"
    file.write_bytes(ODD.read_bytes())
    planner = planner_of(file)

    def save(**texts: str) -> str:
        asked = plan_app.plan_query_of({key: [text] for key, text in texts.items()}, planner)
        return plan_app._save(planner, asked, replace=False).headers["location"]

    assert "refused=same" in save(lights="4 W")
    assert save(lights="9 W") == "/?saved=1"
    assert (tmp_path / "odd.toml.before").read_bytes() == ODD.read_bytes()
    assert changed_keys(ODD.read_text(), file.read_text()) == {"plant.chamber.lights_w"}
    assert planner.own is not None
    assert planner.own.answers["lights"].text == "9 W"

    file.write_text(file.read_text() + "\n# by another hand\n")
    assert "refused=changed" in save(lights="3 W")
    assert file.read_text().endswith("# by another hand\n")


def odd_on_a_page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Path, Planner]:
    """Return a copy of the odd file, and a page for it that rehearses nothing."""
    monkeypatch.setattr(Planner, "consultation", lambda _, answers: draft_of(answers))
    file = tmp_path / "odd.toml"
    file.write_bytes(ODD.read_bytes())
    return file, replace(planner_of(file), read=exact_content)


def test_a_file_that_changed_or_went_between_question_and_save_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two windows on one page: the later Save does not undo the earlier one unseen."""
    file, planner = odd_on_a_page(tmp_path, monkeypatch)
    first = plan_app.plan_query_of({"lights": ["9 W"]}, planner)
    second = plan_app.plan_query_of({"blocks": ["7 kg"]}, planner)

    def save(asked: plan_app.PlanQuery) -> str:
        return plan_app._save(planner, asked, replace=False).headers["location"]

    assert save(first) == "/?saved=1"
    saved = file.read_bytes()
    assert "refused=changed" in save(second)
    assert file.read_bytes() == saved

    third = plan_app.plan_query_of({"blocks": ["7 kg"]}, planner)
    file.unlink()
    assert "refused=changed" in save(third)
    assert not file.exists()


def test_a_page_that_is_older_than_the_file_does_not_undo_what_was_saved(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two windows: the later one is shown what its Save would change now, before it does."""
    file, planner = odd_on_a_page(tmp_path, monkeypatch)
    opened = {"version": [planner.version()], "lights": ["4 W"], "blocks": ["3 kg"]}

    def save(**moved: str) -> str:
        form = {**opened, **{key: [text] for key, text in moved.items()}}
        asked = plan_app.plan_query_of(form, planner)
        return plan_app._save(planner, asked, replace=False).headers["location"]

    assert save(lights="9 W") == "/?saved=1"
    saved = file.read_bytes()
    assert "refused=outdated" in save(blocks="7 kg")
    assert file.read_bytes() == saved
    opened["version"] = [planner.version()]  # the page that leads to was made anew
    assert save(blocks="7 kg") == "/?saved=1"


def test_a_file_from_answers_is_not_replaced_by_a_page_that_is_older(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Though “Replace” is ticked: that was said of what the page knew. Then it begins with it."""
    monkeypatch.setattr(Planner, "consultation", lambda _, answers: draft_of(answers))
    file = tmp_path / "box.toml"
    planner = replace(planner_of(file, own=False), read=exact_content)

    def save(version: str) -> str:
        form = {"version": [version], "lights": ["9 W"]}
        asked = plan_app.plan_query_of(form, planner)
        return plan_app._save(planner, asked, replace=True).headers["location"]

    assert planner.version() == ""
    assert "saved=1" in save("")
    assert plan_app.plan_query_of({}, planner).answers.of["lights"].text == "9 W"
    opened = planner.version()
    file.write_text(file.read_text(encoding="utf-8") + "# by hand\n", encoding="utf-8")
    assert "refused=outdated" in save(opened)
    assert file.read_text(encoding="utf-8").endswith("# by hand\n")
    assert "saved=1" in save(planner.version())


def test_another_core_takes_the_place_of_a_rating(tmp_path: Path) -> None:
    text = FILES["laptop"].read_text(encoding="utf-8")
    rated = text.replace(
        "ua_air_w_k = 6.0\nair_kg_s = 0.010\nwater_kg_s = 0.010\n",
        'rated_w_per_k = "120 W at 10 K"\nrated_air_m3_h = 60\nrated_l_min = 2\n',
    )
    assert rated != text
    own = opened(FILES["laptop"], rated)

    after = drafted(own, {"core": "240"})
    pumped = drafted(own, {"pump": "100 L/h"})

    assert "rated" not in after.text
    assert settings_of(after.text).plant_spec().coil.ua_water_w_k > 0.0
    assert changed_keys(rated, pumped.text) == {"plant.coil.water_kg_s", "plant.reservoir.pump_w"}


def test_days_of_ones_own_take_the_place_of_a_recorded_room(tmp_path: Path) -> None:
    """The file of the room goes where an afternoon is given; it stays where nothing is."""
    content = FILES["laptop"].read_text(encoding="utf-8")
    file = tmp_path / "chamber.toml"
    file.write_text(
        content.replace("[plant.room]", '[plant.room]\ncsv = "r.csv"'), encoding="utf-8"
    )
    rows = [f"2026-07-{1 + h // 24:02}T{h % 24:02}:00:00Z,{20 + h % 24 / 4}" for h in range(73)]
    (tmp_path / "r.csv").write_text("time,room_c\n" + "\n".join(rows) + "\n", encoding="utf-8")
    own = own_file(file.read_text(encoding="utf-8"), tmp_path, read_settings(file), hints={})

    assert drafted(own, {}).text == own.content
    assert placed_plant(own.settings, tmp_path).plant.room.day_c == pytest.approx(25.75)
    moved = drafted(own, {"day": "31 C"}).text
    assert "r.csv" not in moved
    assert "day_c = 31" in moved
    assert placed_plant(settings_of(moved, tmp_path), tmp_path).room is None
