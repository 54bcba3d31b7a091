"""Requests from people: kept over a power cut, taken once, answered beside the request."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from controller.core.decide import begin
from controller.core.state import NOTHING_ASKED, Asked
from controller.domain.alarms import Alarm, AlarmName
from controller.domain.requests import (
    LONGEST_PAUSE_S,
    Acknowledge,
    LogSwap,
    Pause,
    Payload,
    ReportSwapDue,
    Request,
    RequestKind,
    Reset,
    Resume,
    SetStage,
    kind_of,
)
from controller.pictures.request_answers import answer_words
from controller.records.requests_file import (
    AskedAt,
    answer_all,
    ask,
    forget_past_swaps,
    log_past_swap,
    newest,
    report_swap_due,
    swaps,
    unanswered,
)
from controller.service.pending_requests import MOST_AT_ONCE, PendingRequests
from tests.support.waiting import AT_MOST_S, until

BOOT = "boot-a"
AT = datetime(2026, 5, 28, 18, 30, tzinfo=UTC)
CALM = begin(0.0)
STATE = begin(0.0, locked_since=0.0, alarms=[Alarm(name="air_high", about="", acknowledged=False)])
"""A lockout, and an active alarm."""
DUE: list[tuple[bool, float]] = []
"""What the loop was told of packs being due."""


def put(path: Path, payload: Payload, boot: str = BOOT, boot_ms: int = 1_000_000) -> int:
    """Write a request of a person."""
    at = AskedAt(utc_ms=1_780_000_000_000, boot_id=boot, boot_ms=boot_ms)
    return ask(path, payload, who="Tove", at=at)


def packs(number: int) -> LogSwap:
    return LogSwap(packs=number, at=AT)


def answer_to(path: Path, number: int) -> str | None:
    """Return what the file holds as the answer to a request, one that nobody can read included."""
    with closing(sqlite3.connect(path)) as file:
        row = file.execute("SELECT answer FROM requests WHERE id = ?", (number,)).fetchone()
    return None if row is None else row[0]


def understood(path: Path) -> list[Request]:
    """Return the requests that wait, all of which can be understood."""
    listed = unanswered(path, most=1000)
    assert all(isinstance(each, Request) for each in listed)
    return [each for each in listed if isinstance(each, Request)]


def test_request_waits_until_it_is_answered_and_the_first_answer_stands(tmp_path: Path) -> None:
    """Written, seen, answered; an answer is not overwritten."""
    path = tmp_path / "requests.sqlite"
    number = put(path, packs(3))

    (request,) = understood(path)
    assert (request.id, request.kind, request.payload) == (number, RequestKind.SWAP, packs(3))
    answer_all(path, [(number, "noted")], utc_ms=1)
    answer_all(path, [(number, "again")], utc_ms=2)

    assert unanswered(path, most=1000) == []
    assert answer_to(path, number) == "noted"
    listed = newest(path, RequestKind.SWAP)
    assert listed is not None
    assert listed.answer is not None
    assert (listed.answer.text, listed.answer.at_utc_ms) == ("noted", 1)


def test_requests_of_many_at_once_are_all_kept(tmp_path: Path) -> None:
    """Page and shell at the same moment: every one has its row, none twice."""
    path = tmp_path / "requests.sqlite"

    with ThreadPoolExecutor(8) as pool:
        numbers = list(pool.map(lambda n: put(path, packs(n)), range(40)))

    assert sorted(numbers) == list(range(1, 41))
    assert {request.payload for request in understood(path)} == {packs(n) for n in range(40)}


@pytest.mark.parametrize(
    ("statement", "answered"),
    [
        pytest.param("'dance', '{}'", "this release knows no request 'dance'", id="unknown-kind"),
        pytest.param("'swap', 'no json'", "damaged", id="not-json"),
        pytest.param("'swap', '[1]'", "damaged", id="not-a-table"),
        pytest.param(f"'pause', '{{\"for_s\": 1{'0' * 400}}}'", "damaged", id="huge-pause"),
        pytest.param(
            f"'forecast', '{{\"due\": true, \"until_boot_ms\": 1{'0' * 400}}}'",
            "Overflow",
            id="huge-instant",
        ),
        pytest.param("'pause', '{\"for_s\": NaN}'", "damaged", id="no-number"),
    ],
)
def test_any_row_is_answered_and_none_ends_the_loop(
    tmp_path: Path, open_pending: Callable[..., PendingRequests], statement: str, answered: str
) -> None:
    """Whatever somebody wrote: it is answered in words, and the next one is done."""
    path = tmp_path / "requests.sqlite"
    first = put(path, Reset())
    with sqlite3.connect(path) as file:
        file.execute(
            "INSERT INTO requests VALUES"
            f" (9, {statement}, 'x', 1780000000000, '{BOOT}', 1000000, NULL, NULL)"
        )
    file.close()
    last = put(path, Reset())

    pending = open_pending()
    answers = [answer_when_there(path, number, pending) for number in (first, 9, last)]

    assert (answers[0], answers[2]) == ("done", "done")
    assert answered in answers[1]
    assert unanswered(path, most=1000) == []


def test_requests_beyond_one_batch_are_done_in_order_and_a_pause_first(
    tmp_path: Path, open_pending: Callable[..., PendingRequests]
) -> None:
    """A resume before the pause must not end it, however far back in the queue it stood."""
    path = tmp_path / "requests.sqlite"
    stage = put(path, SetStage(name="pinning"))
    numbers = [put(path, packs(1)) for _ in range(MOST_AT_ONCE + 60)]
    resume = put(path, Resume())
    pause = put(path, Pause(for_s=300))

    pending = open_pending()
    first = next_asked(pending)
    assert first.pause_s == 300.0
    answers = {
        number: answer_when_there(path, number, pending) for number in (stage, resume, pause)
    }

    assert answers[stage] == "stage pinning in force"
    assert answers[pause] == "paused for 300 s"
    assert answers[resume] == "refused: a later pause was asked for after it"
    assert {answer_when_there(path, number, pending) for number in numbers} == {"noted"}


@pytest.mark.parametrize(
    ("payload", "age_s", "refused"),
    [
        pytest.param(Reset(), 599, False, id="reset-in-time"),
        pytest.param(Reset(), 601, True, id="reset-too-old"),
        pytest.param(Pause(for_s=3600), 601, True, id="pause-too-old"),
        pytest.param(SetStage(name="pinning"), 900, False, id="stage-in-time"),
        pytest.param(packs(1), 900, False, id="swap"),
    ],
)
def test_request_older_than_its_age_is_refused_in_words(
    tmp_path: Path,
    open_pending: Callable[..., PendingRequests],
    payload: Payload,
    age_s: int,
    refused: bool,
) -> None:
    """What was meant for a moment is not done hours later; what happened is noted at any age."""
    path = tmp_path / "requests.sqlite"
    number = put(path, payload, boot_ms=(1000 - age_s) * 1000)

    text = answer_when_there(path, number, open_pending())

    assert text.startswith("refused: it was asked") is refused


@pytest.mark.parametrize(
    ("age_s", "answer_text"),
    [
        (86_400 + 7200, "26 h ago, allowed: up to 24 h"),
        (3 * 86_400, "3 days ago, allowed: up to 24 h"),
    ],
)
def test_a_refusal_says_the_age_in_a_unit_that_suits_it(
    tmp_path: Path, open_pending: Callable[..., PendingRequests], age_s: int, answer_text: str
) -> None:
    """Hours up to two days, then days."""
    path = tmp_path / "requests.sqlite"
    number = put(path, SetStage(name="pinning"), boot_ms=(1000 - age_s) * 1000)

    assert answer_text in answer_when_there(path, number, open_pending())


def test_a_file_that_cannot_be_read_is_logged_once_and_once_when_it_can(
    tmp_path: Path, open_pending: Callable[..., PendingRequests], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not at every try: a full log would hide what else is wrong."""
    tries = []

    def refused(*_: object, **__: object) -> list[Request]:
        tries.append(len(tries))
        if len(tries) < 4:
            raise OSError("the medium is gone")
        return []

    monkeypatch.setattr("controller.service.pending_requests.unanswered", refused)
    with capture_logs() as logs:
        pending = open_pending()
        until(lambda: len(tries) >= 2 and pending.fault == "the medium is gone")
        until(lambda: len(tries) >= 6 and pending.fault is None)
        pending.close(5.0)

    events = [log["event"] for log in logs if log["event"].startswith("requests_")]
    assert events == ["requests_not_readable", "requests_readable_again"]


