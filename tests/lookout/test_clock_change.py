"""What people are told in the night in which the clocks change.

Source of the instants: summer time in the European Union ends at 01:00 UTC on the last Sunday of
October and begins at 01:00 UTC on the last of March (directive 2000/84/EC); Lisbon is on UTC in
winter.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path

import pytest

from controller.domain.published_forecast import PlannedChange
from controller.domain.status import TimersLeft
from controller.domain.zones import local_time
from controller.foresight.forecast import Forecast
from controller.foresight.swap_plan import SwapPlan
from controller.lookout.forecasting import published
from controller.lookout.notices.due import notices_due
from controller.lookout.notices.history import NoticeHistory
from controller.lookout.notices.notice_rules import Rules
from controller.lookout.page.front import Front, front_of
from controller.settings.load import Settings
from tests.lookout.houses import LIMITS, forecast, settings_with, snapshot
from tests.support.time_zones import zone_of_the_process

AUTUMN = datetime(2026, 10, 24, 22, 0, tzinfo=UTC)
"""23:00 in Lisbon, three hours before the clocks go back."""
SPRING = datetime(2026, 3, 28, 23, 0, tzinfo=UTC)
"""23:00 in Lisbon, two hours before the clocks go forward."""
HOUR = timedelta(hours=1)


@pytest.fixture(params=["named", "machine"])
def settings(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Settings]:
    """Return a chamber in Lisbon, by its own configuration or by the machine's zone."""
    made = settings_with(tmp_path)
    if request.param == "named":
        with zone_of_the_process("America/Chicago"):
            yield made
        return
    site = made.site.model_copy(update={"time_zone": None})
    with zone_of_the_process("Europe/Lisbon"):
        yield made.model_copy(update={"site": site})


def front(settings: Settings, now: datetime, early: datetime, **changes: object) -> Front:
    made = forecast(
        early, as_of=now, plan=(PlannedChange(at=early, packs=4, why="the cold may run out"),)
    )
    return front_of(snapshot(now, forecast=made, **changes), settings, settings.site.zone())


def test_packs_are_due_at_the_hour_that_the_clock_will_show(settings: Settings) -> None:
    """At 23:00 in summer time: nine hours on it is seven, not eight, in winter time."""
    page = front(settings, AUTUMN, AUTUMN + 9 * HOUR)

    assert page.change.do == "Change 4 packs by Sun 07:00."
    assert page.plan[0][0] == "Sun 07:00 (in 9 h)"


def test_how_far_it_is_counts_hours_that_pass(settings: Settings) -> None:
    """From 23:00 to 07:00 are seven hours where an hour is skipped."""
    page = front(settings, SPRING, SPRING + 7 * HOUR)

    assert page.plan[0][0] == "Sun 07:00 (in 7 h)"


def test_a_pause_over_the_change_ends_when_it_does(settings: Settings) -> None:
    """Four hours from half past eleven: half past two, since one hour comes twice."""
    page = front(
        settings,
        AUTUMN + HOUR / 2,
        AUTUMN + 20 * HOUR,
        timers_left=TimersLeft(pause_s=4 * 3600.0),
    )

    assert page.headline.words.startswith("Paused until Sun 02:30")


@pytest.mark.parametrize(("now", "hours"), [(AUTUMN, 5), (SPRING, 4)], ids=["autumn", "spring"])
def test_a_notice_comes_so_long_before_as_it_says(
    settings: Settings, now: datetime, hours: int
) -> None:
    """Three hours of time, whatever the clock on the wall does meanwhile."""
    rules = Rules(
        limits=LIMITS,
        leads_s=(3 * 3600.0,),
        wakes=time(12, 0),
        sleeps=time(11, 0),
        chamber="hall shelf",
    )
    early = now + hours * HOUR
    history, sent = NoticeHistory(), []
    zone = settings.site.zone()
    for minutes in range(0, 60 * hours, 10):
        at = now + timedelta(minutes=minutes)
        made = published(
            Forecast(as_of_s=at.timestamp(), basis="sized", early_s=early.timestamp()),
            SwapPlan(swaps=(), short=False),
            zone=zone,
        )
        shown = replace(snapshot(at, forecast=made), last_swap=None)
        history, notices = notices_due(history, shown, rules, local_time(at, zone))
        sent += [at for _ in notices]

    assert sent == [early - 3 * HOUR]


def test_packs_are_due_so_long_before_as_is_set(settings: Settings) -> None:
    """The alarm of the control process goes by the same instants."""
    early = AUTUMN + 5 * HOUR
    made = published(
        Forecast(as_of_s=AUTUMN.timestamp(), basis="sized", early_s=early.timestamp()),
        SwapPlan(swaps=(), short=False),
        zone=settings.site.zone(),
    )

    assert made.is_due(early - 3 * HOUR, 3 * HOUR) is True
    assert made.is_due(early - 3 * HOUR - timedelta(minutes=1), 3 * HOUR) is False
