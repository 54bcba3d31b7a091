"""Weather through the house: what it changes of the room that is foretold, and what not."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from controller.foresight.outdoors import Outdoors
from controller.foresight.room_side import Room

HOUSE_S = 20 * 3600.0
DAY_S = 86_400.0


def hour_at(at_s: float) -> float:
    """Return the hour of a day that begins at 0."""
    return at_s / 3600.0 % 24.0


def weather(days: int, warmer_from: int | None = None) -> list[tuple[float, float]]:
    """Return hourly outdoor air: a daily wave, and 8 K more from a day on."""
    return [
        (
            hour * 3600.0,
            18.0
            + 5.0 * math.cos((hour - 15) * math.pi / 12)
            + (8.0 if warmer_from is not None and hour >= 24 * warmer_from else 0.0),
        )
        for hour in range(24 * days + 1)
    ]


def test_days_that_are_all_alike_change_nothing() -> None:
    """The usual day is taken away, the wave that reaches the room included."""
    outdoors = Outdoors(weather(6), house_time_constant_s=HOUSE_S, hour_at=hour_at)

    off_k = [outdoors.off_k(t * 3600.0) for t in range(48, 120)]

    assert all(value is not None and abs(value) < 0.1 for value in off_k)


def test_a_hot_day_to_come_warms_the_room_as_fast_as_the_house_follows() -> None:
    """8 K outdoors are 8·(1 - e^(-12/20)) K indoors after twelve hours with 20 h of house."""
    outdoors = Outdoors(weather(6, warmer_from=4), house_time_constant_s=HOUSE_S, hour_at=hour_at)
    before, after = outdoors.off_k(4 * DAY_S), outdoors.off_k(4.5 * DAY_S)

    assert before is not None
    assert after is not None
    assert after - before == pytest.approx(8.0 * -math.expm1(-12 / 20), abs=0.4)


def test_beyond_the_series_nothing_is_reported() -> None:
    """Not a last value held for ever."""
    outdoors = Outdoors(weather(2), house_time_constant_s=HOUSE_S, hour_at=hour_at)

    assert outdoors.off_k(-1.0) is None
    assert outdoors.off_k(2 * DAY_S + 1.0) is None


def test_the_room_ahead_meets_the_room_that_came() -> None:
    """A heat wave foretold: within a third of the error of a forecast that only knows today."""
    outdoors = Outdoors(weather(7, warmer_from=4), house_time_constant_s=HOUSE_S, hour_at=hour_at)
    now_s = 4 * DAY_S
    usual = Room([24.0, 0.0, 0.0, 0.0, 0.0])
    knows = replace(usual, weather_k=lambda ahead_s: outdoors.off_k(now_s + ahead_s))

    def came_c(ahead_s: float) -> float:
        return 24.0 + 8.0 * -math.expm1(-ahead_s / HOUSE_S)

    aheads_s = [3600.0 * hour for hour in range(6, 25)]
    without = sum(abs(usual.ahead_c(0.0, t) - came_c(t)) for t in aheads_s)
    informed = sum(abs(knows.ahead_c(0.0, t) - came_c(t)) for t in aheads_s)
    assert informed < without / 3


def test_where_the_series_ends_the_room_is_the_usual_one() -> None:
    """Half a forecast is none."""
    room = Room([24.0, 0.0, 0.0, 0.0, 0.0], off_k=2.0, weather_k=lambda _: None)

    assert room.ahead_c(0.0, 0.0) == 26.0