@pytest.mark.parametrize(
    ("utc_s", "answered"),
    [
        pytest.param(1_780_000_030.0, "done", id="the-clock-tells"),
        pytest.param(1_780_009_000.0, "refused: it was asked 2 h ago", id="too-old"),
        pytest.param(0.0, "its age is not known", id="the-clock-is-not-set"),
    ],
)
def test_reset_of_another_boot_is_done_only_where_a_clock_tells_its_age(
    tmp_path: Path, open_pending: Callable[..., PendingRequests], utc_s: float, answered: str
) -> None:
    """Unknown is never good news."""
    path = tmp_path / "requests.sqlite"
    number = put(path, Reset(), boot="boot-b")

    assert answered in answer_when_there(path, number, open_pending(utc_s=utc_s))


def test_file_of_a_newer_release_is_left_alone_and_reported(
    tmp_path: Path, open_pending: Callable[..., PendingRequests]
) -> None:
    """Its version is read before anything is changed, its journal mode included."""
    path = tmp_path / "requests.sqlite"
    with sqlite3.connect(path) as file:
        file.execute("PRAGMA journal_mode = WAL")
        file.execute("CREATE TABLE requests (id)")
        file.execute("PRAGMA user_version = 9")
    file.close()
    content = path.read_bytes()

    pending = open_pending()
    until(lambda: pending.fault is not None)
    pending.close(5.0)

    assert pending.fault is not None
    assert "newer release (version 9" in pending.fault
    assert pending.set_aside is None
    assert path.read_bytes() == content


