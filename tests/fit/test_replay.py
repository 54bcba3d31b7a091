"""A record replayed: with the plant that made it, the model must meet the readings."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.fit.replay import (
    Observed,
    Offsets,
    Stretch,
    air_side,
    counts_for_air,
    counts_for_water,
    probe_in,
    sets_in,
    stretches_of,
    water_side,
)
from controller.foresight.swaps import Swap
from tests.support.plants import TENT
from tests.support.recorded_plant import LAG_S, recorded_plant

SPEC = TENT


@pytest.fixture(scope="module")
def stretch() -> Stretch:
    """A day and a half of the example plant."""
    seen, swaps = recorded_plant(SPEC, days=1.5)
    (whole,) = stretches_of(seen, swaps)
    return whole


def rms(errors: list[float]) -> float:
    """Return the root mean square."""
    return (sum(error * error for error in errors) / len(errors)) ** 0.5


def test_the_plant_that_made_a_record_meets_it(stretch: Stretch) -> None:
    """Air and reservoir within a few hundredths of a kelvin, which is step and noise."""
    air = air_side(stretch, SPEC, Offsets())
    shown = probe_in(air, lag_s=LAG_S)
    sets = sets_in(stretch, whole_set=SPEC.packs.in_reservoir)
    water = water_side(stretch, SPEC, Offsets(), air.coil_kj, [0.97] * len(sets))

    air_errors = [
        model_c - point.air_c
        for model_c, point, counts in zip(shown, stretch.seen, counts_for_air(stretch), strict=True)
        if counts
    ]
    water_errors = [
        (model_c or 0.0) - point.water_c
        for model_c, point, counts in zip(
            water.water_c,
            stretch.seen,
            counts_for_water(stretch, whole_set=SPEC.packs.in_reservoir),
            strict=True,
        )
        if counts
    ]

    assert len(air_errors) > 1000
    assert len(water_errors) > 1000
    assert rms(air_errors) < 0.06
    assert rms(water_errors) < 0.10


def test_another_wall_misses_it(stretch: Stretch) -> None:
    """A wall that lets a fifth more through is seen at once."""
    wall = replace(SPEC.chamber, wall=None, wall_u_w_m2k=1.2 * SPEC.chamber.envelope_w_k / 4.08)
    shown = probe_in(air_side(stretch, replace(SPEC, chamber=wall), Offsets()), lag_s=LAG_S)

    errors = [
        model_c - point.air_c
        for model_c, point, counts in zip(shown, stretch.seen, counts_for_air(stretch), strict=True)
        if counts
    ]
    assert rms(errors) > 0.2


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

    assert again.courses[-1][-1][1] == pytest.approx(straight.courses[-1][-1][1], abs=0.01)


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

    water = water_side(half, SPEC, Offsets(), [0.0] * len(half.seen), [])

    assert set(water.water_c) == {None}
    assert set(water.set_of) == {-1}
