"""``coldpin swap``: logged, corrected, taken back; what cannot be is refused."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from controller.cli.main import status_of
from controller.domain.places import state_directory
from controller.domain.requests import Payload
from controller.records.requests_file import REQUESTS, answer_all, ask, swaps
from tests.lookout.houses import settings_with


@pytest.fixture
def config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a chamber whose service is not running."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    settings_with(tmp_path)
    path = tmp_path / "c.toml"
    state_directory(path).mkdir(parents=True, exist_ok=True)
    return path


def logged(config: Path) -> list[tuple[int, datetime]]:
    return [(each.packs, each.at) for each in swaps(state_directory(config) / REQUESTS)]


def test_the_last_change_can_be_taken_back(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Once for each change; the answer names which."""
    assert status_of(["swap", str(config), "--packs", "2", "--at", "2026-07-14T18:00+00:00"]) == 0
    assert status_of(["swap", str(config), "--packs", "3", "--at", "2026-07-14T19:00+00:00"]) == 0
    assert status_of(["swap", str(config), "--undo"]) == 0

    assert "Taken back: 3 packs at 2026-07-14" in capsys.readouterr().out
    assert [packs for packs, _ in logged(config)] == [2]
    assert status_of(["swap", str(config), "--undo"]) == 0
    assert status_of(["swap", str(config), "--undo"]) == 69
    assert "no pack change is logged" in capsys.readouterr().err


def test_a_change_that_may_be_logged_already_is_named(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Logged twice it counts twice: within 20 minutes, and not where one takes another's place."""
    assert status_of(["swap", str(config), "--packs", "2", "--at", "2026-07-14T18:00+00:00"]) == 0
    assert status_of(["swap", str(config), "--packs", "2", "--at", "2026-07-14T18:21+00:00"]) == 0
    assert status_of(["swap", str(config), "--correct", "--packs", "3"]) == 0
    assert "Logged before" not in capsys.readouterr().out

    assert status_of(["swap", str(config), "--packs", "3", "--at", "2026-07-14T18:40+00:00"]) == 0

    shown = capsys.readouterr().out
    assert "Logged before: 3 packs at 2026-07-14" in shown
    assert f"to take this one back: coldpin swap {config} --undo" in shown
    assert [packs for packs, _ in logged(config)] == [2, 3, 3]


def test_a_change_is_logged_while_the_file_cannot_be_used(config: Path) -> None:
    """What was done was done: a key that is wrong elsewhere in the file forbids no note of it."""
    text = config.read_text(encoding="utf-8")
    config.write_text(f"{text}\n[zigzag]\n", encoding="utf-8")

    assert status_of(["check", str(config)]) == 78
    assert status_of(["swap", str(config), "--at", "2026-07-14T18:00+00:00"]) == 0
    assert [packs for packs, _ in logged(config)] == [4]


@pytest.mark.parametrize(
    ("written", "named"),
    [
        ('count = "many"', "plant.packs.count"),
        ("in_reservoir = true", "plant.packs.in_reservoir"),
        ("count = 2\nin_reservoir = 3", "plant.packs.in_reservoir"),
    ],
)
def test_counts_of_packs_that_cannot_be_are_named(
    config: Path, capsys: pytest.CaptureFixture[str], written: str, named: str
) -> None:
    """Then nobody knows what a full set is."""
    config.write_text(f"[plant.packs]\n{written}\n", encoding="utf-8")

    assert status_of(["swap", str(config)]) == 78
    assert named in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "packs", "hour"),
    [
        (["--packs", "3"], 3, 18),
        (["--at", "2026-07-14T17:00+00:00"], 2, 17),
        (["--packs", "1", "--at", "2026-07-14T17:00+00:00"], 1, 17),
    ],
)
def test_the_last_change_can_be_corrected(
    config: Path, words: list[str], packs: int, hour: int
) -> None:
    """What is not named stays as it was, and one change counts."""
    assert status_of(["swap", str(config), "--packs", "2", "--at", "2026-07-14T18:00+00:00"]) == 0

    assert status_of(["swap", str(config), "--correct", *words]) == 0

    assert logged(config) == [(packs, datetime(2026, 7, 14, hour, tzinfo=UTC))]


@pytest.mark.parametrize(
    ("words", "through", "note"),
    [
        (["--packs", "3"], False, "slush"),
        (["--frozen-through", "yes"], True, "slush"),
        (["--frozen-through", "unknown"], None, "slush"),
        (["--note", "half slush"], False, "half slush"),
        (["--note", ""], False, ""),
    ],
)
def test_what_a_correction_does_not_name_stays_as_it_was(
    config: Path, words: list[str], through: bool | None, note: str
) -> None:
    """Packs that were not frozen through are not forgotten to have been so."""
    assert status_of(["swap", str(config), "--frozen-through", "no", "--note", "slush"]) == 0

    assert status_of(["swap", str(config), "--correct", *words]) == 0

    (swap,) = swaps(state_directory(config) / REQUESTS)
    assert (swap.frozen_through, swap.note) == (through, note)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--packs", "500"], "as many as [plant.packs]"),
        (["--at", (datetime.now(UTC) + timedelta(days=365)).isoformat()], "allowed: up to now"),
        (["--undo", "--packs", "2"], "--undo alone"),
        (["--undo", "--note", "slush"], "--undo alone"),
        (["--undo", "--correct"], "--undo alone"),
        (["--correct"], "with what is to be corrected"),
    ],
    ids=["packs", "next-year", "undo-packs", "undo-note", "undo-correct", "correct-alone"],
)
def test_what_cannot_be_is_refused_and_nothing_is_logged(
    config: Path, words: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Says what is allowed; 64, wrong usage."""
    assert status_of(["swap", str(config), "--packs", "1"]) == 0
    before = logged(config)

    assert status_of(["swap", str(config), *words]) == 64

    assert message in " ".join(capsys.readouterr().err.replace("│", " ").split())
    assert logged(config) == before


def answered_at_once(monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    """Stand in for a running service that answers every request with this text."""

    def answered(path: Path, payload: Payload, **more: Any) -> int:
        number = ask(path, payload, **more)
        answer_all(path, [(number, text)], utc_ms=0)
        return number

    monkeypatch.setattr("controller.cli.requests.ask", answered)
    monkeypatch.setattr("controller.cli.requests._running_tick_s", lambda place: 5.0)


@pytest.mark.parametrize(
    ("command", "answer", "says"),
    [
        (["swap", "--packs", "2", "--at", "2026-07-14T18:00+00:00"], "noted", "Logged: 2 packs at"),
        (["pause", "--for", "20 min"], "paused for 1200 s", "Paused until "),
        (["resume"], "done", "The pause is over."),
        (["ack"], "done", "Marked as seen."),
        (["reset"], "done", "The lockout is over."),
    ],
    ids=lambda value: value[0] if isinstance(value, list) else None,
)
def test_the_answer_reports_the_end(
    config: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch,
    command: list[str], answer: str, says: str,
) -> None:  # fmt: skip
    """In the page's words, not in the service's."""
    answered_at_once(monkeypatch, answer)

    assert status_of([command[0], str(config), *command[1:]]) == 0

    assert capsys.readouterr().out.startswith(says)


def test_a_refusal_is_no_success(
    config: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A script that pauses before hands go in must not go on."""
    answered_at_once(monkeypatch, "too late: it is over")

    assert status_of(["pause", str(config)]) == 75

    written = capsys.readouterr()
    assert written.out == ""
    assert "Not done: too late: it is over." in written.err