@pytest.mark.parametrize(
    "content", [b"garbage" * 1000, b"SQLite format 3\x00" + bytes(4000)], ids=["noise", "zeroed"]
)
def test_file_that_is_broken_is_an_os_error(tmp_path: Path, content: bytes) -> None:
    """One kind of error for whoever has to go on without it."""
    path = tmp_path / "requests.sqlite"
    path.write_bytes(content)

    with pytest.raises(OSError, match=r"requests\.sqlite"):
        unanswered(path, most=1000)


@pytest.fixture
def open_pending(tmp_path: Path) -> Iterator[Callable[..., PendingRequests]]:
    """Return a maker of what looks at the file all the time; all are closed at the end."""
    made: list[PendingRequests] = []

    def make(
        now_s: float = 1000.0, boot: str | None = BOOT, utc_s: float = 1_780_000_010.0
    ) -> PendingRequests:
        made.append(
            PendingRequests(
                tmp_path / "requests.sqlite",
                boot_id=boot,
                boottime=lambda: now_s,
                set_stage=lambda name: f"stage {name} in force",
                set_swap_due=lambda due, until_s: DUE.append((due, until_s)),
                every_s=0.01,
                utc=lambda: utc_s,
            )
        )
        return made[-1]

    yield make
    for each in made:
        each.close(5.0)


def next_asked(open_pending: PendingRequests) -> Asked:
    """Return what the loop is asked once requests have come."""
    until(lambda: open_pending._waiting)
    return open_pending.take(STATE)


def answer_when_there(path: Path, number: int, open_pending: PendingRequests) -> str:
    """Return the answer to a request, the loop taking what comes meanwhile."""
    until(lambda: answer_to(path, number) is not None, meanwhile=lambda: open_pending.take(STATE))
    text = answer_to(path, number)
    assert text is not None
    return text


