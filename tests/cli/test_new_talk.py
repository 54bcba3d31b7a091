"""``coldpin new`` around the questions: what it finds, asks, writes and takes away."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Mapping
from io import StringIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import click
import pytest
from click.testing import CliRunner
from rich.console import Console

from controller.cli import new as module
from controller.cli.main import EX_NOINPUT, EX_USAGE, status_of
from controller.planning.answers import Answers, answers_text, complete

EARLIER = {"name": "loft", "species": "oyster"}
WELCOME = "About twelve questions, then a verdict."


class Talk:
    """An interview of one answer, with a person who says yes or no in turn."""

    def __init__(self, patch: pytest.MonkeyPatch, says: str = "") -> None:
        self.says, self.asked, self.given = iter(says), list[str](), dict[str, str]()
        self.screen = StringIO()
        patch.setattr(module, "_yes", self._answer)
        patch.setattr(module, "Interview", self._interview)
        patch.setattr(module, "_settle", lambda *_: SimpleNamespace(text="# a chamber\n"))

    def _answer(self, question: str) -> bool:
        self.asked.append(question)
        return next(self.says) == "y"

    def _interview(self, _console: Console, _ask: object, keep: Callable[..., object]) -> Any:
        def texts(given: Mapping[str, str]) -> dict[str, str]:
            self.given = dict(given)
            keep({"species": "lions-mane"})
            return {"species": "lions-mane"}

        return SimpleNamespace(texts=texts)

    def interview(self, file: Path, *, overwrite: bool = False) -> list[str]:
        console = Console(file=self.screen, width=1000, markup=False)
        module._interview(console, file, overwrite=overwrite)
        return [line for line in self.screen.getvalue().splitlines() if line]


def test_what_was_answered_becomes_the_file_and_is_kept_no_longer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The file's name is the chamber's unless somebody says another; the next step is named."""
    talk, file = Talk(monkeypatch), tmp_path / "hall-tent.toml"

    lines = talk.interview(file)

    assert talk.given == {"name": "hall tent"}
    assert talk.asked == []
    assert file.read_text(encoding="utf-8") == "# a chamber\n"
    assert not module.kept_answers(file).exists()
    assert lines[0].startswith(WELCOME)
    assert lines[1] == f"Written: {file}"
    assert lines[2].startswith(f"Next: `coldpin plan {file}` shows it on a page")


@pytest.mark.parametrize(
    ("says", "overwrite", "asked"),
    [("y", False, True), ("n", False, True), ("", True, False)],
)
def test_a_file_that_is_there_is_replaced_only_where_a_person_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, says: str, overwrite: bool, asked: bool
) -> None:
    """In the talk, or by the option."""
    talk, file = Talk(monkeypatch, says), tmp_path / "box.toml"
    file.write_text("mine", encoding="utf-8")

    lines = talk.interview(file, overwrite=overwrite)

    assert talk.asked == [f"{file} is there already. Replace it?"] * asked
    kept = says == "n"
    assert (file.read_text(encoding="utf-8") == "mine") is kept
    if kept:
        assert lines == ["Nothing was changed. Name another file: coldpin new NAME.toml"]


@pytest.mark.parametrize(
    ("content", "says", "given"),
    [
        (answers_text(EARLIER), "y", EARLIER),
        (answers_text(EARLIER), "n", {"name": "box"}),
        ("no answers", "", {"name": "box"}),
        (answers_text({}), "", {"name": "box"}),
    ],
    ids=["goes-on", "begins-anew", "not-readable", "empty"],
)  # fmt: skip
def test_earlier_answers_are_offered_where_they_can_be_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, content: str, says: str, given: dict[str, str]
) -> None:
    """How many there are is said."""
    talk, file = Talk(monkeypatch, says), tmp_path / "box.toml"
    module.kept_answers(file).write_text(content, encoding="utf-8")

    talk.interview(file)

    assert talk.given == given
    assert talk.asked == ["Go on with your 2 earlier answers?"] * len(says)


