"""The next pack change: the time to act first, by the early bound, whatever the most likely end."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from controller.domain.published_forecast import PlannedChange, PublishedForecast
from controller.domain.requests import LoggedSwap
from controller.lookout.next_change import next_change
from tests.lookout.houses import NOW, forecast

HOUR = timedelta(hours=1)
EARLY = NOW + 4 * HOUR
"""18:00; the example forecast has its most likely end an hour later."""


def planned(at: datetime, packs: int = 4) -> tuple[PlannedChange, ...]:
    return (PlannedChange(at=at, packs=packs, why="the cold may run out"),)


@pytest.mark.parametrize(
    ("made", "do", "lasts"),
    [
        pytest.param(
            forecast(EARLY, plan=planned(EARLY - HOUR)),
            "Change 4 packs by 17:00.",
            "The cold should last until 18:00, most likely until 19:00.",
            id="planned",
        ),
        pytest.param(
            forecast(EARLY, plan=planned(NOW)),
            "Change 4 packs now.",
            "The cold should last until 18:00, most likely until 19:00.",
            id="now",
        ),
        pytest.param(
            forecast(EARLY, plan=planned(EARLY + HOUR, 1)),
            "Change 1 pack at 19:00; the cold may run out before, from 18:00.",
            "The cold should last until 18:00, most likely until 19:00.",
            id="not-frozen-before",
        ),
        pytest.param(
            forecast(EARLY + 8 * HOUR, plan=()),
            "Change the packs by Wed 02:00.",
            "The cold should last until Wed 02:00, most likely until Wed 03:00.",
            id="no-plan",
        ),
        pytest.param(
            forecast(NOW - HOUR / 2, plan=()),
            "Change the packs now.",
            "The cold may run out at any time; most likely until 14:30.",
            id="early-bound-passed",
        ),
        pytest.param(
            forecast(NOW - 2 * HOUR, plan=()),
            "Change the packs now.",
            "The cold has most likely run out.",
            id="run-out",
        ),
        pytest.param(
            replace(forecast(EARLY), early=None, swap_due=None, late=None, plan=()),
            "No pack change within the next 60 hours.",
            "",
            id="far-away",
        ),
        pytest.param(
            replace(forecast(EARLY), basis="unknown", notes=("no pack change is logged",)),
            "No forecast yet. No pack change is logged.",
            "",
            id="unknown",
        ),
    ],
)
def test_what_to_do_by_when(made: PublishedForecast, do: str, lasts: str) -> None:
    """In words a tired person obeys."""
    swap = LoggedSwap(at=NOW - 5 * HOUR, packs=4, logged_at=NOW - 5 * HOUR, frozen_through=None)

    change = next_change(made, swap, NOW)

    assert (change.do, change.lasts) == (do, lasts)


def test_packs_that_were_just_logged_are_being_worked_out() -> None:
    """The old set's forecast is not shown as the new one's."""
    old = forecast(EARLY, as_of=NOW - timedelta(minutes=4))
    swap = LoggedSwap(at=NOW, packs=4, logged_at=NOW, frozen_through=None)

    assert next_change(old, swap, NOW).do == "Working out how long the packs of 14:00 will last."
    new = replace(old, as_of=NOW + timedelta(seconds=20))
    assert next_change(new, swap, NOW).do.startswith("Change 4 packs by ")


def test_without_a_forecast_the_first_step_is_named() -> None:
    """A first day."""
    assert next_change(None, None, NOW).do == (
        "No forecast yet. Log your first pack change to start it."
    )


def test_the_cold_that_is_left_is_reported_in_per_cent_and_hours() -> None:
    """900 of 1500 kJ, most likely five hours; never as kilojoules."""
    change = next_change(forecast(EARLY), None, NOW)

    assert change.left == "About 60 % of this set's cold is left, some 5 hours."
    assert change.left_share == pytest.approx(0.6)
