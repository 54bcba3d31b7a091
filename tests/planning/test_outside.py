"""Rehearsed hot days against a chamber written from scratch, with its own air, water and duty.

`own_chamber` has equations of its own for everything, and saturation by CoolProp; nothing of the
package is imported there. Both are given the same figures of walls, coil and packs, no more.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from controller.rehearsal.hot_days import ALWAYS_THERE, hot_days
from controller.settings.load import read_settings
from controller.settings.shipped import shipped_config
from controller.thermal.specs import PlantSpec
from tests.planning.own_chamber import OwnChamber, OwnRelay, simulated

SETTINGS = read_settings(shipped_config("larkmoor-laptop.toml"))
SHELF = SETTINGS.plant_spec()
SWAP_AT_C = 10.0
FOAM_25_W_M2K = 1.0 / (0.24 + 0.025 / 0.029)
"""Still-air films and 25 mm of extruded foam, as trade tables give them."""
RELAY = OwnRelay(
    cut_in_c=17.0,
    cut_out_c=15.5,
    night_cut_in_c=16.5,
    night_cut_out_c=15.0,
    night_h=(22.5, 6.5),
    run_s=60.0,
    rest_s=180.0,
    prime_s=10.0,
    run_on_s=20.0,
    lag_s=45.0,
)
"""What stands in the example's file."""


def changed(**parts: dict[str, object]) -> PlantSpec:
    """Return the example's equipment with some figures changed, and packs frozen in no time."""
    ready: dict[str, object] = {"refreeze_h": 0.1, "thickness_mm": 20.0}
    merged = {**parts, "packs": ready, "freezer": {"kg_per_day": 900.0}}
    return replace(
        SHELF,
        **{name: replace(getattr(SHELF, name), **figures) for name, figures in merged.items()},  # type: ignore[arg-type]
    )


def own_of(spec: PlantSpec, u_w_m2k: float) -> OwnChamber:
    """Return the figures of a build for the chamber written from scratch."""
    chamber, coil, box, packs = spec.chamber, spec.coil, spec.reservoir, spec.packs
    return OwnChamber(
        wall_w_k=u_w_m2k * chamber.wall_area_m2,
        volume_m3=chamber.volume_m3,
        changes_per_h=chamber.air_changes_per_h,
        rh=chamber.rh,
        lights_w=chamber.lights_w,
        lights_h=(8.0, 20.0),
        fan_w=chamber.fans_w,
        crop_kg=chamber.crop_kg,
        crop_w_kg=chamber.crop_w_per_kg,
        humidifier_kg_s=chamber.humidifier_kg_per_h / 3600.0,
        air_w_k=coil.ua_air_w_k,
        water_w_k=coil.ua_water_w_k,
        air_kg_s=coil.air_kg_s,
        water_kg_s=coil.water_kg_s,
        litres=box.litres,
        box_w_k=box.ua_w_k,
        pump_w=box.pump_w,
        packs_kg=packs.kg * packs.in_reservoir,
        pack_mm=packs.thickness_mm,
        day_c=spec.room.day_c,
        night_c=spec.room.night_c,
        room_rh=spec.room.rh,
        swap_at_c=SWAP_AT_C,
    )


BUILDS = [
    pytest.param(changed(), 0.51, (0.99, 1.0), id="shelf-that-holds"),
    pytest.param(
        changed(
            chamber={"wall_u_w_m2k": None, "wall": "foam-board-25", "wall_area_m2": 3.4},
            room={"day_c": 38.0, "night_c": 25.0},
        ),
        FOAM_25_W_M2K,
        (0.7, 0.9),
        id="thin-box-on-a-hot-afternoon",
    ),
    pytest.param(
        changed(
            chamber={
                "volume_m3": 0.08,
                "wall_area_m2": 1.2,
                "wall": "foam-board-25",
                "wall_u_w_m2k": None,
                "crop_kg": 3.0,
                "lights_w": 2.0,
            },
            coil={"ua_air_w_k": 20.0, "ua_water_w_k": 60.0, "air_kg_s": 0.025},
        ),
        FOAM_25_W_M2K,
        (0.9, 0.96),
        id="small-box-with-too-strong-a-coil",
    ),
]


@pytest.mark.parametrize(("spec", "u_w_m2k", "share"), BUILDS)
def test_days_against_a_chamber_of_its_own(
    spec: PlantSpec, u_w_m2k: float, share: tuple[float, float]
) -> None:
    """In band, heat of the coil, hours per set and packs a day within 5 %, the air within 0.2 K."""
    days = hot_days(SETTINGS, plant=spec, days=3.0, grower=ALWAYS_THERE, swap_at_c=SWAP_AT_C)
    own = simulated(own_of(spec, u_w_m2k), RELAY, days=3.0, settling_days=1.0)
    put_in_h = [each.put_in_h for each in days.sets]
    mean_h = sum(after - before for before, after in pairwise(put_in_h)) / (len(put_in_h) - 1)
    assert days.heat_removed_kj is not None

    assert share[0] <= own.in_band_share <= share[1]  # or the build shows nothing
    assert days.in_band_share == pytest.approx(own.in_band_share, abs=0.05)
    assert days.heat_removed_kj / (86.4 * days.days) == pytest.approx(own.coil_w, rel=0.05)
    assert days.duty == pytest.approx(own.duty, rel=0.05)
    assert days.air_mean_c == pytest.approx(own.air_c, abs=0.2)
    assert days.reservoir_mean_c == pytest.approx(own.water_c, abs=0.3)
    assert mean_h == pytest.approx(own.hours_per_set, rel=0.05)
    packs = spec.packs.in_reservoir
    assert 24.0 * packs / mean_h == pytest.approx(24.0 * packs / own.hours_per_set, rel=0.05)
