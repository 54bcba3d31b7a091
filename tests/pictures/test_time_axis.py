"""Times on a picture in which clocks are set."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from controller.pictures.figures import History, Moment, chamber_figure
from controller.pictures.time_axis import TimeAxis

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

    axis = TimeAxis(instants, BERLIN)

    shown = [datetime.fromisoformat(axis.when(each)) for each in instants]
    assert {b - a for a, b in pairwise(shown)} == {timedelta(minutes=30)}
    at_end = datetime.fromtimestamp(instants[-1], BERLIN).replace(tzinfo=None)
    assert shown[-1] == at_end, "the end of it is what the clock on the wall shows"


def test_a_picture_says_so_where_clocks_are_set_inside_it() -> None:
    """And says nothing on any other day."""
    night = History(
        moments=[Moment(at_s=BACK + HALF_HOUR_S * step, air_c=16.0) for step in range(-4, 5)],
        zone=BERLIN,
        gap_s=HALF_HOUR_S,
    )
    after = History(moments=night.moments[-3:], zone=BERLIN)

    figure = chamber_figure(night)

    title = figure["layout"]["xaxis"]["title"]["text"]
    assert title == "clocks change in here; all times UTC+01:00"
    assert figure["data"][0]["x"] == sorted(set(figure["data"][0]["x"]))
    assert "title" not in chamber_figure(after)["layout"]["xaxis"]


def test_nothing_to_show_has_an_axis_all_the_same() -> None:
    """A chamber without records."""
    assert TimeAxis([], UTC).when(0.0) == "1970-01-01 00:00:00"
    assert TimeAxis([], UTC).layout == {}
