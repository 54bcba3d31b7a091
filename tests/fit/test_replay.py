"""A record replayed: with the plant that made it, the model must meet the readings."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from controller.fit.air_replay import air_side, drives_of, probe_in
from controller.fit.stretches import (
    Observed,
    Offsets,
    Stretch,
    counts_for_air,
    counts_for_water,
    sets_in,
    stretches_of,
)
from controller.fit.water_replay import water_side, water_times
from controller.foresight.swaps import Swap
from controller.thermal.specs import PlantSpec
from tests.support.plants import TENT
from tests.support.recorded_plant import LAG_S, recorded_plant

SPEC = TENT


@pytest.fixture(scope="module")
def stretch() -> Stretch:
    """A day and a half of the example plant."""
    seen, swaps = recorded_plant(SPEC, days=1.5)
    (whole,) = stretches_of(seen, swaps)
    return whole


def rms(errors: Any) -> float:
    """Return the root mean square."""
    return float(np.sqrt(np.mean(np.square(errors))))


def air_errors_k(stretch: Stretch, spec: PlantSpec) -> Any:
    """Return model less reading of the air, of the readings that are compared [K]."""
    shown = probe_in(air_side(stretch, spec, Offsets()), lag_s=LAG_S).shown_c
    read = np.array([point.air_c for point in stretch.seen])
    return (shown - read)[np.array(counts_for_air(stretch))]


def test_the_plant_that_made_a_record_meets_it(stretch: Stretch) -> None:
    """Air and reservoir within a few hundredths of a kelvin, which is step and noise."""
    air = air_side(stretch, SPEC, Offsets())
    times = water_times(stretch)
    sets = sets_in(stretch, whole_set=SPEC.packs.in_reservoir)
    heat_kj = np.interp(times.ends_s, air.ends_s, air.heat_kj)
    water = water_side(times, SPEC, Offsets(), heat_kj, [0.97] * len(sets))

    air_k = air_errors_k(stretch, SPEC)
    read = np.array([point.water_c for point in stretch.seen])
    counts = np.array(counts_for_water(stretch, whole_set=SPEC.packs.in_reservoir))
    water_k = (water.water_c - read)[counts]

    assert len(air_k) > 1000
    assert len(water_k) > 1000
    assert rms(air_k) < 0.06
    assert rms(water_k) < 0.10


def test_long_steps_meet_short_ones(stretch: Stretch) -> None:
    """As steps of five seconds have it, within half of a probe's step."""
    short = [
        piece
        for drive in drives_of(stretch)
        for piece in [drive._replace(seconds=5.0)] * round(drive.seconds / 5.0)
    ]

    slow = air_side(stretch, SPEC, Offsets(), drives=short)
    quick = air_side(stretch, SPEC, Offsets())

    assert len(quick.steps) < 0.2 * len(slow.steps)
    apart = probe_in(quick, lag_s=LAG_S).shown_c - probe_in(slow, lag_s=LAG_S).shown_c
    assert rms(apart) < 0.03
    assert quick.heat_kj[-1] == pytest.approx(slow.heat_kj[-1], rel=0.005)


def test_another_wall_misses_it(stretch: Stretch) -> None:
    """A wall that lets a fifth more through is seen at once."""
    wall = replace(SPEC.chamber, wall=None, wall_u_w_m2k=1.2 * SPEC.chamber.envelope_w_k / 4.08)

    assert rms(air_errors_k(stretch, replace(SPEC, chamber=wall))) > 0.2


def test_offsets_move_what_is_met_not_the_physics(stretch: Stretch) -> None:
    """Probes that read wrong by a known amount give the same air."""
    moved = Stretch(
        seen=tuple(
            point._replace(water_c=point.water_c + 0.3, room_c=point.room_c - 0.2)
            for point in stretch.seen
        ),
        swaps=stretch.swaps,
    )

    straight = air_side(stretch, SPEC, Offsets())
    again = air_side(moved, SPEC, Offsets(water_k=0.3, room_k=-0.2))

    assert again.steps[-1].after[0] == pytest.approx(straight.steps[-1].after[0], abs=0.01)


def test_a_hole_begins_anew_and_a_short_piece_is_passed_over() -> None:
    """Two stretches of five hours, one of ten minutes between holes."""

    def readings(first_s: int, last_s: int) -> list[Observed]:
        seconds = range(first_s, last_s, 60)
        return [Observed(float(s), 16.0, 4.0, 24.0, False, False) for s in seconds]

    seen = [*readings(0, 18_000), *readings(20_000, 20_600), *readings(30_000, 48_000)]
    swaps = [Swap(at_s=600.0, packs=2), Swap(at_s=25_000.0, packs=2), Swap(at_s=31_000.0, packs=2)]

    first, second = stretches_of(seen, swaps)

    assert (first.seen[0].at_s, first.seen[-1].at_s) == (0.0, 17_940.0)
    assert (second.seen[0].at_s, second.seen[-1].at_s) == (30_000.0, 47_940.0)
    assert [swap.at_s for swap in first.swaps] == [600.0]
    assert [swap.at_s for swap in second.swaps] == [31_000.0]


def test_the_reservoir_is_unknown_until_a_whole_set_goes_in(stretch: Stretch) -> None:
    """One pack of two tells nothing of what was in before."""
    half = Stretch(seen=stretch.seen, swaps=(Swap(at_s=3600.0, packs=1),))

    times = water_times(half)
    water = water_side(times, SPEC, Offsets(), np.zeros(len(times.ends_s)), [])

    assert all(math.isnan(value) for value in water.water_c)
    assert set(water.set_of) == {-1}
