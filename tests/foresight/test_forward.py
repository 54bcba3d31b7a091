"""The run forward: how the mean of cycling air goes with the pauses."""

from __future__ import annotations

import pytest

from controller.foresight.air_side import LearnedLoad, Terms
from controller.foresight.band import HeldBand
from controller.foresight.forward import Ahead, ChamberRun, Outlook, RunConditions, Start
from controller.foresight.unknowns import first_belief
from controller.foresight.water_side import Group, Water, WaterSide, coil_k
from tests.foresight.test_figures import SIZED

BAND = HeldBand(cut_in_c=16.0, cut_out_c=15.0)
STEEP_K, USUALLY_K = 2.0, 0.8


def after_a_step(water_c: float, *, usually_k: float = USUALLY_K, load_k: float = 4.0) -> Ahead:
    """Return the first step where the coil works against this load with water like that."""
    values = Terms(*([0.0] * len(Terms._fields)))._replace(base=load_k)
    nothing = [[0.0] * len(values) for _ in values]
    around = RunConditions(
        load=LearnedLoad(values, nothing, 0.0, 0.0, 1.0, load_k),
        values=values,
        outlook=Outlook(
            hour=12.0, room=lambda _hour, _ahead_s: 24.0, band=BAND, lights=None, today_lasts_s=1e4
        ),
        room_probe=True,
        margin_k=1.0,
    )
    start = Start(
        hour=12.0, air_c=15.5, slow_c=15.5, over_cut_out_k=STEEP_K, usually_over_k=usually_k,
        unbroken=False, came_back=True, too_warm_for_s=0.0,
    )  # fmt: skip
    side = WaterSide(first_belief(SIZED).mean, SIZED)
    water = Water(water_c, (Group(1.0, 0.5, None),))
    return ChamberRun(start, water, side, around, keeps_path=True).walked(300.0)[0]


def air_after_a_step(water_c: float) -> float:
    """Return the mean of the air over that step."""
    return after_a_step(water_c).air_c


def test_cycling_air_comes_down_to_cut_out_as_the_pauses_get_shorter() -> None:
    """Long pauses: as usual. Nearly none: close to cut-out."""
    cold, cool, warm = (air_after_a_step(water_c) for water_c in (4.0, 10.0, 10.9))

    assert cold == pytest.approx(15.0 + USUALLY_K)
    assert 15.0 < warm < cool < 15.0 + USUALLY_K
    # in balance: rests r = 1 - load / (air less water), and the air 2 K · r over cut-out
    rests = 0.3
    for _ in range(50):
        rests = 1.0 - 4.0 / coil_k(5.0 + STEEP_K * rests, 0.0, 1.0)
    assert cool == pytest.approx(15.0 + STEEP_K * rests, abs=0.1)


def test_where_cut_out_is_not_reached_the_coil_works_without_a_break() -> None:
    """Water of 12 °C takes 3 K at cut-out, less than the load: the air leaves from cut-out."""
    air_c = air_after_a_step(12.0)

    assert air_c > 15.0
    assert air_c != pytest.approx(15.0 + USUALLY_K)


def test_cycling_air_that_overshoots_is_not_counted_as_too_warm() -> None:
    """A mean above cut-in while the coil rests half the time; without a break it counts."""
    cycling = after_a_step(4.0, usually_k=1.3)

    assert cycling.air_c > BAND.cut_in_c
    assert cycling.over_k == 0.0
    unbroken = after_a_step(16.0, load_k=40.0)
    assert unbroken.over_k == pytest.approx(unbroken.air_c - BAND.cut_in_c)
    assert unbroken.over_k > 0.0
