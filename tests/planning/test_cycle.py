"""The cycle to expect, and switching points that keep the true air where it shall be."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any

import pytest

from controller.core.law import Band
from controller.planning import cycle
from controller.planning.cycle import (
    Cycle,
    Hour,
    Proposal,
    expected_cycle,
    propose_points,
    steady_plant,
)
from tests.support.laws import make_law
from tests.support.plants import TENT

SPEC = replace(
    TENT,
    chamber=replace(
        TENT.chamber, volume_m3=0.35, wall_area_m2=3.0, wall=None, wall_u_w_m2k=0.51, fans_w=2.0
    ),
    coil=replace(TENT.coil, ua_air_w_k=6.0, air_kg_s=0.010, water_kg_s=0.010),
)
PLANT = steady_plant(SPEC)
BAND = Band(17_000, 15_500)
LAW = make_law(minimum_run_s=60, anti_short_cycle_s=180, run_on_s=20)
MILD = Hour(when="mild", room_c=21.5, room_rh=0.5, reservoir_c=4.0)
HOT = Hour(when="hottest", room_c=27.0, room_rh=0.5, reservoir_c=7.0)


def test_probe_lag_widens_the_swing_of_the_true_air() -> None:
    """The probe shows the band; the air goes beyond it by lag times slope.

    Source: first-order lag on a ramp, reads late by tau times its slope.
    """
    quick = expected_cycle(PLANT, BAND, LAW, HOT, tick_s=5, lag_s=0)
    slow = expected_cycle(PLANT, BAND, LAW, HOT, tick_s=5, lag_s=120)

    assert slow.air_min_c < quick.air_min_c
    assert slow.air_max_c > quick.air_max_c
    assert quick.air_max_c == pytest.approx(17.0, abs=0.15)


def test_hotter_hour_runs_a_larger_share_of_the_time() -> None:
    """Duty follows the load."""
    mild, hot = (expected_cycle(PLANT, BAND, LAW, hour, tick_s=5, lag_s=45) for hour in (MILD, HOT))

    assert mild.on_s is not None
    assert mild.off_s is not None
    assert hot.on_s is not None
    assert hot.off_s is not None
    assert hot.on_s / (hot.on_s + hot.off_s) > mild.on_s / (mild.on_s + mild.off_s)


def test_minimum_run_that_binds_undershoots() -> None:
    """A run longer than the air needs cools below cut-out."""
    short = expected_cycle(PLANT, BAND, LAW, MILD, tick_s=5, lag_s=0)
    forced = expected_cycle(
        PLANT, BAND, make_law(minimum_run_s=600, run_on_s=20), MILD, tick_s=5, lag_s=0
    )

    assert forced.on_s == pytest.approx(600, abs=5)
    assert forced.air_min_c < short.air_min_c - 0.3


def test_proposed_points_keep_the_air_inside_and_start_less_often_than_the_narrow_ones() -> None:
    """Of the pairs that keep the air inside, the one with the fewest starts is proposed."""
    proposal = propose_points(SPEC, LAW, (MILD, HOT), low_c=14.0, high_c=18.0, tick_s=5, lag_s=45)
    points = Band(round(proposal.cut_in_c * 1000), round(proposal.cut_out_c * 1000))
    cycles = [expected_cycle(PLANT, points, LAW, hour, tick_s=5, lag_s=45) for hour in (MILD, HOT)]

    assert proposal.keeps
    assert max(cycle.air_max_c for cycle in cycles) <= 18.05
    assert min(cycle.air_min_c for cycle in cycles) >= 13.95
    narrow = expected_cycle(PLANT, Band(16_500, 15_500), LAW, HOT, tick_s=5, lag_s=45)
    assert proposal.starts_per_h <= narrow.starts_per_h


def test_band_that_no_points_can_keep_is_reported() -> None:
    """A band narrower than the swing gives the nearest pair and says that it does not keep it."""
    proposal = propose_points(SPEC, LAW, (MILD, HOT), low_c=16.0, high_c=16.5, tick_s=5, lag_s=120)

    assert not proposal.keeps


def test_proposed_timers_are_the_ones_that_were_judged() -> None:
    """The proposal's own cycle, run again with its timers, has its starts and keeps the air.

    From timers too long for this chamber shorter ones are proposed, and they leave the air nearer
    to its band.
    """
    clumsy = make_law(minimum_run_s=1800, anti_short_cycle_s=1800, run_on_s=20)
    proposal = propose_points(
        SPEC, clumsy, (MILD, HOT), low_c=14.5, high_c=17.5, tick_s=5, lag_s=45
    )
    points = Band(round(proposal.cut_in_c * 1000), round(proposal.cut_out_c * 1000))
    law = make_law(
        minimum_run_s=proposal.minimum_run_s,
        anti_short_cycle_s=proposal.anti_short_cycle_s,
        run_on_s=20,
    )
    ours = [expected_cycle(PLANT, points, law, hour, tick_s=5, lag_s=45) for hour in (MILD, HOT)]
    before = [
        expected_cycle(PLANT, points, clumsy, hour, tick_s=5, lag_s=45) for hour in (MILD, HOT)
    ]

    assert proposal.minimum_run_s < 1800
    assert proposal.starts_per_h == max(cycle.starts_per_h for cycle in ours)
    assert max(c.air_max_c for c in ours) - min(c.air_min_c for c in ours) < max(
        c.air_max_c for c in before
    ) - min(c.air_min_c for c in before)


@pytest.mark.parametrize(("low_c", "high_c"), [(14.0, 18.0), (16.0, 16.5)])
def test_giving_up_what_cannot_win_changes_no_proposal(
    low_c: float, high_c: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each pair rehearsed to the end of each hour gives the same answer, with more steps."""
    asked: list[bool] = []

    def noted(given_up: Callable[..., bool], *figures: float) -> bool:
        asked.append(given_up(*figures))
        return asked[-1]

    def proposed(*, to_the_end: bool) -> Proposal:
        def cycle_of(*args: Any, given_up: Callable[..., bool], **options: Any) -> Cycle:
            ends = (lambda *_: False) if to_the_end else partial(noted, given_up)
            return expected_cycle(*args, given_up=ends, **options)

        monkeypatch.setattr(cycle, "expected_cycle", cycle_of)
        return propose_points(SPEC, LAW, (HOT,), low_c=low_c, high_c=high_c, tick_s=5, lag_s=45)

    assert proposed(to_the_end=False) == proposed(to_the_end=True)
    assert any(asked)


@pytest.mark.parametrize("lag_s", [0.0, 45.0, 120.0])
@pytest.mark.parametrize("hour", [MILD, HOT], ids=["mild", "hot"])
def test_passing_over_ticks_that_decide_nothing_changes_no_cycle(
    hour: Hour, lag_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each tick turned gives the same runs, rests, starts and air, to the last digit."""
    turned: list[int] = []

    def each_tick(_ahead: object, _window: object, tick: int, *_: object) -> int:
        turned.append(tick)
        return tick + 1

    passed_over = expected_cycle(PLANT, BAND, LAW, hour, tick_s=5, lag_s=lag_s)
    monkeypatch.setattr(cycle, "_next_tick", each_tick)

    assert expected_cycle(PLANT, BAND, LAW, hour, tick_s=5, lag_s=lag_s) == passed_over
    assert len(turned) == 3 * 720
