"""Rehearsed hot days against a heat balance written from scratch.

Own equations for walls, fresh air, crop, pump and box; properties of air and water by CoolProp and
scipy's quadrature over the day. Nothing of the package's physics is imported. What the two share is
the mean air, the mean water and the share of time the pump ran, all of which the balance must fit.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import cos, pi

import pytest
from CoolProp.CoolProp import PropsSI
from CoolProp.HumidAirProp import HAPropsSI
from scipy.integrate import quad

from controller.rehearsal.hot_days import ALWAYS_THERE, HotDays, hot_days
from controller.settings.load import read_settings
from controller.settings.shipped import shipped_config
from controller.thermal.specs import PlantSpec

SETTINGS = read_settings(shipped_config("larkmoor-laptop.toml"))
SHELF = SETTINGS.plant_spec()
PA = 101_325.0
SWAP_AT_C = 10.0


@dataclass(frozen=True, slots=True)
class Balance:
    """What a day takes: heat of the coil [W] and of the reservoir [W]; what a set takes [kJ]."""

    coil_w: float
    reservoir_w: float
    set_kj: float

    @property
    def set_h(self) -> float:
        """How long a set lasts [h]."""
        return self.set_kj / self.reservoir_w / 3.6


def balance(spec: PlantSpec, u_w_m2k: float, days: HotDays) -> Balance:
    """Return the day's balance at the mean air, water and duty that were rehearsed."""
    chamber, room = spec.chamber, spec.room
    air_k = days.air_mean_c + 273.15

    def room_c(hour: float) -> float:
        middle, swing = 0.5 * (room.day_c + room.night_c), 0.5 * (room.day_c - room.night_c)
        return middle + swing * cos(pi * (hour - 16.0) / 12.0)

    inside_kj = HAPropsSI("H", "T", air_k, "P", PA, "R", chamber.rh) / 1000.0
    dry_kg_s = (
        chamber.air_changes_per_h
        * chamber.volume_m3
        / 3600.0
        / HAPropsSI("V", "T", air_k, "P", PA, "R", chamber.rh)
    )

    def gains_w(hour: float) -> float:
        outside_kj = HAPropsSI("H", "T", room_c(hour) + 273.15, "P", PA, "R", room.rh) / 1000.0
        walls_w = u_w_m2k * chamber.wall_area_m2 * (room_c(hour) - days.air_mean_c)
        return float(walls_w + 1000.0 * dry_kg_s * (outside_kj - inside_kj))

    outside_w = quad(gains_w, 0.0, 24.0, epsabs=1e-2)[0] / 24.0
    crop_w = chamber.crop_kg * chamber.crop_w_per_kg * 2.85 ** ((days.air_mean_c - 14.0) / 10.0)
    coil_w = outside_w + crop_w + 0.5 * chamber.lights_w + days.duty * chamber.fans_w
    room_mean_c = 0.5 * (room.day_c + room.night_c)
    leak_w_k = spec.reservoir.ua_w_k + 0.5 * days.duty
    reservoir_w = (
        coil_w
        + days.duty * spec.reservoir.pump_w
        + leak_w_k * (room_mean_c - days.reservoir_mean_c)
    )
    # from -18 °C ice to water near the temperature at which the set came out
    ice_kj_kg = 333.4 + 36.5
    water_kj_kg = (
        PropsSI("H", "T", 273.15 + SWAP_AT_C - 2.0, "P", PA, "Water")
        - PropsSI("H", "T", 273.16, "P", PA, "Water")
    ) / 1000.0
    set_kg = spec.packs.in_reservoir * spec.packs.kg
    return Balance(coil_w, reservoir_w, set_kg * (ice_kj_kg + water_kj_kg))


def changed(**parts: dict[str, object]) -> PlantSpec:
    """Return the example's equipment with some figures changed, and packs frozen in no time."""
    ready: dict[str, object] = {"refreeze_h": 0.1, "count": 12, "in_reservoir": 4}
    merged = {
        **parts,
        "packs": {**ready, **parts.get("packs", {})},
        "freezer": {"kg_per_day": 900.0},
    }
    return replace(
        SHELF,
        **{name: replace(getattr(SHELF, name), **figures) for name, figures in merged.items()},  # type: ignore[arg-type]
    )


@pytest.mark.parametrize(
    ("spec", "u_w_m2k"),
    [
        pytest.param(changed(packs={"thickness_mm": 20.0}), 0.51, id="shelf"),
        pytest.param(
            changed(
                chamber={"wall_u_w_m2k": None, "wall": "foam-board-25", "wall_area_m2": 2.4},
                packs={"thickness_mm": 20.0},
            ),
            1.0 / (0.24 + 0.025 / 0.029),
            id="box-of-25-mm",
        ),
        pytest.param(
            changed(
                chamber={"air_changes_per_h": 6.0, "crop_kg": 10.0},
                room={"day_c": 24.0, "night_c": 22.0},
                packs={"thickness_mm": 20.0},
            ),
            0.51,
            id="airy-shelf",
        ),
    ],
)
def test_heat_ice_and_life_of_a_set_against_a_balance_of_its_own(
    spec: PlantSpec, u_w_m2k: float
) -> None:
    """Heat of the coil, packs a day and hours per set within 5 %."""
    days = hot_days(SETTINGS, plant=spec, days=4.0, grower=ALWAYS_THERE, swap_at_c=SWAP_AT_C)
    own = balance(spec, u_w_m2k, days)
    assert days.heat_removed_kj is not None
    lives = [each.lasted_h for each in days.sets if each.lasted_h is not None]
    mean_h = sum(lives) / len(lives)

    assert days.in_band_share > 0.97
    assert days.heat_removed_kj / (86.4 * days.days) == pytest.approx(own.coil_w, rel=0.05)
    assert mean_h == pytest.approx(own.set_h, rel=0.05)
    assert 24.0 * spec.packs.in_reservoir / mean_h == pytest.approx(
        24.0 * spec.packs.in_reservoir / own.set_h, rel=0.05
    )
