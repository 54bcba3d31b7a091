"""Answers in plain words become figures, a configuration and a verdict."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from controller.planning import parts_list
from controller.planning.answers import (
    UNKNOWN,
    Answers,
    Origin,
    answers_text,
    complete,
    read_answers,
    texts_of,
)
from controller.planning.configuration import configuration_text, settings_of
from controller.planning.consultation import _first_draft, consult, draft_of
from controller.planning.equipment import cautions_of, equipment_of
from controller.planning.own_file import own_file
from controller.planning.points import air_high_c, low_limit_c, points_of
from controller.planning.question import AnswerKind, read_answer
from controller.planning.questions import every_question
from controller.planning.verdict import Limit, Verdict
from controller.settings.load import read_settings
from controller.settings.species import read_species

BUILDS = Path(__file__).parent / "answers"
KG_DAY_PER_W = 1 / 4.67
"""A kilogram of ice from -18 to 8 °C takes 404 kJ: 4.67 W over a day. Worked by hand."""


def answers_of(name: str) -> Answers:
    texts, changes, problems = read_answers((BUILDS / f"{name}.toml").read_text(encoding="utf-8"))
    assert problems == []
    return complete(texts, changes)


@pytest.mark.parametrize(
    ("size", "units", "words"),
    [
        ("5 x 5 x 5 cm", "metric", "allowed: 10 L or more altogether, and up to 1000 m³"),
        ("0.5 x 0.5 x 0.5 ft", "us", "allowed: 10.6 qt or more altogether, and up to 1000 m³"),
        ("19 x 19 x 19 m", "metric", "allowed: 10 L or more altogether, and up to 1000 m³"),
    ],
)
def test_sides_that_make_no_chamber_together_are_refused_at_the_question(
    size: str, units: str, words: str
) -> None:
    """Each side may be; a page must not answer with a key of the configuration."""
    answers = complete({"size": size, "units": units})

    assert answers.problems == {"size": words}
    equipment_of(answers)


@pytest.mark.parametrize("units", ["metric", "us"])
def test_every_default_and_every_cautious_figure_is_itself_an_answer(units: str) -> None:
    """What Enter and "I don't know" give passes the same reading as what a person types."""
    usual = complete({"units": units})
    unknown = complete({"units": units} | {
        question.key: UNKNOWN for question in every_question() if question.cautious is not None
    })  # fmt: skip

    assert usual.problems == {}
    assert unknown.problems == {}
    assert usual.of["species"].origin is Origin.DEFAULT
    assert unknown.of["species"].origin is Origin.CAUTIOUS


def test_about_twelve_topics_and_each_choice_has_words() -> None:
    for question in every_question():
        assert question.text.endswith("?")
        assert (question.kind is AnswerKind.CHOICE) is bool(question.options)
        assert all(option.words for option in question.options)


@pytest.mark.parametrize("name", ["tent-and-bottles", "foam-box", "hot-garage"])
def test_the_configuration_says_what_the_answers_say(name: str, tmp_path: Path) -> None:
    """It can be used, keeps the answers, and reads back to the same equipment within rounding."""
    answers = answers_of(name)
    text = configuration_text(draft_of(answers))
    file = tmp_path / "c.toml"
    file.write_text(text, encoding="utf-8")

    settings = read_settings(file)
    texts, _, problems = read_answers(text)

    assert problems == []
    assert texts == texts_of(answers)
    assert settings.chamber.name == answers["name"]
    asked, written = equipment_of(answers), settings.plant_spec()
    assert written.chamber.wall_area_m2 == pytest.approx(asked.chamber.wall_area_m2, rel=0.01)
    assert written.chamber.envelope_w_k == pytest.approx(asked.chamber.envelope_w_k, rel=0.01)
    assert written.chamber.crop_kg == pytest.approx(asked.chamber.crop_kg, rel=0.01)
    assert written.reservoir.litres == pytest.approx(asked.reservoir.litres, rel=0.01)
    assert written.room.day_c == pytest.approx(asked.room.day_c, abs=0.06)
    assert written.packs == asked.packs
    assert written.coil == asked.coil


def test_us_answers_stay_in_us_units() -> None:
    text = configuration_text(draft_of(answers_of("tent-and-bottles")))

    assert 'unit = "F"' in text
    assert 'day_c = "79 F"' in text
    assert 'size = "2 x 2 x 4 ft"' in text
    assert 'crop_kg = "20 lb"' in text


@pytest.mark.parametrize("species", sorted(read_species()))
def test_switching_points_lie_in_the_band_of_species_and_stage(species: str) -> None:
    """And the limits lie around them, so that `check` accepts every species."""
    known = read_species()[species]
    stages = {"pinning": known.pinning, "fruiting": known.cropping}
    points = {stage: points_of(band) for stage, band in stages.items()}

    for stage, band in stages.items():
        chosen = points[stage]
        assert band.low <= chosen.cut_out_c * 1000 < chosen.cut_in_c * 1000 <= band.high
    every = tuple(points.values())
    assert low_limit_c(every) < min(each.cut_out_c for each in every)
    assert max(each.cut_in_c for each in every) < air_high_c(every) <= 35.0


def test_a_bare_tent_needs_more_ice_than_a_dozen_bottles_hold() -> None:
    """Held against a heat balance by hand: walls 15.4 W/K, 6 K of difference, and the blocks."""
    answers = answers_of("tent-and-bottles")
    result = consult(answers)
    by_hand_w = 3.72 * 4.2 * (24.7 - 18.0) + 15 / 2 + 9.1 * 0.5

    assert result.judgement.verdict is not Verdict.HOLDS
    assert result.fails_at is not None
    assert result.judgement.supply.ice_kg_per_day > 0.8 * by_hand_w * KG_DAY_PER_W
    assert result.judgement.supply.limit_kg_per_day < by_hand_w * KG_DAY_PER_W


def test_a_box_of_foam_board_holds() -> None:
    result = consult(answers_of("foam-box"))

    assert result.judgement.verdict is Verdict.HOLDS
    assert result.fails_at is None


def test_a_greenhouse_in_a_hot_garage_cannot_hold() -> None:
    answers = answers_of("hot-garage")

    result = consult(answers)

    assert result.judgement.verdict in {Verdict.CANNOT, Verdict.SHORT}
    assert answers.assumed("cooler")
    assert "(assumed: not known)" in result.text


def test_an_applied_change_changes_the_figures_and_is_named() -> None:
    answers = answers_of("tent-and-bottles")
    before = draft_of(answers)

    after = draft_of(complete(texts_of(answers), ("foam", "no such change")))
    text = configuration_text(after)

    assert after.plant.chamber.envelope_w_k < 0.4 * before.plant.chamber.envelope_w_k
    assert len(after.applied) == 1
    assert "# Changed from your answers:" in text
    assert '#: changes = ["foam", "no such change"]' in text


def test_an_applied_change_keeps_its_own_key_where_another_does_not_apply() -> None:
    """So that Undo takes back the change in whose line it stands."""
    answers = complete(texts_of(answers_of("tent-and-bottles")), ("no such change", "foam"))

    applied = draft_of(answers).applied

    assert [(each.key, "foam board" in each.what) for each in applied] == [("foam", True)]


def test_answers_together_must_be_possible() -> None:
    results = complete({"packs_in_water": "9", "packs": "4", "day": "20 C", "night": "25 C",
                      "sleeps": "22:00", "wakes": "22:00"})  # fmt: skip

    assert set(results.problems) == {"packs", "night", "wakes"}


def test_an_unreadable_answer_is_reported_and_the_usual_stands_in() -> None:
    results = complete({"walls": "marble", "day": "79 C", "cooler_volume": "two"})

    assert set(results.problems) == {"walls", "day", "cooler_volume"}
    assert 'write "79 F" if °F was meant' in results.problems["day"]
    assert results["walls"] == "tent"


def test_a_number_takes_the_unit_of_the_grower_and_keeps_it() -> None:
    us = complete({"units": "us", "day": "79", "size": "2x2x4", "cooler_volume": "48"})

    assert us.number("day") == pytest.approx(26.11, abs=0.01)
    assert us.of["day"].text == "79 F"
    assert us.of["size"].text == "2x2x4 ft"
    assert us.of["cooler_volume"].text == "48 qt"


def test_answers_survive_their_file() -> None:
    texts = {"name": "Ann's box", "day": "26 C", "walls": UNKNOWN}

    again, changes, problems = read_answers(answers_text(texts, ("foam",)))

    assert (again, changes, problems) == (texts, ("foam",), [])


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        ('wals = "tent"', "did you mean walls?"),
        ("walls = ", "is not TOML"),
        ('[walls]\nx = "tent"', "text in quotation marks"),
        ('changes = "foam"', "a list of texts"),
    ],
)
def test_a_faulty_file_of_answers_is_explained(content: str, problem: str) -> None:
    assert any(problem in each for each in read_answers(content)[2])


def test_cautions_follow_the_answers() -> None:
    answers = complete(
        {"fresh_air": "always", "freezer": "ice-box", "packs_in_water": "60", "packs": "60"}
    )
    message = " ".join(cautions_of(answers, equipment_of(answers)))

    assert "duct fan" in message
    assert "ice box" in message
    assert "half of the cooler" in message
    assert "warm packs on food" in message


def test_cautions_follow_the_changes_that_were_made() -> None:
    """What a change mends is warned of no longer; what it makes too much is."""
    texts = {"fresh_air": "always", "freezer": "ice-box", "day": "42 C", "packs_in_water": "28"}
    made = ("half-air", "larger-freezer", "no-food", "cooler-place", "larger-set")
    before, after = (
        " ".join(cautions_of(answers, _first_draft(answers).plant))
        for answers in (complete(texts), complete(texts, made))
    )

    for caution in ("duct fan", "ice box", "warm packs on food", "So hot a place"):
        assert caution in before
        assert caution not in after
    assert "half of the cooler" not in before
    assert "half of the cooler" in after


def test_a_freezer_by_its_plate_has_no_litres_of_another() -> None:
    """The larger one takes the place of the ice box, whose litres say nothing any more."""
    draft = _first_draft(complete({"freezer": "ice-box"}, ("larger-freezer",)))
    table = tomllib.loads(draft.text)["plant"]["freezer"]

    assert set(table) == {"kg_per_day", "food"}
    assert "ice box" not in draft.text.partition("[plant.freezer]")[2].partition("#:")[0]
    assert settings_of(draft.text).plant_spec().freezer.kg_per_day == pytest.approx(
        draft.plant.freezer.kg_per_day, rel=1e-3
    )


def test_the_figures_of_parts_are_those_of_the_trade() -> None:
    """From R-values and bench figures, from memory: XPS R-5 an inch, a 240 core near 18 W/K."""
    boards = parts_list.WALL
    assert boards["foam-25"].u_w_m2k == pytest.approx(1.2 * 0.91, rel=0.02)
    assert boards["tent"].u_w_m2k == pytest.approx(4.2, rel=0.05)
    # ice melted in a cheap 30 L box indoors: 1.2 to 1.6 W/K with its seals
    assert 1.2 < parts_list.cooler_w_k("thin", 30.0) < 1.7
    assert parts_list.cooler_w_k("ordinary", 45.0) == pytest.approx(1.25 * 0.835 + 0.05, rel=0.01)
    assert parts_list.cooler_w_k("thick", 10.0) < parts_list.cooler_w_k("thick", 20.0)


def test_times_of_day_are_read_as_people_write_them() -> None:
    sleeps = next(each for each in every_question() if each.key == "sleeps")

    assert f"{read_answer(sleeps, '7:30', {})}" == "07:30:00"
    assert f"{read_answer(sleeps, '23', {})}" == "23:00:00"
    assert f"{read_answer(sleeps, '10:30 pm', {})}" == "22:30:00"
    assert f"{read_answer(sleeps, '12 a.m.', {})}" == "00:00:00"
    assert f"{read_answer(sleeps, '11pm', {})}" == "23:00:00"
    with pytest.raises(ValueError, match="time of day"):
        read_answer(sleeps, "25:00", {})


def test_the_written_file_is_toml_whatever_the_name() -> None:
    text = configuration_text(draft_of(complete({"name": "box 2.b-c_d"})))

    assert tomllib.loads(text)["chamber"]["name"] == "box 2.b-c_d"


@pytest.mark.parametrize(
    ("written", "kept"),
    [
        ('24" x 16" x 16"', '24" x 16" x 16"'),
        ("60,5 x 60 x 140", "60.5 x 60 x 140 cm"),
        ("60\n x 60\tx 140", "60 x 60 x 140 cm"),
    ],
)
def test_a_size_reaches_the_file_however_it_was_written(written: str, kept: str) -> None:
    """Inches as a mark, a decimal comma, a broken line: what is read is what is written."""
    draft = _first_draft(complete({"size": written}))

    assert settings_of(draft.text).plant.chamber.size == kept
    assert settings_of(draft.text).plant_spec().chamber.volume_m3 == pytest.approx(
        draft.plant.chamber.volume_m3, rel=1e-3
    )


def test_a_bench_test_with_decimal_commas_reaches_the_file() -> None:
    test = {"rating": "120,5 W at 10 K", "rated_air": "50,5", "rated_water": "1,5 L/min"}
    draft = _first_draft(complete({"core": "rated", **test}))

    coil = settings_of(draft.text).plant.coil
    assert (coil.rated_w_per_k, coil.rated_air_m3_h, coil.rated_l_min) == (12.05, 50.5, 1.5)


def test_an_answer_cannot_break_the_line_in_which_it_is_written() -> None:
    draft = _first_draft(complete({"pump": "240\nL/h"}))

    assert settings_of(draft.text).plant_spec().coil == draft.plant.coil


@pytest.mark.parametrize(
    ("key", "written", "meant"),
    [
        ("day", "26,5", 26.5),
        ("day", "79 degrees F", 26.111),
        ("day", "79°F", 26.111),
        ("day", "-3 C", -3.0),
        ("blocks", "4,5 kg", 4.5),
        ("blocks", "5 pounds", 2.268),
        ("lights", "15 watts", 15.0),
        ("cooler_volume", "20 gallons", 75.708),
    ],
)
def test_numbers_are_read_as_people_write_them(key: str, written: str, meant: float) -> None:
    question = next(each for each in every_question() if each.key == key)

    assert read_answer(question, written, {}) == pytest.approx(meant, abs=0.001)


@pytest.mark.parametrize("written", ["1,000 L", "20 blocks", "ten", "", "1..5", "22 K"])
def test_what_may_mean_two_things_is_asked_again(written: str) -> None:
    for key in ("cooler_volume", "day"):
        question = next(each for each in every_question() if each.key == key)
        with pytest.raises(ValueError, match="allowed"):
            read_answer(question, written, {})


def test_ranges_are_given_in_the_units_of_the_grower() -> None:
    day = next(each for each in every_question() if each.key == "day")

    with pytest.raises(ValueError, match="allowed: -4 F to 122 F"):
        read_answer(day, "150", {"units": "us"})


RATING = {"core": "rated", "rating": "120 W at 18 F", "rated_air": "30 cfm", "rated_water": "1 gpm"}
"""12 W/K, by 51 m³/h and 227 L/h."""


def test_a_core_may_be_known_by_its_label() -> None:
    """Twice 12 W/K: the worked number of `coil_rating` for both sides, and the square root of flow.

    The file says what the label does, and reads back as the same equipment and the same answers.
    """
    answers = complete({"units": "us", **RATING, "rating": "120 W at 10 K", "fan": "fast"})
    coil = equipment_of(answers).coil

    # 28.2 W/K at 30 ft³/min on the air side, 84.6 on the water side; this fan moves 33
    assert coil.ua_water_w_k == pytest.approx(84.6, rel=0.01)
    assert coil.ua_air_w_k == pytest.approx(28.2 * (33 / 30) ** 0.5, rel=0.01)
    text = draft_of(answers).text
    assert 'rated_w_per_k = "120 W at 10 K"' in text
    assert "ua_air_w_k" not in text
    settings = settings_of(text)
    for side in ("ua_air_w_k", "ua_water_w_k", "air_kg_s", "water_kg_s"):
        assert getattr(settings.plant_spec().coil, side) == pytest.approx(getattr(coil, side))
    own = own_file(text, Path(), settings).answers
    assert {key: own[key].text for key in ("core", "rated_air", "rated_water", "fans", "fan")} == {
        "core": "rated",
        "rated_air": "30 cfm",
        "rated_water": "1 gpm",
        "fans": "1",
        "fan": "fast",
    }
    assert own["rating"].value == pytest.approx(12.0)


def test_a_changed_core_is_written_by_its_conductances() -> None:
    """Two cores are not what one label says."""
    text = draft_of(complete(RATING, ("second-core",))).text

    assert "rated_w_per_k" not in text
    assert "ua_air_w_k" in text


@pytest.mark.parametrize(
    ("changed", "problem"),
    [
        ({"rating": "900 W at 10 K"}, "the most that so little air can carry"),
        ({"rating": "120"}, 'such as "120 W at 10 K"'),
        ({"rating": "?"}, "has to be known"),
        ({"rated_air": "fast"}, "a number and its unit"),
    ],
)
def test_a_label_that_cannot_be_is_asked_again(changed: dict[str, str], problem: str) -> None:
    problems = complete({**RATING, **changed}).problems

    (why,) = problems.values()
    assert problem in why
    assert set(problems) == set(changed)


def test_more_cold_than_the_band_bears_is_no_lack_of_coil() -> None:
    """A foam box with a large core and a small freezer: with packs at hand it gets too cold.

    By hand: walls of 0.6 W/(m²·K), 3.7 m² and 9 K are 20 W, the core takes 36 W/K; a fridge's
    freezer gives back 2 kg a day, 10 W.
    """
    tent = answers_of("tent-and-bottles")
    result = consult(complete(texts_of(tent) | {"walls": "foam-50"}))

    assert result.judgement.verdict is Verdict.SHORT
    assert result.judgement.limit is Limit.FREEZER
