"""Requests from people: kept over a power cut, taken once, answered beside the request."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

import pytest

from controller.core.state import NOTHING_ASKED, Asked
from controller.domain.alarms import AlarmName
from controller.records.requests import (
    Kind,
    answer,
    answer_to,
    ask,
    newest,
    note_past_swap,
    swaps,
    tell_swap_due,
    unanswered,
)
from controller.service.request_desk import RequestDesk
from tests.support.waiting import until

BOOT = "boot-a"
DUE: list[tuple[bool, float]] = []
"""What the loop was told of packs being due."""


def put(path: Path, kind: Kind, boot: str = BOOT, boot_ms: int = 1_000_000, **what: object) -> int:
    """Write a request of a person."""
    return ask(
        path, kind, what, who="Tove", utc_ms=1_780_000_000_000, boot_id=boot, boot_ms=boot_ms
    )


def test_request_waits_until_it_is_answered_and_the_first_answer_stands(tmp_path: Path) -> None:
    """Written, seen, answered; an answer is not overwritten."""
    path = tmp_path / "requests.sqlite"
    number = put(path, Kind.SWAP, packs=3)

    (request,) = unanswered(path)
    assert (request.id, request.kind, request.payload) == (number, Kind.SWAP, {"packs": 3})
    answer(path, number, "noted", utc_ms=1)
    answer(path, number, "again", utc_ms=2)

    assert unanswered(path) == []
    assert answer_to(path, number) == "noted"
    found = newest(path, Kind.SWAP)
    assert found is not None
    assert found.answer == "noted"


def test_requests_of_many_at_once_are_all_kept(tmp_path: Path) -> None:
    """Page and shell at the same moment: every one has its row, none twice."""
    path = tmp_path / "requests.sqlite"

    with ThreadPoolExecutor(8) as pool:
        numbers = list(pool.map(lambda n: put(path, Kind.SWAP, packs=n), range(40)))

    assert sorted(numbers) == list(range(1, 41))
    assert {request.payload["packs"] for request in unanswered(path)} == set(range(40))


@pytest.mark.parametrize(
    ("statement", "left"),
    [
        ("INSERT INTO requests VALUES (9, 'dance', '{}', 'x', 0, '', 0, NULL, NULL)", 1),
        ("INSERT INTO requests VALUES (9, 'swap', 'no json', 'x', 0, '', 0, NULL, NULL)", 1),
        ("INSERT INTO requests VALUES (9, 'swap', '[1]', 'x', 0, '', 0, NULL, NULL)", 1),
    ],
    ids=["unknown-kind", "not-json", "not-a-table"],
)
def test_row_that_nobody_of_ours_wrote_is_passed_over(
    tmp_path: Path, statement: str, left: int
) -> None:
    """The others are served; nothing raises."""
    path = tmp_path / "requests.sqlite"
    put(path, Kind.RESET)
    with sqlite3.connect(path) as file:
        file.execute(statement)
    file.close()

    assert len(unanswered(path)) == left


@pytest.mark.parametrize(
    "content", [b"garbage" * 1000, b"SQLite format 3\x00" + bytes(4000)], ids=["noise", "zeroed"]
)
def test_file_that_is_broken_is_an_os_error(tmp_path: Path, content: bytes) -> None:
    """One kind of error for whoever has to go on without it."""
    path = tmp_path / "requests.sqlite"
    path.write_bytes(content)

    with pytest.raises(OSError, match=r"requests\.sqlite"):
        unanswered(path)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Callable[..., RequestDesk]]:
    """Return a maker of desks that look at the file all the time; all are closed at the end."""
    made: list[RequestDesk] = []

    def make(now_s: float = 1000.0, boot: str | None = BOOT) -> RequestDesk:
        made.append(
            RequestDesk(
                tmp_path / "requests.sqlite",
                boot_id=boot,
                boottime=lambda: now_s,
                set_stage=lambda name: f"stage {name} in force",
                set_swap_due=lambda due, until_s: DUE.append((due, until_s)),
                every_s=0.01,
            )
        )
        return made[-1]

    yield make
    for each in made:
        each.close(5.0)


def first_asked(desk: RequestDesk) -> Asked:
    """Return the first thing that the desk brings to the loop."""
    for _ in range(100_000):
        asked = desk.asked()
        if asked is not NOTHING_ASKED:
            return asked
        desk._stop.wait(0.001)
    raise AssertionError("nothing was brought")


@pytest.mark.parametrize(
    ("kind", "what", "asked", "answered"),
    [
        (Kind.RESET, {}, Asked(reset=True), "done"),
        (Kind.RESUME, {}, Asked(resume=True), "done"),
        (Kind.PAUSE, {"for_s": 600}, Asked(pause_s=600.0), "paused for 600 s"),
        (Kind.ACKNOWLEDGE, {"alarm": "air_high"}, Asked(acknowledge=(AlarmName.AIR_HIGH,)),
         "done"),
        (Kind.ACKNOWLEDGE, {"alarm": None}, Asked(acknowledge=tuple(AlarmName)), "done"),
        (Kind.STAGE, {"name": "pinning"}, Asked(), "stage pinning in force"),
        (Kind.SWAP, {"packs": 2}, Asked(), "noted"),
    ],
    ids=["reset", "resume", "pause", "ack-one", "ack-all", "stage", "swap"],
)  # fmt: skip
def test_request_reaches_the_loop_once_and_is_answered(
    tmp_path: Path,
    desk: Callable[..., RequestDesk],
    kind: Kind,
    what: dict[str, object],
    asked: Asked,
    answered: str,
) -> None:
    """The desk brings it, the loop takes it, the answer is beside it; then there is quiet."""
    path = tmp_path / "requests.sqlite"
    number = put(path, kind, **what)
    here = desk()

    assert first_asked(here) == asked
    assert here.asked() is NOTHING_ASKED
    here.close(5.0)
    assert answer_to(path, number) == answered


@pytest.mark.parametrize(
    ("boot", "boot_ms", "answered"),
    [
        (BOOT, 700_000, "paused for 300 s"),
        (BOOT, 300_000, "too late: it is over"),
        ("boot-b", 999_000, "too late: it is over"),
    ],
    ids=["half-of-it-is-left", "it-is-over", "before-the-last-boot"],
)
def test_pause_asked_for_while_the_service_was_down_counts_from_then(
    tmp_path: Path, desk: Callable[..., RequestDesk], boot: str, boot_ms: int, answered: str
) -> None:
    """Asked at some moment for ten minutes; it is 1000 s after boot now."""
    path = tmp_path / "requests.sqlite"
    number = put(path, Kind.PAUSE, boot=boot, boot_ms=boot_ms, for_s=600)

    first_asked(here := desk())
    here.close(5.0)

    assert answer_to(path, number) == answered


def test_answer_that_was_lost_with_the_power_is_given_again(
    tmp_path: Path, desk: Callable[..., RequestDesk]
) -> None:
    """Taken but not answered before the cut: the next start takes it again, and answers."""
    path = tmp_path / "requests.sqlite"
    number = put(path, Kind.RESET)
    before = desk()
    first_asked(before)
    before._answers.clear()  # the power fails here

    after = desk()

    assert first_asked(after) == Asked(reset=True)
    after.close(5.0)
    assert answer_to(path, number) == "done"


def test_swap_due_has_one_row_and_comes_with_its_end(
    tmp_path: Path, desk: Callable[..., RequestDesk], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Told every few minutes for ever, the file keeps one row; the loop learns until when it holds.

    What was told before the last boot tells nothing.
    """
    path = tmp_path / "requests.sqlite"
    monkeypatch.setattr("controller.records.requests.boot_id", lambda: BOOT)
    monkeypatch.setattr("controller.records.requests.boottime", lambda: 500.0)
    for _ in range(50):
        tell_swap_due(path, due=False, for_s=60.0)
    tell_swap_due(path, due=True, for_s=1800.0)
    DUE.clear()

    with sqlite3.connect(path) as file:
        assert file.execute("SELECT count(*) FROM requests").fetchone() == (1,)
    file.close()
    opened = desk()
    until(lambda: DUE, meanwhile=opened.asked)
    assert DUE == [(True, 2300.0)]

    DUE.clear()
    monkeypatch.setattr("controller.records.requests.boot_id", lambda: "boot-b")
    tell_swap_due(path, due=True, for_s=1800.0)
    until(lambda: not unanswered(path), meanwhile=opened.asked)
    assert DUE == []


