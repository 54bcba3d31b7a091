"""A judgement, a build and rehearsed days with figures that no simulation gives, for screens."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

from controller.planning.build import Build
from controller.planning.changes import Change
from controller.planning.cycle import Proposal
from controller.planning.design_hour import DesignHour
from controller.planning.ideas import Effort
from controller.planning.verdict import Judgement, Limit, PackSupply, Verdict
from controller.planning.weather_spell import WeatherSpell
from controller.rehearsal.hot_day_figures import HotDays, HourCycle
from controller.rehearsal.room_file import RoomSeries
from controller.settings.load import Settings, read_settings
from controller.settings.shipped import shipped_config
from controller.settings.weather_file import HotWeek
from controller.thermal.coil import CoilDuty
from controller.thermal.heat_load import Conditions, HeatLoad, SteadyHour

CONFIG = shipped_config("larkmoor-laptop.toml")


def settings_in(unit: str = "C") -> Settings:
    """Return the example's settings with a unit for people."""
    settings = read_settings(CONFIG)
    display = settings.display.model_copy(update={"unit": unit})
    return settings.model_copy(update={"display": display})


def duty(watts: float) -> CoilDuty:
    return CoilDuty(
        total_kw=watts / 1000, sensible_kw=0.75 * watts / 1000, condensate_kg_s=watts * 1e-7,
        air_out_c=12.0, air_out_ratio=0.008, water_out_c=9.0, wet_share=0.5,
    )  # fmt: skip


LOAD = HeatLoad(
    envelope_w=31.2, air_exchange_w=12.4, lights_w=8.0, fans_w=-3.0, pump_w=5.0, crop_w=2.6,
    humidifier_w=0.1, sensible_w=40.0,
)  # fmt: skip
DESIGN = DesignHour(
    hour=16,
    conditions=Conditions(room_c=29.5, room_rh=0.5, air_c=16.2, air_rh=0.9),
    steady=SteadyHour(
        duty=0.4, air_rh=0.9, humidifier_kg_h=0.01, condensate_kg_h=0.02, coil=duty(120.0),
        load=LOAD, reservoir_w=60.0,
    ),
    coil=((2.0, duty(160.0)), (8.0, duty(90.0))),
    useful_reservoir_max_c=11.3,
)  # fmt: skip
SUPPLY = PackSupply(
    ice_kg_per_day=3.4567, packs_per_day=7.128, worst_h=9.876, mean_h=12.345, refreeze_h=14.264,
    limit_kg_per_day=5.4321,
)  # fmt: skip


def cycle(hour: int) -> HourCycle:
    return HourCycle(
        hour=hour, starts_per_h=hour / 7, on_s=60.0 * hour, off_s=None if hour < 5 else 600.0,
        duty=0.3, air_min_c=15.12345, air_max_c=17.0 + hour / 30,
    )  # fmt: skip


DAYS = HotDays(
    days=10.0, rehearsed_days=2.0, in_band_share=0.87654, in_band_by_day=(0.9, 0.8),
    degree_hours_above=12.34567, degree_hours_below=1.5, hours_over_1k=2.5, air_min_c=15.0,
    air_mean_c=16.0, air_max_c=18.0, reservoir_min_c=2.0, reservoir_mean_c=6.0,
    reservoir_max_c=11.0, packs_used=71, sets=(), ice_melted_kg=34.0, heat_removed_kj=9000.0,
    duty=0.34, starts=400, cycles=tuple(cycle(hour) for hour in range(24)), alarms=(),
)  # fmt: skip


def judged(
    verdict: Verdict, limit: Limit | None = Limit.FREEZER, unit: str = "C", **other: Any
) -> Judgement:
    """Return a judgement of the example."""
    settings = settings_in(unit)
    judgement = Judgement(
        verdict=verdict, limit=limit, spare=0.32109 if verdict is Verdict.HOLDS else None,
        build=Build(settings=settings, plant=settings.plant_spec()), days=DAYS, supply=SUPPLY,
        design=DESIGN,
    )  # fmt: skip
    return replace(judgement, **other)


def change(key: str, *, gain: float, holds: bool = False) -> Change:
    """Return something to buy."""
    return Change(
        key=key, what=f"{key} on it", effort=Effort.SMALL, before=1.0, after=2.0, unit="kg",
        gain=gain, holds=holds,
    )  # fmt: skip


CHANGES = (change("foam", gain=0.123456, holds=True), change("shade", gain=0.0617))
PROPOSAL = Proposal(
    cut_in_c=17.25, cut_out_c=15.75, starts_per_h=3.25, keeps=True, minimum_run_s=120.0,
    anti_short_cycle_s=300.0,
)  # fmt: skip
SPELL = WeatherSpell(
    place="Larkmoor [north]",
    outdoors=HotWeek(first=date(2001, 7, 20), mean_c=24.45678, lowest_c=14.0, highest_c=35.5),
    room=RoomSeries(seconds=(0.0, 3600.0, 7200.0), room_c=(20.12345, 31.98765, 25.0)),
    hottest=settings_in().plant_spec().room,
)