@pytest.mark.parametrize(
    ("payload", "asked", "answered"),
    [
        (Reset(), Asked(reset=True), "done"),
        (Resume(), Asked(resume=True), "nothing to do: no pause was running"),
        (Pause(for_s=600), Asked(pause_s=600.0), "paused for 600 s"),
        (Acknowledge(alarm="air_high"), Asked(acknowledge=(AlarmName.AIR_HIGH,)),
         "done"),
        (Acknowledge(), Asked(acknowledge=tuple(AlarmName)), "done"),
        (SetStage(name="pinning"), Asked(), "stage pinning in force"),
        (packs(2), Asked(), "noted"),
    ],
    ids=["reset", "resume", "pause", "ack-one", "ack-all", "stage", "swap"],
)  # fmt: skip
def test_request_reaches_the_loop_once_and_is_answered(
    tmp_path: Path,
    open_pending: Callable[..., PendingRequests],
    payload: Payload,
    asked: Asked,
    answered: str,
) -> None:
    """It is brought, the loop takes it, the answer is beside it; then there is quiet."""
    path = tmp_path / "requests.sqlite"
    number = put(path, payload)
    pending = open_pending()

    assert next_asked(pending) == asked
    assert pending.take(STATE) is NOTHING_ASKED
    pending.close(5.0)
    assert answer_to(path, number) == answered


@pytest.mark.parametrize(
    ("payload", "answered"),
    [
        (Reset(), "nothing to do: no lockout was in force"),
        (Acknowledge(), "nothing to do: no alarm was active"),
        (Acknowledge(alarm="air_low"), "nothing to do: air_low was not active"),
        (Resume(), "nothing to do: no pause was running"),
    ],
)
def test_where_there_is_nothing_to_end_or_mark_the_answer_says_so(
    tmp_path: Path, open_pending: Callable[..., PendingRequests], payload: Payload, answered: str
) -> None:
    """And the loop is asked all the same: it may have come meanwhile."""
    path = tmp_path / "requests.sqlite"
    number = put(path, payload)
    pending = open_pending()
    until(lambda: pending._waiting)

    assert pending.take(CALM) != NOTHING_ASKED
    pending.close(5.0)
    assert answer_to(path, number) == answered
    request = newest(path, kind_of(payload))
    assert request is not None
    assert request.answer is not None
    assert request.answer.found_nothing
    assert answer_words(request, AT) == f"{answered.capitalize()}."


def test_a_pause_and_its_end_of_one_moment_are_both_done(
    tmp_path: Path, open_pending: Callable[..., PendingRequests]
) -> None:
    """The loop has not heard of the pause when its end is read."""
    path = tmp_path / "requests.sqlite"
    put(path, Pause(for_s=600))
    number = put(path, Resume())
    pending = open_pending()
    until(lambda: len(pending._waiting) == 2)

    assert pending.take(CALM).resume
    pending.close(5.0)
    assert answer_to(path, number) == "done"


@pytest.mark.parametrize(
    ("boot", "boot_ms", "answered"),
    [
        (BOOT, 700_000, "paused for 300 s"),
        (BOOT, 399_000, "refused: it was asked 10 min ago, allowed: up to 10 min"),
        ("boot-b", 999_000, "too late: it is over"),
    ],
    ids=["half-of-it-is-left", "too-old", "before-the-last-boot"],
)
def test_pause_asked_for_while_the_service_was_down_counts_from_then(
    tmp_path: Path,
    open_pending: Callable[..., PendingRequests],
    boot: str,
    boot_ms: int,
    answered: str,
) -> None:
    """Asked at some moment for ten minutes; it is 1000 s after boot now."""
    path = tmp_path / "requests.sqlite"
    number = put(path, Pause(for_s=600), boot=boot, boot_ms=boot_ms)

    next_asked(pending := open_pending())
    pending.close(5.0)

    text = answer_to(path, number)
    assert text is not None
    assert text.startswith(answered)


