"""Slopes led along a replay against two replays of plants that differ a little."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from controller.fit.air_replay import ReplayedAir, ReplayedProbe, air_side, probe_in
from controller.fit.air_slopes import Move, air_slopes
from controller.fit.stretches import Offsets, stretches_of
from controller.thermal.specs import PlantSpec
from tests.support.plants import TENT
from tests.support.recorded_plant import LAG_S, recorded_plant

BY = dict.fromkeys(("wall", "coil", "water probe", "room probe", "lag"), 0.02)
"""How far each thing is moved: logarithms and kelvins."""
BY["humidifier"] = 0.005  # a share; its band is narrow, and beyond it the mist is full or off
LOG_LAG = math.log(LAG_S)


def wall(log_u: float) -> PlantSpec:
    """Return the plant with a wall that lets this much more through."""
    u_w_m2k = math.exp(log_u) * TENT.chamber.envelope_w_k / 4.08
    return replace(TENT, chamber=replace(TENT.chamber, wall=None, wall_u_w_m2k=u_w_m2k))


def coil(log_fins: float) -> PlantSpec:
    """Return the plant with a coil whose fins take this much more."""
    ua_air_w_k = math.exp(log_fins) * TENT.coil.ua_air_w_k
    return replace(TENT, coil=replace(TENT.coil, ua_air_w_k=ua_air_w_k))


def mist(share: float) -> PlantSpec:
    """Return the plant with a humidifier that stops this much earlier."""
    return replace(TENT, chamber=replace(TENT.chamber, rh=TENT.chamber.rh - share))


def move(what: str, by: float) -> Move:
    """Return one thing moved."""
    spec, offsets, log_lag = wall(0.0), Offsets(), LOG_LAG
    match what:
        case "wall":
            spec = wall(by)
        case "coil":
            spec = replace(coil(by), chamber=spec.chamber)
        case "humidifier":
            spec = replace(spec, chamber=replace(spec.chamber, rh=mist(by).chamber.rh))
        case "water probe":
            offsets = Offsets(water_k=by)
        case "room probe":
            offsets = Offsets(room_k=by)
        case _:
            log_lag += by
    return Move(spec=spec, offsets=offsets, log_lag=log_lag, by=by)


@pytest.mark.parametrize("what", BY)
def test_slopes_are_those_of_two_replays(what: str) -> None:
    """To a seventh of what the readings move by, some of it the steps' own, and so of the heat."""
    by = BY[what]
    seen, swaps = recorded_plant(TENT, days=1.0)
    (stretch,) = stretches_of(seen, swaps)

    def replay(moved: Move) -> tuple[ReplayedAir, ReplayedProbe]:
        air = air_side(stretch, moved.spec, moved.offsets)
        return air, probe_in(air, lag_s=math.exp(moved.log_lag))

    air, probe = replay(move(what, 0.0))
    slopes = air_slopes(air, probe, Offsets(), LOG_LAG, [move(what, by)])

    (less_air, less), (more_air, more) = replay(move(what, -by)), replay(move(what, by))
    shown = (more.shown_c - less.shown_c) / (2.0 * by)
    heat_kj = (more_air.heat_kj[-1] - less_air.heat_kj[-1]) / (2.0 * by)
    error = slopes.shown[:, 0] - shown
    assert np.sqrt(np.mean(shown**2)) > 0.05
    assert np.sqrt(np.mean(error**2)) < 0.15 * np.sqrt(np.mean(shown**2))
    assert slopes.heat_kj[-1, 0] == pytest.approx(heat_kj, rel=0.15, abs=0.5)
