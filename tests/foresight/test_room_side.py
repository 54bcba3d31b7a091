"""The room over the coming day: its wave from the configuration, from a probe, and from today."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from controller.domain.daytime import WARMEST_HOUR
from controller.foresight.outdoors import Outdoors
from controller.foresight.room_side import (
    OFF_LASTS_S,
    Room,
    day_wave,
    learned_room,
    room_row,
    sized_room,
)
from controller.foresight.sized import sized_from
from controller.thermal.specs import PlantSpec, RoomSpec

HOUR_S, DAY_S = 3600.0, 86_400.0
SIZED = sized_from(PlantSpec(room=RoomSpec(day_c=28.0, night_c=20.0)), air_c=16.0)


def test_the_sized_room_swings_between_night_and_day_once_in_a_day() -> None:
    """Warmest in the afternoon, coldest twelve hours later, the mean in between."""
    room = sized_room(SIZED)

    assert room.usual_c(WARMEST_HOUR) == pytest.approx(28.0)
    assert room.usual_c(WARMEST_HOUR + 12.0) == pytest.approx(20.0)
    assert room.usual_c(WARMEST_HOUR + 6.0) == pytest.approx(24.0)


def test_the_wave_of_a_day_is_two_harmonics() -> None:
    """Source: the definition of a Fourier series with a period of 24 h."""
    for hour in (0.0, 3.0, 7.5, 18.0):
        angle = 2 * math.pi * hour / 24.0
        assert day_wave(hour) == pytest.approx(
            (math.cos(angle), math.sin(angle), math.cos(2 * angle), math.sin(2 * angle))
        )


def test_a_usual_day_adds_every_harmonic() -> None:
    """At an hour at which all four differ from nothing and from one another."""
    cos, sin, cos2, sin2 = day_wave(2.0)
    room = Room([20.0, 1.0, 2.0, 3.0, 4.0])

    expected = 20.0 + cos + 2.0 * sin + 3.0 * cos2 + 4.0 * sin2
    assert room.usual_c(2.0) == pytest.approx(expected)


def test_today_s_distance_fades_within_days() -> None:
    """To a third after forty hours, on top of the usual hour that it will be then."""
    room = replace(sized_room(SIZED), off_k=3.0)

    assert room.ahead_c(WARMEST_HOUR, 0.0) == pytest.approx(31.0)
    assert room.ahead_c(WARMEST_HOUR, OFF_LASTS_S) == pytest.approx(28.0 + 3.0 / math.e)


def test_where_the_weather_is_forecast_today_s_distance_follows_it() -> None:
    """It does not fade by itself, and only what the weather changes from now on counts."""
    weather = {0.0: 1.0, HOUR_S: 4.0}
    room = replace(sized_room(SIZED), off_k=2.0, weather_k=weather.get)

    assert room.ahead_c(WARMEST_HOUR, HOUR_S) == pytest.approx(28.0 + 2.0 + 3.0)
    fading = 28.0 + 2.0 * math.exp(-2 * HOUR_S / OFF_LASTS_S)
    assert room.ahead_c(WARMEST_HOUR, 2 * HOUR_S) == pytest.approx(fading)  # beyond its end


def rows_of(days: float, *, mean_c: float, swing_k: float, last_off_k: float = 0.0) -> list:
    """Return half hours of a room with a wave of its own, warmest at six in the evening."""
    rows = []
    for index in range(round(days * 48)):
        at_s = index * HOUR_S / 2
        hour = at_s / HOUR_S % 24.0
        room_c = mean_c + swing_k * math.cos((hour - 18.0) * math.pi / 12.0)
        rows.append(room_row(at_s, hour, room_c))
    if last_off_k:
        last = rows[-1]
        rows[-1] = room_row(last.at_s, last.hour, last.room_c + last_off_k)
    return rows


def test_a_room_that_was_measured_for_days_is_that_room() -> None:
    """Mean, swing and phase; the configuration is forgotten by and by."""
    rows = rows_of(6.0, mean_c=21.0, swing_k=1.5)

    room = learned_room(SIZED, rows, now_s=rows[-1].at_s)

    for hour in (0.0, 6.0, 12.0, 18.0):
        truth_c = 21.0 + 1.5 * math.cos((hour - 18.0) * math.pi / 12.0)
        assert room.usual_c(hour) == pytest.approx(truth_c, abs=0.25)
    assert abs(room.off_k) < 0.2


def test_before_anything_was_seen_the_room_is_the_sized_one() -> None:
    """And an hour of readings moves it, but not all the way."""
    assert learned_room(SIZED, [], now_s=0.0) == sized_room(SIZED)
    rows = rows_of(2 / 48, mean_c=21.0, swing_k=0.0)

    room = learned_room(SIZED, rows, now_s=rows[-1].at_s)

    sized = sized_room(SIZED)
    assert abs(room.usual_c(0.5) - 21.0) < 0.1 * abs(sized.usual_c(0.5) - 21.0)
    assert 21.0 < sum(room.usual_c(hour) for hour in range(24)) / 24 < 24.0
    # what is seen now holds now, whatever the usual day says
    assert room.ahead_c(rows[-1].hour, 0.0) == pytest.approx(21.0)


def test_old_days_count_less_than_new_ones() -> None:
    """Weight falls to a third in three days: four warm days after four cold ones are warm."""
    cold, warm = (rows_of(4.0, mean_c=mean_c, swing_k=0.0) for mean_c in (18.0, 26.0))
    rows = [*cold, *(room_row(r.at_s + 4 * DAY_S, r.hour, r.room_c) for r in warm)]

    room = learned_room(SIZED, rows, now_s=rows[-1].at_s)

    mean_c = sum(room.usual_c(hour) for hour in range(24)) / 24
    share = 1.0 / (1.0 + math.exp(-4 / 3))  # of the weight of two equal spans, the later one's
    assert mean_c == pytest.approx(18.0 + 8.0 * share, abs=0.3)


def test_a_reading_that_is_hours_old_says_less_of_now() -> None:
    """The probe was lost since: its distance has faded meanwhile."""
    rows = rows_of(6.0, mean_c=24.0, swing_k=0.0, last_off_k=4.0)

    fresh = learned_room(SIZED, rows, now_s=rows[-1].at_s)
    later = learned_room(SIZED, rows, now_s=rows[-1].at_s + OFF_LASTS_S)

    assert fresh.off_k == pytest.approx(4.0, abs=0.5)
    assert later.off_k == pytest.approx(fresh.off_k / math.e, abs=0.2)


def hour_at(at_s: float) -> float:
    return at_s / HOUR_S % 24.0


def test_weather_that_rises_is_followed_as_a_first_order_lag_follows() -> None:
    """Source: the response to a ramp of length d, 1 - τ/d·(1 - exp(-d/τ))·exp(-(t - d)/τ)."""
    hours = [*range(0, 72, 3), 71, 72, *range(75, 169, 3)]
    series = [(hour * HOUR_S, 20.0 if hour < 72 else 30.0) for hour in hours]
    outdoors = Outdoors(series, house_time_constant_s=10 * HOUR_S, hour_at=hour_at)

    off_k = {hour: outdoors.off_k(hour * HOUR_S) for hour in (71.0, 71.25, 71.5, 82.0, 168.0)}

    known = {hour: value for hour, value in off_k.items() if value is not None}
    assert known == off_k
    # within what taking the usual day away costs
    assert known[168.0] - known[71.0] == pytest.approx(10.0, abs=0.6)
    share = 1.0 - 10.0 * -math.expm1(-0.1) * math.exp(-1.0)
    assert known[82.0] - known[71.0] == pytest.approx(10.0 * share, abs=0.6)
    assert known[71.25] == pytest.approx(0.5 * (known[71.0] + known[71.5]), abs=1e-6)
