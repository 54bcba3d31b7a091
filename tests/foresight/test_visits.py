"""When somebody can come: awake hours, the bed time before a short night, and the freezer."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from controller.foresight.visits import (
    Habits,
    Policy,
    as_soon_as,
    best_visit,
    frozen_at,
    possible_visit,
    waking,
)
from controller.thermal.freezing import FreezerPace, FreezerQueue

HOUR_S = 3600.0
PACE = FreezerPace(refreeze_s=10 * HOUR_S, pack_s=HOUR_S)
HABITS = Habits(wakes_h=7.0, sleeps_h=23.0, packs=8, packs_in_set=4, freezer=PACE)


def hour_at(at_s: float) -> float:
    """Return the local hour: instants count from a midnight."""
    return at_s / HOUR_S % 24.0


def at(hour: float, *, day: int = 0) -> float:
    """Return the instant of an hour of a day."""
    return (24.0 * day + hour) * HOUR_S


@pytest.mark.parametrize(
    ("hour", "awake"),
    [(6.99, False), (7.0, True), (22.99, True), (23.0, False), (31.0, True), (47.5, False)],
)
def test_somebody_is_awake_from_waking_until_bed(hour: float, awake: bool) -> None:
    """Hours of the next day are hours of the day."""
    assert HABITS.awake(hour) is awake


@pytest.mark.parametrize(
    ("spent", "visit", "why"),
    [
        pytest.param(at(15), at(14.5), "the cold may run out from 15:00 on", id="by-day"),
        pytest.param(
            at(3, day=1), at(22.75), "before the night: the cold may run out from 03:00 on",
            id="in-the-night",
        ),
        pytest.param(
            at(7.25, day=1), at(22.75), "before the night: the cold may run out from 07:15 on",
            id="half-an-hour-before-it-they-still-sleep",
        ),
        pytest.param(at(7.5, day=1), at(7, day=1), "the cold may run out from 07:30 on",
                     id="on-waking-in-time"),
        pytest.param(at(15) + 59.0, at(14.5) + 59.0, "the cold may run out from 15:00 on",
                     id="within-the-minute-that-has-begun"),
        pytest.param(at(23.25), at(22.75), "the cold may run out from 23:15 on",
                     id="still-awake-half-an-hour-before"),
    ],
)  # fmt: skip
def test_a_set_is_changed_half_an_hour_before_it_is_spent_or_before_bed(
    spent: float, visit: float, why: str
) -> None:
    """The person's hours come first; the time in words is that at which the cold runs out."""
    assert best_visit(spent, at(12), HABITS, hour_at) == (pytest.approx(visit), why)


def test_where_bed_time_is_over_the_set_is_changed_on_waking() -> None:
    """Nothing can be done any more before the night."""
    earliest = at(23.5)

    assert best_visit(at(3, day=1), earliest, HABITS, hour_at) == (
        at(7, day=1),
        "on waking: the cold may run out from 03:00 on",
    )
    # at bedtime nobody comes any more
    assert best_visit(at(3, day=1), at(23), HABITS, hour_at)[0] == at(7, day=1)


@pytest.mark.parametrize(
    ("earliest", "visit"), [(at(22), at(22.75)), (at(22.75), at(22.75)), (at(22.95), at(22.95))]
)
def test_until_bed_time_the_night_is_still_prepared_for(earliest: float, visit: float) -> None:
    """A quarter of an hour before it, or as soon after that as can be."""
    assert best_visit(at(3, day=1), earliest, HABITS, hour_at) == (
        pytest.approx(visit),
        "before the night: the cold may run out from 03:00 on",
    )


def test_no_visit_is_before_the_earliest() -> None:
    """A set that is spent already is changed at once."""
    assert best_visit(at(12), at(14), HABITS, hour_at)[0] == at(14)


@pytest.mark.parametrize(
    ("asked", "wakes"),
    [(at(3), at(7)), (at(7), at(7)), (at(12), at(12)), (at(23.5), at(7, day=1)),
     (math.inf, math.inf)],
)  # fmt: skip
def test_waking_is_now_or_the_next_morning(asked: float, wakes: float) -> None:
    """Over midnight too."""
    assert waking(asked, HABITS, hour_at) == pytest.approx(wakes)


