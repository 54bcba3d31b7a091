"""What waits, what is left out, and when an outage is one."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from pathlib import Path

import pytest

from controller.lookout.notices.history import NoticeHistory
from controller.lookout.notices.message import NO_DATA, Notice
from controller.lookout.notices.notice_rules import Rules
from controller.lookout.notices.outage import JUDGED_FOR_S, SEEN_EVERY_S, OutageWatch
from controller.lookout.notices.queue import (
    GIVEN_UP_AFTER,
    MOST_JOINED,
    MOST_WAITING,
    ClockPair,
    Waiting,
    is_given_up,
    joined,
    with_notice,
)
from controller.lookout.notices.sending import LONGEST_PAUSE_S, Sender
from controller.lookout.notices.services import Service
from tests.lookout.houses import LIMITS, NOW, alarm, snapshot

RULES = Rules(limits=LIMITS, leads_s=(), wakes=time(6, 30), sleeps=time(22, 30), chamber="shelf")


def clock(after_s: float, *, boot: str = "b", boottime_s: float | None = None) -> ClockPair:
    """Return an instant so long after NOW."""
    return ClockPair(
        utc_s=NOW.timestamp() + after_s,
        boot_id=boot,
        boottime_s=after_s if boottime_s is None else boottime_s,
    )


def waiting(text: str, after_s: float = 0.0, *, crop: bool = False, key: str = "") -> Waiting:
    notice = Notice(title="shelf", body=text, crop=crop, alarm=key)
    return Waiting(notice=notice, at=clock(after_s), left=(1,))


def test_of_too_many_those_of_a_hurt_crop_go_last() -> None:
    """The oldest of the others first."""
    kept: tuple[Waiting, ...] = (waiting("crop", crop=True, key="air_high"),)
    for number in range(MOST_WAITING + 5):
        kept = with_notice(kept, waiting(str(number)))

    assert len(kept) == MOST_WAITING
    assert [each.notice.body for each in kept[:2]] == ["crop", "6"]


@pytest.mark.parametrize(
    ("history", "given_up"), [(NoticeHistory(), True), (NoticeHistory(no_data_sent_s=1.0), False)]
)
def test_no_data_is_never_given_up_while_it_lasts(history: NoticeHistory, given_up: bool) -> None:
    """A day and more without network: it is still true."""
    old = waiting("No data", crop=True, key=NO_DATA)
    now = clock(GIVEN_UP_AFTER.total_seconds() + 60.0)

    assert is_given_up(old, history.active, now) is given_up


def test_what_is_joined_stays_short_enough_for_a_phone() -> None:
    """The newest are written out, the others counted."""
    late = [waiting(f"notice {number}", 60.0 * number) for number in range(MOST_JOINED + 3)]

    body = joined(late, clock(7200.0), NOW + timedelta(hours=2)).body.splitlines()

    assert body[:3] == [
        "No notice could be sent since 14:00. Meanwhile:",
        "3 earlier notices are left out.",
        "14:03 notice 3",
    ]
    assert len(body) == 2 + MOST_JOINED


def completed(watch: OutageWatch, now: ClockPair, *, silent: bool = False) -> list[Notice]:
    local = datetime.fromtimestamp(now.utc_s, UTC)
    return watch.completed([], snapshot(local, silent=silent), RULES, now, local)


def test_an_outage_is_reported_once_the_chamber_can_be_seen() -> None:
    """While there is no data, what it is like now cannot be said."""
    watch = OutageWatch(clock(0.0, boot="before"), lambda _since, _until: ())

    assert completed(watch, clock(7200.0, boottime_s=10.0), silent=True) == []
    (notice,) = completed(watch, clock(7260.0, boottime_s=70.0))
    assert notice.body.startswith("No notice could be sent from 14:00 to 16:01 (")
    assert completed(watch, clock(7320.0, boottime_s=130.0)) == []


def test_a_clock_that_is_set_days_after_the_start_makes_no_outage() -> None:
    """By then people have seen the page; a jump says nothing of the time before the start."""
    watch = OutageWatch(clock(0.0, boot="before"), lambda _since, _until: ())

    assert completed(watch, clock(10.0, boottime_s=10.0)) == []
    late_s = JUDGED_FOR_S + 20.0
    assert completed(watch, clock(late_s + 90_000.0, boottime_s=late_s)) == []


def test_that_the_chamber_was_watched_is_kept_seldom() -> None:
    """A card wears by every write; another boot is kept at once."""
    watch, first = OutageWatch(None, lambda _since, _until: ()), clock(0.0)

    assert watch.seen(None, first) is first
    assert watch.seen(first, clock(SEEN_EVERY_S - 1.0)) is first
    assert watch.seen(first, clock(SEEN_EVERY_S)) == clock(SEEN_EVERY_S)
    assert watch.seen(first, clock(5.0, boot="c")) == clock(5.0, boot="c")


def test_no_pause_is_longer_than_a_server_asks_for(tmp_path: Path) -> None:
    """After many failures the next try would be half an hour away; it asked for 40 s."""
    sender = Sender(
        tmp_path,
        RULES,
        [Service(number=1, kind="fake", deliver=lambda _: False)],
        since_boot=lambda: 100.0,
    )

    assert sender._pause_s(20) == LONGEST_PAUSE_S
    sender._states[1].not_before_s = 140.0
    assert sender._pause_s(20) == 40.0


def test_a_test_message_that_arrives_ends_the_wait(tmp_path: Path) -> None:
    """The server took it: what waits is sent at once, whatever it asked for before."""
    got: list[str] = []
    sender = Sender(
        tmp_path,
        RULES,
        [Service(number=1, kind="fake", deliver=lambda notice: not got.append(notice.about))],
        since_boot=lambda: 100.0,
    )
    sender._states[1].not_before_s = 5000.0
    sender(snapshot(alarms=[alarm("air_high")]))
    assert not sender.send_waiting(NOW)

    sender.send_test()

    assert sender.send_waiting(NOW)
    assert got == ["", "air_high"]
