"""A chamber written from scratch, as the judge of rehearsed days; nothing of `controller` is here.

Heat and water balances of air, walls, shelves, crop, coil, reservoir and packs. Saturation by
CoolProp, put on a grid by scipy's spline. The coil: Braun, Klein
and Mitchell 1989, ASHRAE Trans. 95(2), dry or wet, whichever takes more. The packs: a melting front
that moves inwards behind a film (Plank). The relay: cut-in, cut-out, prime, run-on, shortest run
and rest on a lagged probe, without steps and noise.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from math import cos, exp, expm1, log, pi

import numpy as np
from scipy.interpolate import CubicSpline

PA = 101_325.0
CP_AIR, CP_VAPOUR, CP_WATER, VAPOUR = 1006.0, 1860.0, 4186.0, 2.501e6
CP_ICE, MELTING = 2030.0, 333_400.0
WATER_W_MK = 0.57
SHELF_W_K, SHELF_J_K, CROP_J_KGK, TUBES_W_K = 50.0, 12_000.0, 3150.0, 0.5
DAY_S, STEP_S = 86_400.0, 5.0
FROZEN = -(MELTING + 18.0 * CP_ICE)
"""Heat content of a pack from a household freezer [J/kg]; 0: melted, at 0 °C."""
_PER_K = 50


@dataclass(frozen=True, kw_only=True)
class OwnChamber:
    """What it is made of, in watts, kilograms and metres."""

    wall_w_k: float
    volume_m3: float
    changes_per_h: float
    rh: float
    lights_w: float
    lights_h: tuple[float, float]
    fan_w: float
    crop_kg: float
    crop_w_kg: float
    humidifier_kg_s: float
    air_w_k: float
    water_w_k: float
    air_kg_s: float
    water_kg_s: float
    litres: float
    box_w_k: float
    pump_w: float
    packs_kg: float
    pack_mm: float
    day_c: float
    night_c: float
    room_rh: float
    swap_at_c: float


@dataclass(frozen=True, kw_only=True)
class OwnRelay:
    """Switching points by day and by night, and the timers [s]."""

    cut_in_c: float
    cut_out_c: float
    night_cut_in_c: float
    night_cut_out_c: float
    night_h: tuple[float, float]
    run_s: float
    rest_s: float
    prime_s: float
    run_on_s: float
    lag_s: float

    def band(self, hour: float) -> tuple[float, float]:
        """Return cut-in and cut-out at an hour of the day."""
        begins, ends = self.night_h
        if hour >= begins or hour < ends:
            return self.night_cut_in_c, self.night_cut_out_c
        return self.cut_in_c, self.cut_out_c


@dataclass
class OwnDays:
    """What the counted days came to."""

    days: float
    in_band_share: float = 0.0
    coil_w: float = 0.0
    air_c: float = 0.0
    water_c: float = 0.0
    duty: float = 0.0
    changes_h: list[float] = field(default_factory=list)

    @property
    def hours_per_set(self) -> float:
        """Mean time between two changes [h]."""
        return float(np.mean(np.diff(self.changes_h)))


@cache
def _saturation_pa() -> list[float]:
    """Return the pressure of saturated vapour [Pa] from 0 to 60 °C, in steps of 1 / `_PER_K` K."""
    from CoolProp.CoolProp import PropsSI  # takes seconds to load, for a few tests

    coarse_c = np.linspace(0.01, 60.0, 121)
    coarse_pa = [PropsSI("P", "T", each + 273.15, "Q", 0, "Water") for each in coarse_c]
    steps_c = np.arange(0, 60 * _PER_K + 2) / _PER_K
    return [float(each) for each in CubicSpline(coarse_c, coarse_pa)(steps_c)]


def saturated(air_c: float, rh: float = 1.0) -> float:
    """Return the humidity ratio of air at a relative humidity, saturated unless said."""
    place = max(0.0, air_c) * _PER_K
    below = int(place)
    saturation_pa = _saturation_pa()
    rise = saturation_pa[below + 1] - saturation_pa[below]
    pressure = rh * (saturation_pa[below] + (place - below) * rise)
    return 0.622 * pressure / (PA - pressure)


def enthalpy(air_c: float, ratio: float) -> float:
    """Return the enthalpy of moist air [J/kg dry air]."""
    return CP_AIR * air_c + ratio * (VAPOUR + CP_VAPOUR * air_c)


def _counterflow(units: float, ratio: float) -> float:
    if abs(1.0 - ratio) < 1e-6:
        return units / (1.0 + units)
    lost = exp(-units * (1.0 - ratio))
    return (1.0 - lost) / (1.0 - ratio * lost)


def coil(own: OwnChamber, air_c: float, ratio: float, water_c: float) -> tuple[float, float]:
    """Return heat out of the air [W] and water that condenses [kg/s]."""
    cp = CP_AIR + CP_VAPOUR * ratio
    air_w_k, water_w_k = own.air_kg_s * cp, own.water_kg_s * CP_WATER
    ua = 1.0 / (1.0 / own.air_w_k + 1.0 / own.water_w_k)
    # both streams unmixed: the usual closed approximation (Incropera, eq. 11.32)
    units, share = ua / air_w_k, air_w_k / water_w_k
    crossed = -expm1(units**0.22 / share * expm1(-share * units**0.78))
    dry_w = crossed * air_w_k * (air_c - water_c)
    slope = (
        enthalpy(water_c + 3.0, saturated(water_c + 3.0)) - enthalpy(water_c, saturated(water_c))
    ) / 3.0
    wet_units = 1.0 / (cp / own.air_w_k + slope / own.water_w_k) / own.air_kg_s
    drive = enthalpy(air_c, ratio) - enthalpy(water_c, saturated(water_c))
    wet_w = _counterflow(wet_units, own.air_kg_s * slope / water_w_k) * own.air_kg_s * drive
    if dry_w >= wet_w:
        return dry_w, 0.0
    passed = exp(-own.air_w_k / air_w_k)
    out = enthalpy(air_c, ratio) - wet_w / own.air_kg_s
    surface = enthalpy(air_c, ratio) - wet_w / own.air_kg_s / (1.0 - passed)
    low, high = 0.01, air_c
    for _ in range(25):
        middle = 0.5 * (low + high)
        if enthalpy(middle, saturated(middle)) < surface:
            low = middle
        else:
            high = middle
    out_c = low + (air_c - low) * passed
    out_ratio = (out - CP_AIR * out_c) / (VAPOUR + CP_VAPOUR * out_c)
    return wet_w, max(0.0, own.air_kg_s * (ratio - out_ratio))


def _pack_state(own: OwnChamber, joules: float) -> tuple[float, float]:
    """Return temperature [°C] and conductance [W/(kg·K)] of packs with this heat content [J/kg]."""
    melted = min(1.0, max(0.0, 1.0 + joules / MELTING))
    pack_c = joules / CP_WATER if joules >= 0.0 else min(0.0, (joules + MELTING) / CP_ICE)
    area_m2 = 2.0 / own.pack_mm
    return pack_c, area_m2 / (0.01 + melted * own.pack_mm / 2000.0 / WATER_W_MK)


@dataclass
class _State:
    """Temperatures [°C], humidity ratio, and heat content of the packs [J/kg]."""

    air_c: float = 19.0
    shelf_c: float = 19.0
    crop_c: float = 19.0
    probe_c: float = 19.0
    ratio: float = 0.011
    water_c: float = 6.0
    joules: float = FROZEN


def _step(
    own: OwnChamber, now: _State, hour: float, *, pump: bool, fan: bool, lag_s: float
) -> tuple[float, float]:
    """Go one step on; return the mean air [°C] and the heat that the coil took [W].

    Air by the exact solution of its linear part over the step, the slower parts by Euler.
    """
    air_kg = own.volume_m3 * 1.2
    fresh_kg_s = own.changes_per_h * air_kg / 3600.0
    middle, swing = 0.5 * (own.day_c + own.night_c), 0.5 * (own.day_c - own.night_c)
    room = middle + swing * cos(pi * (hour - 16.0) / 12.0)
    room_ratio = saturated(room, own.room_rh)
    short = max(0.0, saturated(now.air_c, own.rh) - now.ratio)
    mist = own.humidifier_kg_s * min(1.0, short / (0.08 * saturated(17.0)))
    coil_w = drip = 0.0
    if pump and fan:
        coil_w, drip = coil(own, now.air_c, now.ratio, now.water_c)
    sources = (
        (own.lights_w if own.lights_h[0] <= hour < own.lights_h[1] else 0.0)
        + (own.fan_w if fan else 0.0)
        - mist * (VAPOUR + (CP_VAPOUR - CP_WATER) * now.air_c)
        - coil_w
        + drip * (VAPOUR + CP_VAPOUR * now.air_c)
    )
    to_room = own.wall_w_k + fresh_kg_s * (CP_AIR + CP_VAPOUR * room_ratio)
    to_crop = 0.45 * own.crop_kg
    w_k = to_room + SHELF_W_K + to_crop
    rest_c = (to_room * room + SHELF_W_K * now.shelf_c + to_crop * now.crop_c + sources) / w_k
    kept = exp(-STEP_S * w_k / (air_kg * (CP_AIR + CP_VAPOUR * now.ratio)))
    mean_c = rest_c + (now.air_c - rest_c) * (1.0 - kept) / -log(kept)
    breath = own.crop_kg * own.crop_w_kg * 2.85 ** ((now.crop_c - 15.0) / 10.0)
    leak = (own.box_w_k + (TUBES_W_K if pump else 0.0)) * (room - now.water_c)
    pack_c, w_kgk = _pack_state(own, now.joules)
    to_packs = own.packs_kg * w_kgk * (now.water_c - pack_c)
    into_water = leak + coil_w - drip * CP_WATER * now.water_c + (own.pump_w if pump else 0.0)
    now.probe_c += (mean_c - now.probe_c) * STEP_S / lag_s
    now.shelf_c += SHELF_W_K * (mean_c - now.shelf_c) * STEP_S / SHELF_J_K
    crop_w = to_crop * (mean_c - now.crop_c) + breath
    now.crop_c += crop_w * STEP_S / (own.crop_kg * CROP_J_KGK)
    now.ratio += (fresh_kg_s * (room_ratio - now.ratio) + mist - drip) * STEP_S / air_kg
    now.water_c += (into_water - to_packs) * STEP_S / (own.litres * CP_WATER)
    now.joules += to_packs * STEP_S / own.packs_kg
    now.air_c = rest_c + (now.air_c - rest_c) * kept
    return mean_c, coil_w


def simulated(own: OwnChamber, relay: OwnRelay, *, days: float, settling_days: float) -> OwnDays:
    """Run the chamber through hot days, and return what the counted ones came to."""
    count, now = OwnDays(days=days), _State()
    from_s, steps = settling_days * DAY_S, round((settling_days + days) * DAY_S / STEP_S)
    pump_since_s, stopped_s = -1.0, -relay.rest_s
    counted = inside = running = 0
    air_sum = water_sum = coil_w_sum = 0.0
    for step in range(steps):
        t_s = step * STEP_S
        hour = t_s % DAY_S / 3600.0
        cut_in, cut_out = relay.band(hour)
        on = pump_since_s >= 0.0
        if not on and now.probe_c >= cut_in and t_s - stopped_s >= relay.rest_s:
            on, pump_since_s = True, t_s
        elif on and now.probe_c <= cut_out and t_s - pump_since_s >= relay.run_s:
            on, pump_since_s, stopped_s = False, -1.0, t_s
        fan = t_s - pump_since_s >= relay.prime_s if on else t_s - stopped_s < relay.run_on_s
        mean_c, coil_w = _step(own, now, hour, pump=on, fan=fan, lag_s=relay.lag_s)
        if now.water_c >= own.swap_at_c and now.joules > -0.5 * MELTING:
            now.joules = FROZEN
            if t_s >= from_s:
                count.changes_h.append((t_s - from_s) / 3600.0)
        if t_s >= from_s:
            counted += 1
            inside += cut_out - 0.5 <= mean_c <= cut_in + 0.5
            running += on
            air_sum, water_sum = air_sum + mean_c, water_sum + now.water_c
            coil_w_sum += coil_w
    count.in_band_share, count.duty = inside / counted, running / counted
    count.air_c, count.water_c = air_sum / counted, water_sum / counted
    count.coil_w = coil_w_sum / counted
    return count
