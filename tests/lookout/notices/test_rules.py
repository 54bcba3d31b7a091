"""When something is told: early, once, at night only if the crop would suffer before morning."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import Any

import pytest

from controller.domain.alarms import AlarmName
from controller.domain.codec import Codec
from controller.domain.published_forecast import PlannedChange
from controller.domain.requests import Acknowledge, LoggedSwap, Request
from controller.lookout.notices.due import notices_due
from controller.lookout.notices.history import NoticeHistory
from controller.lookout.notices.message import Notice
from controller.lookout.notices.notice_rules import Rules, rules_of
from controller.records.snapshot import Snapshot
from tests.lookout.houses import (
    LIMITS,
    NOW,
    alarm,
    forecast,
    probes,
    settings_with,
    snapshot,
)

RULES = Rules(
    limits=LIMITS,
    leads_s=(3 * 3600.0, 3600.0),
    wakes=time(6, 30),
    sleeps=time(22, 30),
    chamber="hall shelf",
)
MINUTE = timedelta(minutes=1)


def notices_of(
    snapshots: Iterable[Snapshot], rules: Rules = RULES
) -> list[tuple[datetime, Notice]]:
    """Return what is sent as snapshots come in, what was sent going through a file each time."""
    history, codec = NoticeHistory(), Codec(NoticeHistory)
    sent_notices = []
    for each in snapshots:
        history, notices = notices_due(history, each, rules, each.at_utc)
        history = codec.read(codec.text(history))
        sent_notices += [(each.at_utc, notice) for notice in notices]
    return sent_notices


def every(minutes: int, hours: float, **changes: Any) -> list[Snapshot]:
    """Return snapshots from now on, so many minutes apart."""
    count = round(hours * 60 / minutes)
    return [snapshot(NOW + i * minutes * MINUTE, **changes) for i in range(count)]


def test_each_lead_is_reported_once_however_the_forecast_wanders() -> None:
    """Three hours and one hour before the early bound; minutes to and fro change nothing."""
    begins = NOW + timedelta(hours=4)
    snapshots = [
        replace(each, forecast=forecast(begins + (i % 7 - 3) * 5 * MINUTE))
        for i, each in enumerate(every(5, 3.9))
    ]

    at = [when - NOW for when, _ in notices_of(snapshots)]

    assert len(at) == 2
    assert abs(at[0] - timedelta(hours=1)) <= 20 * MINUTE
    assert abs(at[1] - timedelta(hours=3)) <= 20 * MINUTE


def test_a_new_set_begins_anew_and_a_swap_moved_a_little_does_not() -> None:
    """A set is known by its swap, as far as that is known to an hour."""
    begins = NOW + timedelta(hours=2)
    first = snapshot(forecast=forecast(begins))
    moved = snapshot(
        NOW + MINUTE,
        forecast=forecast(begins, swapped=NOW - timedelta(hours=5, minutes=20)),
    )
    swapped = snapshot(NOW + 2 * MINUTE, forecast=forecast(begins, swapped=NOW))

    assert [at for at, _ in notices_of([first, moved, swapped])] == [NOW, NOW + 2 * MINUTE]


def test_leads_that_passed_together_are_one_notice() -> None:
    """A lookout that starts late says the most urgent thing only."""
    ((_, notice),) = notices_of([snapshot(forecast=forecast(NOW + 30 * MINUTE))])

    assert "14:30" in notice.body
    assert "4 packs" in notice.body


@pytest.mark.parametrize(
    ("planned_min", "body"),
    [
        (-20, ("Change 4 packs by 15:40. The cold should last until 16:00, most likely "
         "until 17:00. Reason: no pack is frozen before 15:10.")),
        (45, ("Change 4 packs at 16:45; the cold may run out before, from 16:00. The cold "
         "should last until 16:00, most likely until 17:00. Reason: no pack is frozen before "
         "15:10.")),
    ],
    ids=["in-time", "too-late"],
)  # fmt: skip
def test_nobody_is_asked_for_what_the_plan_cannot_do(planned_min: int, body: str) -> None:
    """Where packs are not frozen in time, it says what will be, and when they can go in."""
    early = NOW + timedelta(hours=2)
    swap = PlannedChange(
        at=early + timedelta(minutes=planned_min),
        packs=4,
        why="the cold may run out from 16:00 on; no pack is frozen before 15:10",
    )

    ((_, notice),) = notices_of([snapshot(forecast=forecast(early, plan=(swap,)))])

    assert notice.body == body
    assert notice.about == "swap_due"


def test_the_night_is_reported_in_the_evening() -> None:
    """Due at four in the morning: said before bedtime, and not again at one."""
    early = NOW.replace(hour=4) + timedelta(days=1)
    snapshots = every(10, 16, forecast=forecast(early))

    ((at, notice),) = notices_of(snapshots)

    assert at.time() == time(21, 0)
    assert notice.body.startswith("Before you sleep: change 4 packs by Wed 03:30.")


def test_a_night_that_turns_bad_wakes_people() -> None:
    """Nothing was said in the evening, and now it would run out before they wake."""
    evening, night = NOW.replace(hour=21, minute=30), NOW.replace(hour=23, minute=30)
    calm = snapshot(evening, forecast=forecast(NOW + timedelta(hours=20)))
    bad = snapshot(night, forecast=forecast(night + timedelta(hours=2)))

    assert [at for at, _ in notices_of([calm, bad])] == [night]


def test_people_are_woken_once_for_a_set_and_told_what_to_do_then() -> None:
    """The plan waits for the morning; who was woken is not sent back to bed, nor woken again."""
    night = NOW.replace(hour=23, minute=30)
    early, waking = night + timedelta(hours=2), NOW.replace(hour=6, minute=30) + timedelta(days=1)
    plan = (PlannedChange(at=waking, packs=4, why="nobody is awake before"),)
    snapshots = [
        snapshot(night + i * 10 * MINUTE, forecast=forecast(early, plan=plan)) for i in range(48)
    ]

    (at, notice), (next_at, _) = notices_of(snapshots)

    assert at == night
    assert notice.body.startswith(
        "Change 4 packs at Wed 06:30; the cold may run out before, from Wed 01:30. "
    )
    assert "To keep the air cool until then, change them now." in notice.body
    assert next_at == waking


def test_people_are_let_sleep_where_morning_is_early_enough() -> None:
    """Due at eight: the three-hour lead falls into the night and waits until they wake."""
    early = NOW.replace(hour=8) + timedelta(days=1)
    snapshots = [
        snapshot(NOW.replace(hour=23) + i * 10 * MINUTE, forecast=forecast(early))
        for i in range(60)
    ]

    assert [at.time() for at, _ in notices_of(snapshots)] == [time(6, 30), time(7, 0)]


def test_an_alarm_is_reported_when_it_is_raised_and_when_it_is_over() -> None:
    """Not in between, and not again at once when it comes back."""
    standing = {"alarms": [alarm("probe_lost", "air")]}
    calm: dict[str, Any] = {"alarms": []}
    story = [calm, standing, standing, calm, standing, calm]
    snapshots = [snapshot(NOW + i * MINUTE, **changes) for i, changes in enumerate(story)]

    bodies = [notice.body for _, notice in notices_of(snapshots)]

    assert bodies[0].startswith("Probe not answering (air probe)")
    assert bodies[1] == "Over: Probe not answering (air probe)."
    assert [body for body in bodies if not body.startswith("Over")] == bodies[:1]


def standing_at(minutes: Iterable[int], name: str = "air_high") -> list[Snapshot]:
    """Return a snapshot a minute; an alarm stands at the minutes given."""
    chosen = set(minutes)
    return [
        snapshot(NOW + i * MINUTE, alarms=[alarm(name)] if i in chosen else [])
        for i in range(max(chosen) + 2)
    ]


def test_an_alarm_that_comes_back_and_stays_is_reported_when_the_quiet_hour_is_over() -> None:
    """Told at 0, over at 10, back at 40 and there to stay: said again at 60, not never."""
    sent_notices = notices_of(standing_at([*range(10), *range(40, 300)]))

    assert [
        (round((at - NOW) / MINUTE), notice.about, notice.urgent) for at, notice in sent_notices
    ] == [
        (0, "air_high", True),
        (10, "air_high", False),
        (60, "air_high", True),
        (300, "air_high", False),
    ]


def test_an_alarm_that_flaps_is_reported_once_an_hour() -> None:
    """Five minutes on, five off, for three hours; nothing is over that was not told."""
    flapping = [i for i in range(181) if i // 5 % 2 == 0]

    sent_notices = [
        (round((at - NOW) / MINUTE), notice) for at, notice in notices_of(standing_at(flapping))
    ]

    assert [minute for minute, notice in sent_notices if notice.urgent] == [0, 60, 120, 180]
    assert len([notice for _, notice in sent_notices if not notice.urgent]) == 4


def test_a_clock_set_back_makes_no_alarm_quiet() -> None:
    """Told an hour ahead of time, over, and raised again by the right clock: it is told."""
    ahead = NOW + timedelta(days=30)
    story = [
        snapshot(ahead, alarms=[alarm("air_high")]),
        snapshot(ahead + MINUTE, alarms=[]),
        snapshot(NOW, alarms=[alarm("air_high")]),
    ]

    assert [at for at, notice in notices_of(story) if notice.urgent] == [ahead, NOW]


def test_a_clock_set_back_does_not_hide_a_silence() -> None:
    """The silence began by the wrong clock; by the right one it is told after three minutes."""
    ahead = snapshot(NOW + timedelta(days=30), silent=True)
    after = [snapshot(NOW + i * MINUTE, silent=True) for i in range(6)]

    assert [at for at, _ in notices_of([ahead, *after])] == [NOW + 3 * MINUTE]


@pytest.mark.parametrize(
    ("name", "at"),
    [("records_failing", time(6, 30)), ("air_high", time(1, 0))],
)
def test_nobody_is_woken_for_what_hurts_no_crop(name: str, at: time) -> None:
    """Raised at one in the morning and standing until eight."""
    night = NOW.replace(hour=1) + timedelta(days=1)
    snapshots = [snapshot(night + i * 10 * MINUTE, alarms=[alarm(name)]) for i in range(42)]

    assert [when.time() for when, _ in notices_of(snapshots)] == [at]


def test_a_forecast_of_packs_that_were_just_taken_out_tells_nothing() -> None:
    """The swap is noted, the next forecast comes within minutes; a swap far ahead is no swap."""
    old = snapshot(NOW + MINUTE, forecast=forecast(NOW + 20 * MINUTE))
    swapped, mistaken = (
        replace(
            old,
            last_swap=LoggedSwap(at=NOW + after, packs=4, logged_at=NOW, frozen_through=None),
        )
        for after in (MINUTE, timedelta(days=30))
    )

    assert notices_of([swapped]) == []
    assert len(notices_of([mistaken])) == 1


def test_a_change_that_was_logged_late_ends_the_old_forecast_too() -> None:
    """Packs in at two to, forecast made at the hour, logged after it: it is of the old packs."""
    late = LoggedSwap(at=NOW - 2 * MINUTE, packs=4, logged_at=NOW + MINUTE, frozen_through=None)
    old = snapshot(NOW + MINUTE, forecast=forecast(NOW + 20 * MINUTE))
    known_before = replace(late, logged_at=NOW - MINUTE)

    assert notices_of([replace(old, last_swap=late)]) == []
    assert len(notices_of([replace(old, last_swap=known_before)])) == 1


def test_only_chosen_alarms_are_reported() -> None:
    """The others stand on the page."""
    rules = replace(RULES, alarms=frozenset({"air_high"}))
    both = snapshot(alarms=[alarm("air_high"), alarm("reservoir_warm")])

    assert [notice.about for _, notice in notices_of([both], rules)] == ["air_high"]


def test_silence_is_reported_once_and_its_end_too() -> None:
    """Three minutes of grace: a restart is no news."""
    snapshots = [snapshot(NOW + i * MINUTE, silent=2 <= i < 12) for i in range(15)]

    sent_notices = notices_of(snapshots)

    assert [round((at - NOW) / MINUTE) for at, _ in sent_notices] == [5, 12]
    assert sent_notices[0][1].urgent
    assert sent_notices[0][1].body.startswith("No data for ")
    assert "Look at the machine" in sent_notices[0][1].body
    assert sent_notices[1][1].body.startswith(
        "No data from 14:02 to 14:12 (10 min). Now: In band: air"
    )


def test_the_summary_comes_once_a_day() -> None:
    """At its hour, with how things are."""
    rules = replace(RULES, summary=time(15, 0))

    sent_notices = notices_of(every(10, 30), rules)

    assert [(at - NOW) / timedelta(hours=1) for at, _ in sent_notices] == [1.0, 25.0]
    assert "In band: air 16.2 °C" in sent_notices[0][1].body


REPEATING = replace(RULES, repeat_s=1800.0)


def minutes(sent_notices: list[tuple[datetime, Notice]]) -> list[int]:
    """Return when notices were sent [min]."""
    return [round((at - NOW) / MINUTE) for at, _ in sent_notices]


def test_a_crop_alarm_is_sent_again_until_somebody_has_seen_it() -> None:
    """Every half hour, with the number of now; from the 100th minute on it is acknowledged."""
    snapshots = [
        snapshot(
            NOW + i * MINUTE,
            alarms=[alarm("air_high", acknowledged=i >= 100)] if i < 200 else [],
            probes=probes(19.0 + i / 100, 13.0),
        )
        for i in range(210)
    ]

    sent_notices = notices_of(snapshots, REPEATING)

    assert minutes(sent_notices) == [0, 30, 60, 90, 200]
    assert sent_notices[0][1].body.startswith(
        "Air too warm: 19.0 °C (limit 19.0 °C). Change the packs"
    )
    assert sent_notices[3][1].body.startswith(
        "Still, since 14:00: Air too warm: 19.9 °C (limit 19.0 °C)."
    )
    assert sent_notices[4][1].body == "Over: Air too warm."


@pytest.mark.parametrize(("name", "count"), [("air_high", 12), ("reservoir_warm", 1)])
def test_the_night_is_quiet_only_for_what_can_wait(name: str, count: int) -> None:
    """From one to seven: what hurts the crop is sent each half hour, what does not once."""
    night = NOW.replace(hour=1) + timedelta(days=1)
    snapshots = [snapshot(night + i * 5 * MINUTE, alarms=[alarm(name)]) for i in range(72)]

    assert len(notices_of(snapshots, REPEATING)) == count


def test_an_alarm_that_was_seen_before_it_was_sent_is_not_sent() -> None:
    """Somebody stood beside it; its end is no news either."""
    seen = snapshot(alarms=[alarm("air_high", acknowledged=True)])

    assert notices_of([seen, snapshot(NOW + MINUTE, alarms=[])]) == []


def test_no_data_is_sent_again_until_somebody_marks_it_as_seen() -> None:
    """The control process cannot answer, but what a person asked for is on record."""
    seen = Request(
        id=1,
        payload=Acknowledge(),
        who="Ann",
        asked_utc_ms=round((NOW + 70 * MINUTE).timestamp() * 1000),
        boot_id="b",
        asked_boot_ms=0,
    )
    before = replace(seen, asked_utc_ms=round((NOW - MINUTE).timestamp() * 1000))
    snapshots = [
        replace(
            snapshot(NOW + i * MINUTE, silent=True),
            requests=(before, seen) if i >= 70 else (before,),
        )
        for i in range(180)
    ]

    sent = notices_of(snapshots, REPEATING)

    assert minutes(sent) == [3, 33, 63]
    assert ["coldpin ack ends" in notice.body for _, notice in sent] == [False, True, True]


@pytest.mark.parametrize(
    ("alarms", "sent"), [(None, []), (frozenset({"frequent_starts"}), ["frequent_starts"])]
)
def test_a_note_is_sent_only_where_it_is_named(
    alarms: frozenset[str] | None, sent: list[str]
) -> None:
    """What needs nobody within a known time is no alarm, by ISA-18.2 and IEC 62682."""
    rules = replace(RULES, alarms=alarms)
    noted = snapshot(alarms=[alarm("frequent_starts")])

    assert [notice.about for _, notice in notices_of([noted], rules)] == sent


def test_a_notice_leads_to_what_it_is_about() -> None:
    """An alarm to its response; without an address that a phone can open there is no link."""
    rules = replace(RULES, page="http://loft.local:8427")
    active = snapshot(alarms=[alarm("air_high")])

    ((_, with_link),) = notices_of([active], rules)
    ((_, without),) = notices_of([active])

    assert with_link.text.endswith("\nhttp://loft.local:8427/#alarms-title")
    assert without.text == without.body


@pytest.mark.parametrize(
    ("keys", "address"),
    [
        ("", ""),
        ('address = "0.0.0.0"', ""),
        ('address = "0.0.0.0"\nnames = ["loft.local"]', "http://loft.local:8427"),
        ('address = "192.0.2.7"\nport = 9000', "http://192.0.2.7:9000"),
        ('address = "fd00::7"', "http://[fd00::7]:8427"),
        ('address = "::1"', ""),
        ('address = "localhost"', ""),
    ],
)
def test_the_link_is_one_that_a_phone_can_open(tmp_path: Path, keys: str, address: str) -> None:
    """Never the machine's own address, which on a phone is the phone."""
    settings = settings_with(tmp_path, f"[lookout]\n{keys}")

    assert rules_of(settings).page == address


@pytest.mark.parametrize("name", list(AlarmName))
def test_every_alarm_can_be_chosen(tmp_path: Path, name: AlarmName) -> None:
    """By the name that scripts see."""
    settings = settings_with(tmp_path, f'[notices]\nalarms = ["{name.value}"]')
    active = snapshot(alarms=[alarm(name.value)])

    sent = [notice.about for _, notice in notices_of([active], rules_of(settings))]

    # packs that are due have leads of their own
    assert sent == ([] if name is AlarmName.SWAP_DUE else [name.value])