def test_a_new_word_on_swap_due_never_takes_the_number_of_the_old(tmp_path: Path) -> None:
    """An answer that is on its way to the old one must not silence the new one."""
    path = tmp_path / "requests.sqlite"
    tell_swap_due(path, due=False, for_s=60.0)
    (old,) = unanswered(path)
    tell_swap_due(path, due=True, for_s=60.0)

    answer(path, old.id, "done", utc_ms=0)

    (new,) = unanswered(path)
    assert new.payload["due"] is True


def test_the_word_on_swap_due_outlives_a_restart_of_the_control_process(
    tmp_path: Path, desk: Callable[..., RequestDesk], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Answered before the restart, it still holds until its end; after a boot it does not."""
    path = tmp_path / "requests.sqlite"
    monkeypatch.setattr("controller.records.requests.boot_id", lambda: BOOT)
    monkeypatch.setattr("controller.records.requests.boottime", lambda: 500.0)
    tell_swap_due(path, due=True, for_s=1800.0)
    (word,) = unanswered(path)
    answer(path, word.id, "done", utc_ms=0)

    def heard(boot: str) -> list[tuple[bool, float]]:
        DUE.clear()
        opened = desk(boot=boot)
        number = put(path, Kind.RESUME)  # comes after the word
        # may bring the word alone at first
        until(lambda: answer_to(path, number) is not None, meanwhile=opened.asked)
        opened.close(5.0)
        assert answer_to(path, number) == "done"
        return list(DUE)

    assert heard(BOOT) == [(True, 2300.0)]
    assert heard("boot-b") == []


def test_a_swap_of_the_past_is_noted_as_of_then(tmp_path: Path) -> None:
    """It asks nothing of anybody, and a forecast of that day may know it."""
    path = tmp_path / "requests.sqlite"
    at = datetime(2026, 7, 1, 18, 30, tzinfo=UTC)

    note_past_swap(path, at=at, packs=4, who="Tove")

    (swap,) = swaps(path)
    assert (swap.at, swap.noted, swap.packs, swap.through) == (at, at, 4, None)
    assert unanswered(path) == []