def test_stopped_before_the_first_answer_nothing_is_said_to_be_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And the end is that of somebody who stopped."""
    talk = Talk(monkeypatch)

    def stopped(*_: object) -> Any:
        raise KeyboardInterrupt

    monkeypatch.setattr(module, "Interview", stopped)
    with pytest.raises(click.Abort):
        talk.interview(tmp_path / "box.toml")

    assert "are kept" not in talk.screen.getvalue()


def test_answers_that_do_not_go_together_are_asked_for_once_more(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The question, what was answered, and what is wrong with it; what is kept is put right."""
    given = iter(["", "16"])
    monkeypatch.setattr(module, "_typed", lambda: next(given))
    screen = StringIO()
    bad = complete({"packs": "3", "packs_in_water": "8"})
    assert bad.problems

    kept: list[Mapping[str, str]] = []

    console = Console(file=screen, width=500, markup=False)
    good: Answers = module._readable_answers(console, bad, kept.append)

    assert not good.problems
    assert kept[-1]["packs"] == "16"
    question = "How many do you have in all?"
    assert screen.getvalue().splitlines() == [
        "",
        question,
        "3 does not go with your other answers; allowed: 8 or more, those in the water included.",
        "",
        question,
        "Not understood; allowed: a whole number such as 6.",
    ]


def test_stopped_while_the_verdict_is_made_the_answers_are_said_to_be_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Minutes of answers are behind a person then."""
    talk, file = Talk(monkeypatch), tmp_path / "box.toml"

    def stopped(*_: object) -> Any:
        raise KeyboardInterrupt

    monkeypatch.setattr(module, "_settle", stopped)
    with pytest.raises(click.Abort):
        talk.interview(file)

    assert f"Your answers are kept in {module.kept_answers(file)}" in talk.screen.getvalue()
    assert "species" in module.kept_answers(file).read_text(encoding="utf-8")
    assert not file.exists()


def test_enter_is_the_usual_answer_and_yes() -> None:
    """On a terminal; what is usual is not printed twice."""

    @click.command()
    def ask() -> None:
        click.echo(repr(module._typed()))
        click.echo(repr(module._yes("Plan with them?")))

    ended = CliRunner().invoke(ask, input="\n\n")

    assert ended.output.splitlines() == ["> ", "''", "Plan with them? [Y/n]: ", "True"]


@pytest.mark.parametrize("as_json", [True, False])
def test_answers_from_a_file_write_the_configuration_and_say_so(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    as_json: bool,
) -> None:
    """As one document, or as verdict and next step."""
    answers, file = tmp_path / "a.toml", tmp_path / "box.toml"
    answers.write_text(answers_text({"name": "box"}), encoding="utf-8")
    monkeypatch.setattr(module, "_judged", lambda _: (SimpleNamespace(text="# new\n"), ()))
    monkeypatch.setattr(module, "_document", lambda path, *_: {"file": str(path)})
    monkeypatch.setattr(module, "_print_verdict", lambda console, *_: console.print("The verdict."))
    arguments = ["new", str(file), "--answers", str(answers), *["--json"] * as_json]

    assert status_of(arguments) == 0

    assert file.read_text(encoding="utf-8") == "# new\n"
    out = capsys.readouterr().out
    if as_json:
        assert json.loads(out) == {"file": str(file)}
    else:
        assert out.startswith("The verdict.\n\nWritten: ")
        assert "Next: `coldpin plan" in out
    assert status_of(arguments) == EX_USAGE
    assert "add --overwrite to replace it" in capsys.readouterr().err
    assert status_of([*arguments, "--overwrite"]) == 0


def test_faulty_answers_name_the_key(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """And nothing is written."""
    answers = tmp_path / "a.toml"
    answers.write_text(answers_text({"packs": "3", "packs_in_water": "8"}), encoding="utf-8")

    assert status_of(["new", str(tmp_path / "c.toml"), "--answers", str(answers)]) == EX_NOINPUT
    assert "packs" in capsys.readouterr().err
    assert not (tmp_path / "c.toml").exists()


@pytest.mark.parametrize("overwrite", [True, False])
def test_on_a_terminal_it_asks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, overwrite: bool
) -> None:
    """About the file that was named, and replaces it where that was said."""
    for stream in (sys.stdin, sys.stdout):
        monkeypatch.setattr(stream, "isatty", lambda: True)
    asked: list[tuple[Path, bool]] = []
    monkeypatch.setattr(
        module, "_interview", lambda _, file, *, overwrite: asked.append((file, overwrite))
    )
    monkeypatch.chdir(tmp_path)

    more = ["--overwrite"] * overwrite
    assert status_of(["new", "c.toml", *more]) == 0
    assert status_of(["new", *more]) == 0
    assert status_of(["new", "c.toml", "--json", *more]) == EX_USAGE

    monkeypatch.setattr("controller.cli.wire.wire", lambda _: None)
    if not overwrite:
        assert status_of(["new", "wired.toml", "--wire"]) == 0
        assert asked.pop() == (Path("wired.toml"), False)
    assert asked == [(Path("c.toml"), overwrite), (Path("my-chamber.toml"), overwrite)]
