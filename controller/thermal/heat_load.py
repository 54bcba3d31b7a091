"""The plant in a steady hour: heat by source, share of time cooling, load on the reservoir.

Pure functions of the spec and the conditions, for sizing. A chamber held at a temperature by a
coil that runs part of the time is treated as its average: sources and coil in balance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

from controller.domain.daytime import day_cosine
from controller.errors import PhysicsError
from controller.thermal import moist_air
from controller.thermal.coil import Coil, CoilDuty
from controller.thermal.equations import Equations
from controller.thermal.exchanger import bracketed_root
from controller.thermal.moist_air import (
    CP_LIQUID_KJ_KGK,
    CP_VAPOUR_KJ_KGK,
    VAPOUR_AT_ZERO_KJ_KG,
)
from controller.thermal.specs import PlantSpec, RoomSpec

MOST_SEARCHED = 64
"""Answers of a search that are kept: planning asks the same of a build several times."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """An hour: room and chamber, temperatures [°C] and relative humidities [share]."""

    room_c: float
    room_rh: float
    air_c: float
    air_rh: float
    lights: bool = True

    def __post_init__(self) -> None:
        for name, value in (("room_c", self.room_c), ("air_c", self.air_c)):
            if not -20.0 <= value <= 50.0:
                raise PhysicsError(f"{name} is {value} °C; it must lie between -20 and 50 °C")
        moist_air.check_rh(self.room_rh)
        moist_air.check_rh(self.air_rh)


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatLoad:
    """Heat by source [W], positive when it warms or wets the chamber.

    ``pump_w`` falls on the reservoir and is in no sum here. Fresh air counts with its vapour. The
    humidifier counts with the enthalpy of its water, nearly nothing: what it takes out of the
    air as sensible heat it gives as latent. It moves load from sensible to latent, and the coil
    must run longer for it.
    """

    envelope_w: float
    air_exchange_w: float
    lights_w: float
    fans_w: float
    pump_w: float
    crop_w: float
    humidifier_w: float
    sensible_w: float

    @property
    def total_w(self) -> float:
        """All sources together [W]: what the coil must take."""
        return (
            self.envelope_w
            + self.air_exchange_w
            + self.lights_w
            + self.fans_w
            + self.crop_w
            + self.humidifier_w
        )

    @property
    def latent_w(self) -> float:
        """What of the total is water to be condensed [W]."""
        return self.total_w - self.sensible_w


@dataclass(frozen=True, slots=True, kw_only=True)
class SteadyHour:
    """How a plant runs when everything outside stays as it is.

    ``duty`` above 1 means that the coil, running without pause, cannot hold the chamber.
    """

    duty: float
    air_rh: float
    """Humidity that comes about: the one asked for, or less when the humidifier is too small."""
    humidifier_kg_h: float
    condensate_kg_h: float
    coil: CoilDuty
    load: HeatLoad
    reservoir_w: float
    """Heat into the reservoir on average: coil, pump, box and tubing."""

    @property
    def holds(self) -> bool:
        """Whether the coil can hold the chamber."""
        return self.duty <= 1.0


def coil_capacity(spec: PlantSpec, *, air_c: float, air_rh: float, reservoir_c: float) -> CoilDuty:
    """Return what the plant's coil takes while it runs, at this reservoir temperature.

    Raises:
        PhysicsError: A figure outside its range.
    """
    eq = Equations(spec)
    ratio = moist_air.humidity_ratio(air_c=air_c, rh=air_rh, pressure_pa=eq.pressure_pa)
    return eq.coil_at(1.0).take(air_c=air_c, ratio=ratio, water_c=reservoir_c)


def steady_hour(spec: PlantSpec, conditions: Conditions, *, reservoir_c: float) -> SteadyHour:
    """Return how the plant runs in these conditions with its reservoir at *reservoir_c*.

    The humidifier holds the humidity asked for if it can; if not, the humidity is the one at
    which it just can.

    Raises:
        PhysicsError: A figure outside its range.
    """
    eq = Equations(spec)
    coil = eq.coil_at(1.0)
    asked = moist_air.humidity_ratio(
        air_c=conditions.air_c, rh=conditions.air_rh, pressure_pa=eq.pressure_pa
    )

    def missing_kg_s(ratio: float) -> float:
        duty, drip_kg_s, fresh_kg_s, _ = _balance(eq, coil, conditions, ratio, reservoir_c)
        return eq.humidifier_kg_s - (min(duty, 1.0) * drip_kg_s - fresh_kg_s)

    ratio = asked
    if missing_kg_s(asked) < 0.0:
        room = _room_ratio(eq, conditions)
        ratio = bracketed_root(missing_kg_s, low=min(room, asked) * 0.05, high=asked)
    duty, drip_kg_s, fresh_kg_s, coil_heat = _balance(eq, coil, conditions, ratio, reservoir_c)
    share = min(duty, 1.0)
    mist_kg_s = min(eq.humidifier_kg_s, max(0.0, share * drip_kg_s - fresh_kg_s))
    leak_kw = (eq.box_kw_k + share * eq.tubing_kw_k) * (conditions.room_c - reservoir_c)
    water_kw = share * (
        coil_heat.total_kw - drip_kg_s * CP_LIQUID_KJ_KGK * reservoir_c + eq.pump_kw
    )
    return SteadyHour(
        duty=duty,
        air_rh=moist_air.relative_humidity(
            air_c=conditions.air_c, ratio=ratio, pressure_pa=eq.pressure_pa
        ),
        humidifier_kg_h=3600.0 * mist_kg_s,
        condensate_kg_h=3600.0 * share * drip_kg_s,
        coil=coil_heat,
        load=_load(eq, conditions, ratio=ratio, share=share, mist_kg_s=mist_kg_s),
        reservoir_w=1000.0 * (water_kw + leak_kw),
    )


@lru_cache(MOST_SEARCHED)
def warmest_reservoir_c(spec: PlantSpec, conditions: Conditions) -> float | None:
    """Return the warmest reservoir that still holds the chamber in these conditions [°C].

    Found by bisection to 0.001 K. None when even water at 0 °C does not hold it; the air's own
    temperature when nothing needs to be cooled.

    Raises:
        PhysicsError: A figure outside its range.
    """
    high_c = conditions.air_c
    if steady_hour(spec, conditions, reservoir_c=high_c).duty <= 0.0:
        return high_c
    low_c = 0.0
    if high_c <= low_c or not steady_hour(spec, conditions, reservoir_c=low_c).holds:
        return None
    while high_c - low_c > 1e-3:
        middle_c = 0.5 * (low_c + high_c)
        if steady_hour(spec, conditions, reservoir_c=middle_c).holds:
            low_c = middle_c
        else:
            high_c = middle_c
    return low_c


def ice_kg_per_day(load_w: float, *, kj_kg: float) -> float:
    """Return the pack fill melted a day by a steady load [kg/day]; 0 for no load or less.

    50 W with latent heat alone: 12.96 kg.

    Raises:
        PhysicsError: The heat per kilogram is not above 0, or the load is not finite.
    """
    if not (math.isfinite(load_w) and 0.0 < kj_kg < math.inf):
        raise PhysicsError(f"{load_w} W on packs of {kj_kg} kJ/kg: the latter must be above 0")
    return max(0.0, load_w) * 86.4 / kj_kg


def daily_room_c(room: RoomSpec, hour: float) -> float:
    """Return the room on a cosine between night and day [°C].

    Args:
        room: The room.
        hour: Local hour of the day [h]; any number, the day repeats.
    """
    swing_k = (room.day_c - room.night_c) / 2
    return (room.day_c + room.night_c) / 2 + swing_k * day_cosine(hour)


def _room_ratio(eq: Equations, conditions: Conditions) -> float:
    return moist_air.humidity_ratio(
        air_c=conditions.room_c, rh=conditions.room_rh, pressure_pa=eq.pressure_pa
    )


def _balance(
    eq: Equations, coil: Coil, conditions: Conditions, ratio: float, reservoir_c: float
) -> tuple[float, float, float, CoilDuty]:
    """Return duty, condensate while running, water by fresh air [kg/s] and the coil's work.

    From the enthalpy balance with the humidity held: what the humidifier must put in is what
    drips off less what fresh air brings, and it comes as liquid at the air's temperature.
    """
    air_c = conditions.air_c
    coil_heat = coil.take(air_c=air_c, ratio=ratio, water_c=reservoir_c)
    room_ratio = _room_ratio(eq, conditions)
    fresh_kg_s = eq.exchange_kg_s * (room_ratio - ratio)
    latent_kj_kg = VAPOUR_AT_ZERO_KJ_KG + (CP_VAPOUR_KJ_KGK - CP_LIQUID_KJ_KGK) * air_c
    vapour_kj_kg = VAPOUR_AT_ZERO_KJ_KG + CP_VAPOUR_KJ_KGK * air_c
    warming_kw = (
        (eq.envelope_kw_k + eq.exchange_kg_s * moist_air.specific_heat_kj_kgk(room_ratio))
        * (conditions.room_c - air_c)
        + (eq.lights_kw if conditions.lights else 0.0)
        + _crop_kw(eq, air_c)
    )
    drip_kg_s = coil_heat.condensate_kg_s
    cooling_kw = coil_heat.total_kw - drip_kg_s * vapour_kj_kg - eq.fan_kw
    duty = _ratio_or_inf(
        warming_kw + latent_kj_kg * fresh_kg_s, cooling_kw + latent_kj_kg * drip_kg_s
    )
    if duty * drip_kg_s <= fresh_kg_s:  # too wet already: the humidifier rests
        duty = _ratio_or_inf(warming_kw, cooling_kw)
    return duty, drip_kg_s, fresh_kg_s, coil_heat


def _ratio_or_inf(warming_kw: float, cooling_kw: float) -> float:
    if warming_kw <= 0.0:
        return 0.0
    return warming_kw / cooling_kw if cooling_kw > 0.0 else math.inf


def _crop_kw(eq: Equations, air_c: float) -> float:
    # the crop sits a little above the air, by its own heat over its conductance
    warmer_k = 0.0
    for _ in range(8):
        heat_kw = eq.breath_kw(air_c + warmer_k)
        warmer_k = heat_kw / eq.crop_kw_k
    return heat_kw


def _load(
    eq: Equations, conditions: Conditions, *, ratio: float, share: float, mist_kg_s: float
) -> HeatLoad:
    air_c = conditions.air_c
    room_ratio = _room_ratio(eq, conditions)
    fresh_sensible_w = (
        1000.0
        * eq.exchange_kg_s
        * moist_air.specific_heat_kj_kgk(room_ratio)
        * (conditions.room_c - air_c)
    )
    fresh_w = (
        1000.0
        * eq.exchange_kg_s
        * (
            moist_air.enthalpy_kj_kg(air_c=conditions.room_c, ratio=room_ratio)
            - moist_air.enthalpy_kj_kg(air_c=air_c, ratio=ratio)
        )
    )
    latent_kj_kg = VAPOUR_AT_ZERO_KJ_KG + (CP_VAPOUR_KJ_KGK - CP_LIQUID_KJ_KGK) * air_c
    mist_w = 1000.0 * mist_kg_s * latent_kj_kg
    envelope_w = 1000.0 * eq.envelope_kw_k * (conditions.room_c - air_c)
    lights_w = 1000.0 * eq.lights_kw if conditions.lights else 0.0
    fans_w = 1000.0 * eq.fan_kw * share
    crop_w = 1000.0 * _crop_kw(eq, air_c)
    return HeatLoad(
        envelope_w=envelope_w,
        air_exchange_w=fresh_w,
        lights_w=lights_w,
        fans_w=fans_w,
        pump_w=1000.0 * eq.pump_kw * share,
        crop_w=crop_w,
        humidifier_w=1000.0 * mist_kg_s * CP_LIQUID_KJ_KGK * air_c,
        sensible_w=envelope_w + fresh_sensible_w + lights_w + fans_w + crop_w - mist_w,
    )
