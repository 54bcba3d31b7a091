"""Lights whose hours are known: a load by the clock, in learning and in the run forward."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.foresight.air_side import AirSide, LoadPoint, Terms
from controller.foresight.band import HeldBand
from controller.foresight.lights import Lights
from controller.foresight.sized import LIGHT_HOURS, sized_from
from controller.thermal.specs import ChamberSpec, PlantSpec

LIT = Lights(watts=20.0, from_h=8.0, to_h=20.0)
SPEC = PlantSpec(chamber=ChamberSpec(lights_w=20.0))
BAND = HeldBand(cut_in_c=17.0, cut_out_c=15.5)


@pytest.mark.parametrize(
    ("begins", "ends", "on", "off"),
    [(8.0, 20.0, (8.0, 19.99), (7.99, 20.0)), (20.0, 8.0, (20.0, 7.99, 0.0), (8.0, 19.99))],
)
def test_lights_go_by_the_clock_over_midnight_too(
    begins: float, ends: float, on: tuple[float, ...], off: tuple[float, ...]
) -> None:
    """On from the first hour, off at the last."""
    lights = Lights(watts=20.0, from_h=begins, to_h=ends)

    assert all(lights.on(hour) for hour in on)
    assert not any(lights.on(hour) for hour in off)


def test_with_known_hours_the_sized_load_is_without_them() -> None:
    """Otherwise half a day of them is in it."""
    unknown = sized_from(SPEC, air_c=16.0)
    known = sized_from(SPEC, air_c=16.0, lights=LIT)

    assert unknown.load_w - known.load_w == pytest.approx(LIGHT_HOURS * 20.0)


def test_a_load_that_is_higher_while_lit_is_put_down_to_the_lights() -> None:
    """Twelve half hours lit and twelve dark, alike but for the lights: base as when dark."""
    sized = sized_from(SPEC, air_c=16.0, lights=LIT)
    side = AirSide(sized, BAND, room_probe=True)
    coil_w_k = sized.coil_dry_w_k
    lights_k = 20.0 / (0.84 * coil_w_k)

    def point(index: int, *, lit: bool) -> LoadPoint:
        load_k = 4.0 + (lights_k if lit else 0.0)
        x = 10.0
        return LoadPoint(
            end_s=1800.0 * index,
            terms=Terms(*([1.0] + [0.0] * 9)),
            duty=load_k / 10.0,
            over_water_k=x,
            lit=lit,
        )

    points = [point(index, lit=index % 2 == 0) for index in range(24)]
    dark = [point(index, lit=False) for index in range(24)]
    learned = side.load(points, now_s=24 * 1800.0, coil_w_k=coil_w_k)
    plain = AirSide(replace(sized, lights=None), BAND, room_probe=True).load(
        dark, now_s=24 * 1800.0, coil_w_k=coil_w_k
    )

    assert learned.lights_k == pytest.approx(lights_k)
    assert learned.mean[0] == pytest.approx(plain.mean[0], abs=0.15)