@pytest.mark.parametrize("for_s", [LONGEST_PAUSE_S, LONGEST_PAUSE_S + 1, 86_400.0, 1e9])
def test_a_pause_has_a_cap_whoever_wrote_it(
    tmp_path: Path, open_pending: Callable[..., PendingRequests], for_s: float
) -> None:
    """Four hours: a forgotten pause must not cost a crop. Commands and page refuse more already."""
    path = tmp_path / "requests.sqlite"
    number = put(path, Pause(for_s=for_s), boot_ms=1_000_000)

    asked = next_asked(pending := open_pending())
    pending.close(5.0)

    assert LONGEST_PAUSE_S == 4 * 3600
    assert asked == Asked(pause_s=14_400.0)
    assert answer_to(path, number) == "paused for 14400 s"


def test_a_request_is_brought_while_an_earlier_one_still_waits_for_the_loop(
    tmp_path: Path, open_pending: Callable[..., PendingRequests]
) -> None:
    """A tick may be long; both are done in it, each once."""
    path = tmp_path / "requests.sqlite"
    first = put(path, packs(1))
    pending = open_pending()
    until(lambda: len(pending._waiting) == 1)

    second = put(path, Reset())

    until(lambda: len(pending._waiting) == 2)
    assert pending.take(STATE) == Asked(reset=True)
    pending.close(5.0)
    assert [answer_to(path, number) for number in (first, second)] == ["noted", "done"]


