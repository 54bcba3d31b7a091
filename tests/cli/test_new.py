"""``coldpin new``: replayed answers, and an interview on a terminal."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator
from io import StringIO
from pathlib import Path

import click
import pytest
from rich.console import Console

from controller.cli import new as module
from controller.cli.interview import Interview, fitting_options
from controller.cli.main import EX_NOINPUT, EX_USAGE, status_of
from controller.cli.new_file import replace_content
from controller.planning.answers import UNKNOWN
from controller.planning.questions import every_question
from controller.settings.load import read_settings

BUILDS = Path(__file__).parents[1] / "planning" / "answers"


def interviewed(typed: list[str], given: dict[str, str], width: int = 50) -> tuple[dict, str]:
    """Return the answers of an interview in which so much is typed, then only Enter; the screen."""
    screen = StringIO()
    lines: Iterator[str] = iter(typed)
    console = Console(file=screen, width=width, color_system=None, markup=False)
    kept: list[dict[str, str]] = []
    texts = Interview(console, lambda: next(lines, ""), lambda now: kept.append(dict(now))).texts(
        given
    )
    assert kept[-1] == texts
    return texts, screen.getvalue()


def test_enter_takes_what_is_usual_and_fits_fifty_columns() -> None:
    texts, screen = interviewed(["2"], {})

    assert texts["units"] == "us"
    assert texts["size"] == "2 x 2 x 4 ft"
    assert texts["cooler_volume"] == "48 qt"
    rated = {"rating", "rated_air", "rated_water", "fans"}  # asked where the core has a label
    assert set(texts) == {question.key for question in every_question()} - rated
    assert max(map(len, screen.splitlines())) <= 50


def test_not_knowing_going_back_and_mistakes() -> None:
    typed = [
        "us",
        "shiitake-warm",
        "<",
        "lions-mane",
        "99",
        "fruiting",
        "?",
        "2x2x4",
        "heavy",
        "20",
    ]

    texts, screen = interviewed(typed, {})

    assert texts["species"] == "lions-mane"
    assert texts["walls"] == UNKNOWN
    assert texts["size"] == "2x2x4 ft"
    assert texts["blocks"] == "20 lb"
    assert "Assumed: grow tent" in screen
    assert 'such as "20 lb".' in " ".join(screen.split())
    assert "Type a number from 1 to 2." in screen


def test_earlier_answers_are_not_asked_again() -> None:
    _, screen = interviewed(["2 ft x 3 ft x 4 ft"], {"units": "us", "walls": "foam-25"})

    assert "Which units" not in screen
    assert "What is the chamber made of?" not in screen


def test_one_may_go_back_to_answers_of_an_earlier_interview() -> None:
    """What was taken back is kept no longer, what comes after it is."""
    earlier = {"units": "us", "species": "lions-mane", "pack": "bottle-2", "name": "a shelf"}
    screen = StringIO()
    console = Console(file=screen, width=200, color_system=None, markup=False)
    typed, kept = iter(["<"]), list[dict[str, str]]()

    def ask() -> str:
        return next(typed)

    with pytest.raises(StopIteration):
        Interview(console, ask, lambda now: kept.append(dict(now))).texts(earlier)

    shown = screen.getvalue()
    assert shown.index("Which stage") < shown.index("What do you grow?")
    assert "This is the first question" not in shown
    assert kept == [{"units": "us", "pack": "bottle-2", "name": "a shelf"}]


def test_an_answer_may_be_the_beginning_of_its_words() -> None:
    walls = next(each for each in every_question() if each.key == "walls")

    assert fitting_options(walls, "plastic") == ("tote",)
    assert fitting_options(walls, "9") == ("fridge",)
    assert fitting_options(walls, "0") == fitting_options(walls, "10") == ()
    assert fitting_options(walls, "box") == ("foam-25", "foam-50")
    assert fitting_options(walls, "marble") == ()


def test_a_long_list_is_short_until_all_of_it_is_asked_for() -> None:
    """Part of a name is enough; where it fits several, these are shown."""
    typed = ["", "turnip", "all", "strain", "", "nameko"]

    texts, screen = interviewed(typed, {})
    first, _, rest = screen.partition("Or part of another name; all lists all 27.")

    assert texts["species"] == "nameko"
    assert "pioppino" in first
    assert "nameko" not in first
    assert "No such name." in rest
    whole, _, several = rest.partition("Which of these?")[2].partition("Which of these?")
    assert "wood ear" in whole
    assert "warm strain" in several
    assert "wood ear" not in several.partition("fruiting: mushrooms grow")[0]


def test_words_narrow_the_names_that_are_left() -> None:
    """The word "cold" alone fits shiitake too; after "oyster" it means one."""
    texts, screen = interviewed(["", "oyster", "cold"], {})

    assert texts["species"] == "pearl-oyster-cold"
    assert screen.count("Which of these?") == 1


def test_replayed_answers_write_a_configuration_that_check_accepts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "box.toml"

    assert status_of(["new", str(file), "--answers", str(BUILDS / "foam-box.toml")]) == 0
    shown = capsys.readouterr().out

    assert shown.lstrip().startswith("Works")
    assert read_settings(file).chamber.name == "bedroom box"
    assert status_of(["check", str(file)]) == 0


def test_what_is_there_is_not_overwritten_unasked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "box.toml"
    file.write_text("mine", encoding="utf-8")
    replay = ["new", str(file), "--answers", str(BUILDS / "foam-box.toml")]

    assert status_of(replay) == EX_USAGE
    assert file.read_text(encoding="utf-8") == "mine"
    assert "--overwrite" in capsys.readouterr().err
    assert status_of([*replay, "--overwrite", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["verdict"] == "holds"
    assert "mine" not in file.read_text(encoding="utf-8")


def test_faulty_answers_are_refused_before_anything_is_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    answers, file = tmp_path / "a.toml", tmp_path / "c.toml"
    answers.write_text('walls = "marble"\nspecie = "shiitake"\n', encoding="utf-8")

    assert status_of(["new", str(file), "--answers", str(answers)]) == EX_NOINPUT
    shown = capsys.readouterr().err

    assert "did you mean species?" in shown
    assert "walls: found 'marble', allowed: tent," in shown
    assert not file.exists()


def test_without_a_terminal_it_says_what_to_do(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert status_of(["new", str(tmp_path / "c.toml")]) == EX_USAGE
    assert "--answers" in capsys.readouterr().err


@pytest.mark.parametrize(("there", "done"), [(False, ["asked", "wired"]), (True, ["wired"])])
def test_wiring_asks_about_the_chamber_first_where_there_is_no_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, there: bool, done: list[str]
) -> None:
    """And about nothing but probes and relays where there is one."""
    file, seen = tmp_path / "c.toml", []
    if there:
        file.touch()
    for stream in (sys.stdin, sys.stdout):
        monkeypatch.setattr(stream, "isatty", lambda: True)
    monkeypatch.setattr(module, "_interview", lambda *_, **__: seen.append("asked"))
    monkeypatch.setattr("controller.cli.wire.wire", lambda _file: seen.append("wired"))

    assert status_of(["new", str(file), "--wire"]) == 0
    assert seen == done
    assert status_of(["new", str(file), "--wire", "--json"]) == EX_USAGE


def test_an_interrupted_interview_keeps_its_answers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "hall-tent.toml"
    lines = iter(["us", "lions-mane"])

    def typed() -> str:
        result = next(lines, None)
        if result is None:
            raise click.Abort
        return result

    monkeypatch.setattr(module, "_typed", typed)
    screen = StringIO()
    with pytest.raises(click.Abort):
        module._interview(Console(file=screen, width=50, markup=False), file, overwrite=False)

    kept = module.kept_answers(file).read_text(encoding="utf-8")
    assert 'species = "lions-mane"' in kept
    assert "are kept in" in screen.getvalue()
    assert not file.exists()


@pytest.mark.skipif(os.geteuid() != 0, reason="another owner needs root")
def test_a_file_that_is_written_anew_keeps_its_owner_and_mode(tmp_path: Path) -> None:
    """`sudo coldpin new --wire` must not lock the service out of its configuration."""
    file = tmp_path / "loft.toml"
    file.write_text("old", encoding="utf-8")
    os.chown(file, 0, 54321)
    file.chmod(0o640)

    before = os.umask(0o077)
    try:
        replace_content(file, "new")
    finally:
        os.umask(before)

    result = file.stat()
    assert (result.st_gid, result.st_mode & 0o777) == (54321, 0o640)
    assert file.read_text(encoding="utf-8") == "new"
