"""Stretches of the day, and when a room is warmest: one rule for every room of the package."""

from __future__ import annotations

from datetime import UTC, datetime, time

import pytest

from controller.domain.daytime import WARMEST_HOUR, day_cosine, hour_of, within
from controller.foresight.room_side import sized_room
from controller.rehearsal.simulated_clock import SimulatedClock
from controller.rehearsal.surroundings import Surroundings
from controller.settings.foresight_of import sized_of
from controller.settings.law_of import schedule_of
from controller.settings.load import read_settings
from controller.settings.shipped import shipped_config
from controller.thermal.heat_load import daily_room_c


@pytest.mark.parametrize(
    ("now", "begins", "ends", "inside"),
    [
        (22.0, 22.0, 6.0, True),
        (21.99, 22.0, 6.0, False),
        (0.0, 22.0, 6.0, True),
        (6.0, 22.0, 6.0, False),
        (8.0, 8.0, 20.0, True),
        (20.0, 8.0, 20.0, False),
        (3.0, 8.0, 20.0, False),
        (3.0, 7.0, 7.0, True),
    ],
)
def test_a_stretch_may_go_over_midnight(
    now: float, begins: float, ends: float, inside: bool
) -> None:
    """Hours and times of day by the same rule: the first instant is in it, the last is not."""

    def as_time(hour: float) -> time:
        return time(int(hour), round(hour % 1 * 60) % 60)

    assert within(now, begins, ends) is inside
    if now != 21.99:
        assert within(as_time(now), as_time(begins), as_time(ends)) is inside


def test_the_room_is_warmest_at_one_hour_for_size_rehearsal_and_forecast() -> None:
    """They had 16.0, 16.5 and 17.0: the same chamber was three different ones."""
    settings = read_settings(shipped_config("larkmoor-laptop.toml"))
    room = settings.plant_spec().room
    stage = settings.stages[settings.chamber.stage]
    sized = sized_of(settings, stage)
    clock = SimulatedClock(datetime(2026, 7, 14, tzinfo=UTC))
    rehearsed = Surroundings(
        clock, room=room, series=None, warmer_by_k=(), lights=None, schedule=schedule_of(stage)
    )

    for minutes in range(0, 24 * 60, 7):
        local = datetime(2026, 7, 14, *divmod(minutes, 60), tzinfo=UTC)
        hour = hour_of(local.time())
        expected = daily_room_c(room, hour)
        assert rehearsed.room_c(clock.origin + 60.0 * minutes) == pytest.approx(expected, abs=1e-9)
        assert sized_room(sized).usual_c(hour) == pytest.approx(expected, abs=1e-6)


def test_the_wave_is_one_at_its_warmest() -> None:
    """And minus one half a day later."""
    assert day_cosine(WARMEST_HOUR) == 1.0
    assert day_cosine(WARMEST_HOUR + 12.0) == pytest.approx(-1.0)
    assert day_cosine(WARMEST_HOUR + 24.0) == pytest.approx(1.0)