def queue(*put: float, frozen_share: float = 0.0) -> FreezerQueue:
    """Return a freezer in which a pack each was put at some instants, with room for all."""
    made = FreezerQueue(replace(PACE, pack_s=0.0))
    for at_s in put:
        made = made.put(1, at_s, frozen_share=frozen_share)
    return made


def test_a_whole_set_that_is_frozen_goes_in_when_it_is_wished() -> None:
    """Packs beyond the set stay where they are."""
    freezer = queue(*[at(0)] * 6)

    visit = possible_visit(at(10), freezer, HABITS, hour_at, Policy())

    assert visit == (at(10), 4, "")


def test_what_is_frozen_goes_in_and_it_says_what_is_lacking() -> None:
    """Two are through, two are at four tenths."""
    freezer = queue(at(0), at(0), at(8), at(8))

    visit = possible_visit(at(12), freezer, HABITS, hour_at, Policy())

    assert visit == (at(12), 2, "only 2 of 4 packs are frozen by then")


def test_half_frozen_packs_go_in_where_the_policy_takes_them() -> None:
    """From half on."""
    freezer = queue(at(0), at(0), at(7), at(8))  # 100, 100, 50 and 40 % at 12:00

    at_noon = possible_visit(at(12), freezer, HABITS, hour_at, Policy(half_frozen=True))
    later = possible_visit(at(13), freezer, HABITS, hour_at, Policy(half_frozen=True))

    lacking = "only 2 of 4 packs are frozen by then"
    assert at_noon == (at(12), 3, f"{lacking}, take 1 half frozen too")
    assert later == (at(13), 4, f"{lacking}, take 2 half frozen too")


def test_where_nothing_is_frozen_the_visit_waits_for_the_first_pack_and_for_waking() -> None:
    """It comes at 04:00, they wake at 07:00, when two more have frozen."""
    freezer = queue(at(18), at(20), at(20.5), at(23))

    visit = possible_visit(at(23.5), freezer, HABITS, hour_at, Policy())

    assert visit == (at(7, day=1), 3, "no pack is frozen before 04:00")


def test_an_empty_freezer_and_one_that_never_freezes_say_so() -> None:
    """No date is made up for either."""
    never = FreezerQueue(FreezerPace(refreeze_s=math.inf, pack_s=math.inf)).put(2, 0.0)

    nothing = possible_visit(at(10), FreezerQueue(PACE), HABITS, hour_at, Policy())
    assert nothing == (math.inf, 0, "there are no packs in the freezer")
    assert possible_visit(at(10), never, HABITS, hour_at, Policy()) == (
        math.inf, 0, "the packs never freeze in this freezer",
    )  # fmt: skip


def test_packs_count_as_frozen_when_the_policy_says() -> None:
    """Through, or half; one that went in half frozen is taken from then on."""
    freezer = queue(at(0), at(2))

    assert frozen_at(freezer, 1, Policy()) == at(10)
    assert frozen_at(freezer, 2, Policy()) == at(12)
    assert frozen_at(freezer, 3, Policy()) == math.inf
    assert frozen_at(freezer, 1, Policy(half_frozen=True)) == at(5)
    assert frozen_at(freezer, 2, Policy(half_frozen=True)) == at(7)
    begun = queue(at(0), frozen_share=0.5)
    assert frozen_at(begun, 1, Policy(half_frozen=True)) == at(0)
    little = queue(at(0), frozen_share=0.25)  # 7.5 h to go, a third of them to the half
    assert frozen_at(little, 1, Policy(half_frozen=True)) == pytest.approx(at(2.5))


def test_a_freezer_that_is_short_is_kept_busy() -> None:
    """As soon as they are frozen and somebody is awake, where that is sooner than need be."""
    soon = as_soon_as(at(20), "in the evening", at(9), HABITS, hour_at)
    assert soon == (
        at(9),
        "as soon as they are frozen: the freezer needs the time for the next ones",
    )
    assert as_soon_as(at(20), "in the evening", at(3), HABITS, hour_at)[0] == at(7)
    assert as_soon_as(at(20), "in the evening", at(20), HABITS, hour_at) == (
        at(20), "in the evening",
    )  # fmt: skip
