"""``coldpin new`` after the verdict: which changes a person is asked about, and how often."""

from __future__ import annotations

from io import StringIO
from types import SimpleNamespace
from typing import Any

import pytest
from rich.console import Console

from controller.cli import new as module
from controller.planning.answers import Answers, complete
from controller.planning.changes import Applied, Change
from controller.planning.ideas import Effort


def change(key: str, *, holds: bool) -> Change:
    return Change(
        key=key, what=f"{key} on it", effort=Effort.SMALL, before=1.0, after=2.0, unit="",
        gain=0.5, holds=holds,
    )  # fmt: skip


class Talk:
    """An interview after its last question, with a person who answers yes or no in turn."""

    def __init__(self, patch: pytest.MonkeyPatch, better: tuple[Change, ...], says: str) -> None:
        self.better, self.says, self.asked = better, iter(says), list[str]()
        self.judged: list[tuple[str, ...]] = []
        """The changes of each build that was judged."""
        self.screen = StringIO()
        patch.setattr(module, "_judged", self._judge)
        patch.setattr(module, "_print_verdict", lambda *_: None)
        patch.setattr(module, "_yes", self._answer)

    def _judge(self, answers: Answers) -> Any:
        self.judged.append(answers.changes)
        return SimpleNamespace(judgement=SimpleNamespace(holds=False)), self.better

    def _answer(self, question: str) -> bool:
        self.asked.append(question)
        return next(self.says) == "y"

    def settle(self) -> tuple[str, ...]:
        """Return the changes that are planned with."""
        module._settle(
            Console(file=self.screen, width=80, markup=False), complete({}), lambda _: None
        )
        return self.judged[-1]


def test_after_four_changes_nobody_is_asked_for_a_fifth(monkeypatch: pytest.MonkeyPatch) -> None:
    """So many in a row are a new build."""
    talk = Talk(monkeypatch, (change("foam", holds=True),), "yyyyyyyyy")

    assert talk.settle() == ("foam",) * 4
    assert talk.asked == ["Plan with this change: foam on it?"] * 4


@pytest.mark.parametrize(
    ("key", "holds", "asked"),
    [
        pytest.param("foam", True, ["Plan with this change: foam on it?"], id="one-that-mends"),
        pytest.param("foam", False, ["Look for changes that work together?"], id="none-that-does"),
        pytest.param("night-shift", True, [], id="people-are-not-planned-with"),
    ],
)
def test_who_wants_no_change_is_asked_once(
    monkeypatch: pytest.MonkeyPatch, key: str, holds: bool, asked: list[str]
) -> None:
    """The build stays as it was answered."""
    talk = Talk(monkeypatch, (change(key, holds=holds),), "n")

    assert talk.settle() == ()
    assert talk.asked == asked


@pytest.mark.parametrize(("says", "planned"), [("yyn", ("foam", "core")), ("yn", ())])
def test_changes_that_work_together_are_listed_before_they_are_taken(
    monkeypatch: pytest.MonkeyPatch, says: str, planned: tuple[str, ...]
) -> None:
    """All of them or none; a build that they do not mend is asked about again."""
    talk = Talk(monkeypatch, (change("foam", holds=False),), says)
    together = (Applied("foam", "foam on it"), Applied("core", "a larger core"))
    monkeypatch.setattr(module, "mended_answers", lambda _: SimpleNamespace(applied=together))

    assert talk.settle() == planned
    assert talk.asked[1] == "Plan with them?"
    assert "1. foam on it\n2. a larger core\n" in talk.screen.getvalue()


def test_where_all_together_are_not_enough_it_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """And what is written is the build as it was answered."""
    talk = Talk(monkeypatch, (), "y")
    monkeypatch.setattr(module, "mended_answers", lambda _: None)

    assert talk.settle() == ()
    assert "Not even all of them together make it work" in talk.screen.getvalue()