def test_the_end_waits_a_second_for_the_medium_and_no_longer(
    tmp_path: Path, open_pending: Callable[..., PendingRequests], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A card that hangs must not keep the service from its end; what it takes is written."""
    number = put(tmp_path / "requests.sqlite", Reset())
    next_asked(pending := open_pending())
    join, waits = pending._thread.join, list[float | None]()

    def joined(timeout: float | None = None) -> None:
        waits.append(timeout)
        join(AT_MOST_S)

    monkeypatch.setattr(pending._thread, "join", joined)
    pending.close()

    assert waits == [1.0]
    assert not pending._thread.is_alive()
    assert answer_to(tmp_path / "requests.sqlite", number) == "done"


def test_answer_that_was_lost_with_the_power_is_given_again(
    tmp_path: Path, open_pending: Callable[..., PendingRequests]
) -> None:
    """Taken but not answered before the cut: the next start takes it again, and answers."""
    path = tmp_path / "requests.sqlite"
    number = put(path, Reset())
    before = open_pending()
    next_asked(before)
    before._answers.clear()  # the power fails here

    after = open_pending()

    assert next_asked(after) == Asked(reset=True)
    after.close(5.0)
    assert answer_to(path, number) == "done"


def test_swap_due_has_one_row_and_comes_with_its_end(
    tmp_path: Path, open_pending: Callable[..., PendingRequests], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Told every few minutes for ever, the file keeps one row; the loop learns until when it holds.

    What was told before the last boot tells nothing.
    """
    path = tmp_path / "requests.sqlite"
    monkeypatch.setattr("controller.records.requests_file.boot_id", lambda: BOOT)
    monkeypatch.setattr("controller.records.requests_file.boottime", lambda: 500.0)
    for _ in range(50):
        report_swap_due(path, due=False, for_s=60.0)
    report_swap_due(path, due=True, for_s=1800.0)
    DUE.clear()

    with sqlite3.connect(path) as file:
        assert file.execute("SELECT count(*) FROM requests").fetchone() == (1,)
    file.close()
    opened = open_pending()
    until(lambda: DUE, meanwhile=lambda: opened.take(STATE))
    assert DUE == [(True, 2300.0)]

    DUE.clear()
    monkeypatch.setattr("controller.records.requests_file.boot_id", lambda: "boot-b")
    report_swap_due(path, due=True, for_s=1800.0)
    until(lambda: not unanswered(path, most=1000), meanwhile=lambda: opened.take(STATE))
    assert DUE == []


def test_a_new_report_of_swap_due_never_takes_the_number_of_the_old(tmp_path: Path) -> None:
    """An answer that is on its way to the old one must not silence the new one."""
    path = tmp_path / "requests.sqlite"
    report_swap_due(path, due=False, for_s=60.0)
    (old,) = unanswered(path, most=1000)
    report_swap_due(path, due=True, for_s=60.0)

    answer_all(path, [(old.id, "done")], utc_ms=0)

    (new,) = understood(path)
    assert isinstance(new.payload, ReportSwapDue)
    assert new.payload.due is True


def test_the_report_of_swap_due_outlives_a_restart_of_the_control_process(
    tmp_path: Path, open_pending: Callable[..., PendingRequests], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Answered before the restart, it still holds until its end; after a boot it does not."""
    path = tmp_path / "requests.sqlite"
    monkeypatch.setattr("controller.records.requests_file.boot_id", lambda: BOOT)
    monkeypatch.setattr("controller.records.requests_file.boottime", lambda: 500.0)
    report_swap_due(path, due=True, for_s=1800.0)
    (message,) = unanswered(path, most=1000)
    answer_all(path, [(message.id, "done")], utc_ms=0)

    def received(boot: str) -> list[tuple[bool, float]]:
        DUE.clear()
        opened = open_pending(boot=boot)
        number = put(path, Reset())  # comes after the word
        # may bring the word alone at first
        until(lambda: answer_to(path, number) is not None, meanwhile=lambda: opened.take(STATE))
        opened.close(5.0)
        assert answer_to(path, number) == "done"
        return list(DUE)

    assert received(BOOT) == [(True, 2300.0)]
    assert received("boot-b") == []


def test_a_swap_of_the_past_is_noted_as_of_then(tmp_path: Path) -> None:
    """It asks nothing of anybody, and a forecast of that day may know it."""
    path = tmp_path / "requests.sqlite"
    at = datetime(2026, 7, 1, 18, 30, tzinfo=UTC)

    log_past_swap(path, at=at, packs=4, who="Tove")

    (swap,) = swaps(path)
    assert (swap.at, swap.logged_at, swap.packs, swap.frozen_through) == (at, at, 4, None)
    assert unanswered(path, most=1000) == []


@pytest.mark.parametrize(
    ("first_s", "second_s", "asked", "answered"),
    [
        (900, 300, Asked(pause_s=900.0), "paused for 900 s: a longer pause was running already"),
        (300, 900, Asked(pause_s=900.0), "paused for 900 s"),
    ],
    ids=["longer-first", "shorter-first"],
)
def test_of_two_pauses_the_longer_one_holds(
    tmp_path: Path,
    open_pending: Callable[..., PendingRequests],
    first_s: float,
    second_s: float,
    asked: Asked,
    answered: str,
) -> None:
    """Two people, two phones: nobody's hands are left in a chamber that starts."""
    path = tmp_path / "requests.sqlite"
    put(path, Pause(for_s=first_s), boot_ms=1_000_000)
    second = put(path, Pause(for_s=second_s), boot_ms=1_000_000)
    pending = open_pending()
    until(lambda: len(pending._waiting) == 2)

    assert pending.take(STATE) == asked
    assert answer_when_there(path, second, pending) == answered


def test_a_pause_after_a_resume_is_as_long_as_it_says(
    tmp_path: Path, open_pending: Callable[..., PendingRequests]
) -> None:
    """Whoever wants a shorter one ends the longer one first."""
    path = tmp_path / "requests.sqlite"
    put(path, Pause(for_s=900), boot_ms=1_000_000)
    pending = open_pending()
    next_asked(pending)
    put(path, Resume())
    next_asked(pending)
    put(path, Pause(for_s=300), boot_ms=1_000_000)

    assert next_asked(pending) == Asked(pause_s=300.0)


@pytest.mark.parametrize(
    ("ahead", "counts"), [(timedelta(days=365), False), (timedelta(minutes=4), True)]
)
def test_a_pack_change_noted_for_next_year_is_refused_and_does_not_count(
    tmp_path: Path, open_pending: Callable[..., PendingRequests], ahead: timedelta, counts: bool
) -> None:
    """Whoever wrote it: the forecast would wait for packs that are not there."""
    path = tmp_path / "requests.sqlite"
    now = datetime.fromtimestamp(1_780_000_000.0, UTC)
    number = put(path, LogSwap(packs=4, at=now + ahead))

    text = answer_when_there(path, number, open_pending())

    assert text.startswith("noted" if counts else "refused: it is noted for 365 days after")
    assert bool(swaps(path)) is counts


def test_a_pause_holds_to_its_last_second(
    tmp_path: Path, open_pending: Callable[..., PendingRequests]
) -> None:
    """Ten minutes asked for almost ten minutes ago."""
    number = put(tmp_path / "requests.sqlite", Pause(for_s=600), boot_ms=400_900)

    assert (
        answer_when_there(tmp_path / "requests.sqlite", number, open_pending()) == "paused for 1 s"
    )


def test_a_pause_that_ends_with_another_is_no_shorter_one(
    tmp_path: Path, open_pending: Callable[..., PendingRequests]
) -> None:
    """Two people at one moment: both read the same."""
    path = tmp_path / "requests.sqlite"
    numbers = [put(path, Pause(for_s=600)) for _ in range(2)]
    pending = open_pending()

    assert [answer_when_there(path, each, pending) for each in numbers] == ["paused for 600 s"] * 2


def test_what_a_person_asked_for_is_in_the_log_with_the_answer(
    tmp_path: Path, open_pending: Callable[..., PendingRequests]
) -> None:
    """What the lookout reports every few minutes is not."""
    path = tmp_path / "requests.sqlite"
    pending = open_pending()
    with capture_logs() as logs:
        report = put(path, ReportSwapDue(due=False, until_boot_ms=2_000_000))
        reset = put(path, Reset())
        for number in (report, reset):
            answer_when_there(path, number, pending)

    asked = [line for line in logs if line["event"] == "request"]
    assert [(line["kind"], line["who"], line["answer"]) for line in asked] == [
        ("reset", "Tove", "done")
    ]


def test_swaps_of_an_import_are_taken_back_and_no_others(tmp_path: Path) -> None:
    """Those of one history; what a person logged, and another history, stay."""
    path = tmp_path / "requests.sqlite"
    assert forget_past_swaps(path, who="a.csv") == 0
    assert not path.exists()
    for who, packs_in in (("a.csv", 1), ("a.csv", 2), ("b.csv", 3)):
        log_past_swap(path, packs=packs_in, at=AT, who=who)
    put(path, packs(4))

    assert forget_past_swaps(path, who="a.csv") == 2

    assert [swap.packs for swap in swaps(path)] == [3, 4]
    assert forget_past_swaps(path, who="a.csv") == 0


def test_the_file_is_one_that_the_released_version_reads(tmp_path: Path) -> None:
    """Release 0.1.0 refuses any number above 1."""
    put(tmp_path / "requests.sqlite", Reset())

    with closing(sqlite3.connect(tmp_path / "requests.sqlite")) as file:
        assert file.execute("PRAGMA user_version").fetchone() == (1,)


@pytest.mark.parametrize(
    "damage", [b"no database at all", b"SQLite format 3\0" + b"\xff" * 8000], ids=["text", "pages"]
)
def test_a_damaged_file_is_set_aside_so_that_people_can_ask_again(
    open_pending: Callable[..., PendingRequests], tmp_path: Path, damage: bytes
) -> None:
    """A pause with hands in the chamber; numbers begin anew, and no old answer fits a new one."""
    path = tmp_path / "requests.sqlite"
    for _ in range(3):
        put(path, Pause(for_s=60.0))
    waiting = open_pending()
    next_asked(waiting)
    path.write_bytes(damage)

    until(lambda: waiting.set_aside is not None)
    aside = tmp_path / "requests.sqlite.damaged-1"
    assert waiting.set_aside == aside
    assert aside.read_bytes() == damage
    until(lambda: waiting.fault is None)

    number = put(path, Resume())
    assert number == 1
    asked = next_asked(waiting)

    assert asked.resume, "no pause of the old file was asked for later"
    until(lambda: answer_to(path, number) is not None)
    assert answer_to(path, number) == "done"
