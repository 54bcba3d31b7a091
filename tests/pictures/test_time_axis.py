"""Times on a picture: one offset from UTC, and marks at round hours, days and months."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from controller.pictures.time_axis import DAY_S, HOUR_S, TimeAxis

BERLIN = ZoneInfo("Europe/Berlin")
# Source: directive 2000/84/EC, articles 2 and 3: clocks change at 01:00 UTC on the last Sundays of
# March and October.
BACK = datetime(2026, 10, 25, 1, tzinfo=UTC).timestamp()
FORWARD = datetime(2026, 3, 29, 1, tzinfo=UTC).timestamp()
HALF_HOUR_S = 1800.0


@pytest.mark.parametrize("at_s", [BACK, FORWARD], ids=["hour-twice", "hour-left-out"])
def test_points_lie_as_far_apart_as_their_instants(at_s: float) -> None:
    """No line runs backward and none has a hole, whichever way clocks are set."""
    instants = [at_s + HALF_HOUR_S * step for step in range(-4, 5)]

    axis = TimeAxis(instants[0], instants[-1], BERLIN)

    shown = [axis.local(each).replace(tzinfo=None) for each in instants]
    assert {b - a for a, b in pairwise(shown)} == {timedelta(minutes=30)}
    at_end = datetime.fromtimestamp(instants[-1], BERLIN).replace(tzinfo=None)
    assert shown[-1] == at_end, "the end of it is what the clock on the wall shows"


def test_a_picture_says_so_where_clocks_are_set_inside_it() -> None:
    """And says nothing on any other day."""
    night = TimeAxis(BACK - 2 * HOUR_S, BACK + 2 * HOUR_S, BERLIN)
    after = TimeAxis(BACK + HOUR_S, BACK + 5 * HOUR_S, BERLIN)

    assert night.note == "clocks change in here; all times UTC+01:00"
    assert after.note == ""


MONDAY = datetime(2026, 7, 13, tzinfo=UTC).timestamp()


@pytest.mark.parametrize(
    ("since_s", "length_s", "texts"),
    [
        (MONDAY, DAY_S, ["Mon 13", "06:00", "12:00", "18:00", "Tue 14"]),
        (MONDAY + 1000.0, 6 * HOUR_S, ["01:00", "02:00", "03:00", "04:00", "05:00", "06:00"]),
        (MONDAY, 5 * DAY_S, ["Mon 13", "Tue 14", "Wed 15", "Thu 16", "Fri 17", "Sat 18"]),
        (MONDAY, 7 * DAY_S, ["Mon 13", "Wed 15", "Fri 17", "Sun 19"]),
        (MONDAY, 28 * DAY_S, ["13 Jul", "20 Jul", "27 Jul", "3 Aug", "10 Aug"]),
        (MONDAY, 365 * DAY_S, ["Sep", "Nov", "Jan", "Mar", "May", "Jul"]),
    ],
    ids=["day", "hours", "days", "week", "weeks", "year"],
)
def test_marks_are_at_round_times(since_s: float, length_s: float, texts: list[str]) -> None:
    """No more of them than a phone has room for."""
    axis = TimeAxis(since_s, since_s + length_s, UTC)

    assert [tick.text for tick in axis.ticks(6)] == texts


def test_a_share_is_counted_from_the_beginning() -> None:
    """0 at the first instant, 1 at the last."""
    axis = TimeAxis(MONDAY, MONDAY + 100.0, UTC)

    assert [axis.share(MONDAY + each) for each in (0.0, 25.0, 100.0)] == [0.0, 0.25, 1.0]
