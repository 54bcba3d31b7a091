"""Moist air: saturation, humidity, enthalpy, density, dew point, wet bulb, altitude.

The formulas are those of the ASHRAE Handbook, Fundamentals (2017), chapter 1 "Psychrometrics",
for air as an ideal gas. They leave out the real-gas enhancement factor (about 1.004), so the
humidity ratio lies 0.4 % below real-gas tables. Relative humidity is a share, 0.9 for 90 %.
"""

from __future__ import annotations

import math
from functools import lru_cache

from controller.errors import PhysicsError

STANDARD_PRESSURE_PA = 101_325.0
CP_DRY_AIR_KJ_KGK = 1.006
CP_VAPOUR_KJ_KGK = 1.86
VAPOUR_AT_ZERO_KJ_KG = 2501.0  # enthalpy of saturated vapour at 0 °C, ASHRAE eq. 30
CP_LIQUID_KJ_KGK = 4.186  # ASHRAE eq. 31 and 33
MOLAR_MASS_RATIO = 0.621945
GAS_CONSTANT_KJ_KGK = 0.287042
TRIPLE_POINT_C = 0.01
LOWEST_C, HIGHEST_C = -100.0, 200.0  # range of the Hyland-Wexler formulas
MOST_DEW_POINTS = 256
"""Dew points that are kept: a table of the coil asks for the same few humidities all over."""


def _finite(what: str, value: float, lowest: float, highest: float, unit: str) -> None:
    if not lowest <= value <= highest:  # written so that NaN fails too
        raise PhysicsError(f"{what} {value} {unit} must lie between {lowest} and {highest} {unit}")


def check_rh(rh: float) -> None:
    """Refuse a relative humidity that is not a share between 0 and 1.

    Raises:
        PhysicsError: Outside 0 to 1, or NaN.
    """
    if not 0.0 <= rh <= 1.0:
        raise PhysicsError(
            f"relative humidity {rh} must lie between 0 and 1; write 0.90 for 90 percent"
        )


def saturation_pressure_pa(air_c: float) -> float:
    """Return the vapour pressure at saturation, over ice below 0.01 °C and over water above.

    Args:
        air_c: Temperature [°C], -100 to 200.

    Returns:
        Pressure [Pa]; 1937.95 Pa at 17 °C.

    Raises:
        PhysicsError: Outside the range.

    Source:
        Hyland and Wexler 1983, as ASHRAE Fundamentals 2017 ch. 1 eq. 5 and 6.
    """
    _finite("temperature", air_c, LOWEST_C, HIGHEST_C, "°C")
    return _saturation_pressure_pa(air_c)


def _saturation_pressure_pa(air_c: float) -> float:
    kelvin = air_c + 273.15
    if air_c <= TRIPLE_POINT_C:
        exponent = (
            -5.6745359e3 / kelvin
            + 6.3925247
            + kelvin
            * (
                -9.677843e-3
                + kelvin * (6.2215701e-7 + kelvin * (2.0747825e-9 - kelvin * 9.484024e-13))
            )
            + 4.1635019 * math.log(kelvin)
        )
    else:
        exponent = (
            -5.8002206e3 / kelvin
            + 1.3914993
            + kelvin * (-4.8640239e-2 + kelvin * (4.1764768e-5 - kelvin * 1.4452093e-8))
            + 6.5459673 * math.log(kelvin)
        )
    return math.exp(exponent)


def _saturation_log_slope(air_c: float) -> float:
    """Return d ln(p_sat)/dT [1/K] of the formula in `saturation_pressure_pa`."""
    kelvin = air_c + 273.15
    if air_c <= TRIPLE_POINT_C:
        return (
            5.6745359e3 / kelvin**2
            - 9.677843e-3
            + kelvin * (2 * 6.2215701e-7 + kelvin * (3 * 2.0747825e-9 - kelvin * 4 * 9.484024e-13))
            + 4.1635019 / kelvin
        )
    return (
        5.8002206e3 / kelvin**2
        - 4.8640239e-2
        + kelvin * (2 * 4.1764768e-5 - kelvin * 3 * 1.4452093e-8)
        + 6.5459673 / kelvin
    )


def pressure_at_altitude_pa(altitude_m: float) -> float:
    """Return the standard barometric pressure at an altitude.

    Args:
        altitude_m: Height above sea level [m], -500 to 11 000.

    Returns:
        Pressure [Pa]; 89 874.5 Pa at 1000 m.

    Raises:
        PhysicsError: Outside the range.

    Source:
        ASHRAE Fundamentals 2017 ch. 1 eq. 3.
    """
    _finite("altitude", altitude_m, -500.0, 11_000.0, "m")
    return float(STANDARD_PRESSURE_PA * (1.0 - 2.25577e-5 * altitude_m) ** 5.2559)


def humidity_ratio(*, air_c: float, rh: float, pressure_pa: float = STANDARD_PRESSURE_PA) -> float:
    """Return the mass of vapour per mass of dry air [kg/kg].

    Args:
        air_c: Temperature [°C].
        rh: Relative humidity, share from 0 to 1.
        pressure_pa: Barometric pressure [Pa].

    Raises:
        PhysicsError: A figure outside its range, or vapour alone would exceed the pressure.

    Source:
        ASHRAE Fundamentals 2017 ch. 1 eq. 20 and 22.
    """
    check_rh(rh)
    vapour_pa = rh * saturation_pressure_pa(air_c)
    return ratio_of_vapour_pressure(vapour_pa=vapour_pa, pressure_pa=pressure_pa)


def ratio_of_vapour_pressure(*, vapour_pa: float, pressure_pa: float) -> float:
    """Return the humidity ratio [kg/kg] of a vapour pressure [Pa].

    Raises:
        PhysicsError: The vapour pressure is negative or not below the pressure of the air.

    Source:
        ASHRAE Fundamentals 2017 ch. 1 eq. 20.
    """
    if not 0.0 <= vapour_pa < pressure_pa < math.inf:
        raise PhysicsError(
            f"vapour pressure {vapour_pa} Pa must lie between 0 and the air's {pressure_pa} Pa"
        )
    return MOLAR_MASS_RATIO * vapour_pa / (pressure_pa - vapour_pa)


def vapour_pressure_pa(*, ratio: float, pressure_pa: float = STANDARD_PRESSURE_PA) -> float:
    """Return the vapour pressure [Pa] of a humidity ratio [kg/kg], the inverse of eq. 20.

    Raises:
        PhysicsError: The ratio is negative or not finite.
    """
    _finite("humidity ratio", ratio, 0.0, 10.0, "kg/kg")
    return pressure_pa * ratio / (MOLAR_MASS_RATIO + ratio)


def relative_humidity(
    *, air_c: float, ratio: float, pressure_pa: float = STANDARD_PRESSURE_PA
) -> float:
    """Return the relative humidity as a share; above 1 means more vapour than the air can hold."""
    return vapour_pressure_pa(ratio=ratio, pressure_pa=pressure_pa) / saturation_pressure_pa(air_c)


@lru_cache(MOST_DEW_POINTS)
def dew_point_c(*, ratio: float, pressure_pa: float = STANDARD_PRESSURE_PA) -> float:
    """Return the temperature at which this air begins to condense (to frost below 0.01 °C) [°C].

    Found by Newton's method on the saturation pressure itself, so that it agrees with
    `saturation_pressure_pa` to 1e-9 K. Worked number: 17 °C and 90 % give 15.349 °C.

    Raises:
        PhysicsError: The air holds no vapour, so nothing ever condenses.
    """
    vapour_pa = vapour_pressure_pa(ratio=ratio, pressure_pa=pressure_pa)
    if vapour_pa <= _saturation_pressure_pa(LOWEST_C):
        raise PhysicsError(f"humidity ratio {ratio} kg/kg is too dry to have a dew point")
    target = math.log(vapour_pa)
    magnus = math.log(vapour_pa / 611.2)
    dew_c = 243.12 * magnus / (17.62 - magnus)  # Magnus form of WMO Guide No. 8 as a first guess
    for _ in range(50):
        step_k = (target - math.log(_saturation_pressure_pa(dew_c))) / _saturation_log_slope(dew_c)
        dew_c += step_k
        if abs(step_k) < 1e-10:
            break
    return dew_c


def enthalpy_kj_kg(*, air_c: float, ratio: float) -> float:
    """Return the enthalpy per kilogram of dry air [kJ/kg], zero for dry air at 0 °C.

    Source:
        ASHRAE Fundamentals 2017 ch. 1 eq. 30.
    """
    return CP_DRY_AIR_KJ_KGK * air_c + ratio * (VAPOUR_AT_ZERO_KJ_KG + CP_VAPOUR_KJ_KGK * air_c)


def specific_heat_kj_kgk(ratio: float) -> float:
    """Return the specific heat of moist air per kilogram of dry air [kJ/(kg·K)]."""
    return CP_DRY_AIR_KJ_KGK + CP_VAPOUR_KJ_KGK * ratio


def specific_volume_m3_kg(
    *, air_c: float, ratio: float, pressure_pa: float = STANDARD_PRESSURE_PA
) -> float:
    """Return the volume per kilogram of dry air [m³/kg].

    Source:
        ASHRAE Fundamentals 2017 ch. 1 eq. 26.
    """
    return (
        GAS_CONSTANT_KJ_KGK * (air_c + 273.15) * (1.0 + 1.607858 * ratio) / (pressure_pa / 1000.0)
    )


def density_kg_m3(
    *, air_c: float, ratio: float, pressure_pa: float = STANDARD_PRESSURE_PA
) -> float:
    """Return the density of the moist air [kg/m³] (eq. 11: (1 + W)/v)."""
    return (1.0 + ratio) / specific_volume_m3_kg(air_c=air_c, ratio=ratio, pressure_pa=pressure_pa)


def saturated_ratio(air_c: float, pressure_pa: float = STANDARD_PRESSURE_PA) -> float:
    """Return the humidity ratio at saturation [kg/kg]."""
    return ratio_of_vapour_pressure(
        vapour_pa=saturation_pressure_pa(air_c), pressure_pa=pressure_pa
    )


def saturated_enthalpy_kj_kg(air_c: float, pressure_pa: float = STANDARD_PRESSURE_PA) -> float:
    """Return the enthalpy of saturated air [kJ/kg dry air].

    Raises:
        PhysicsError: Outside -100 to 200 °C, or the air would boil.
    """
    if not LOWEST_C <= air_c <= HIGHEST_C:
        _finite("temperature", air_c, LOWEST_C, HIGHEST_C, "°C")
    vapour_pa = _saturation_pressure_pa(air_c)
    if not vapour_pa < pressure_pa:
        ratio_of_vapour_pressure(vapour_pa=vapour_pa, pressure_pa=pressure_pa)
    ratio = MOLAR_MASS_RATIO * vapour_pa / (pressure_pa - vapour_pa)
    return CP_DRY_AIR_KJ_KGK * air_c + ratio * (VAPOUR_AT_ZERO_KJ_KG + CP_VAPOUR_KJ_KGK * air_c)


def saturated_enthalpy_slope(air_c: float, pressure_pa: float = STANDARD_PRESSURE_PA) -> float:
    """Return d(enthalpy of saturated air)/dT [kJ/(kg·K)]."""
    vapour_pa = saturation_pressure_pa(air_c)
    ratio = MOLAR_MASS_RATIO * vapour_pa / (pressure_pa - vapour_pa)
    ratio_slope = ratio * _saturation_log_slope(air_c) * pressure_pa / (pressure_pa - vapour_pa)
    return (
        CP_DRY_AIR_KJ_KGK
        + CP_VAPOUR_KJ_KGK * ratio
        + ratio_slope * (VAPOUR_AT_ZERO_KJ_KG + CP_VAPOUR_KJ_KGK * air_c)
    )


def saturated_air_c(kj_kg: float, pressure_pa: float = STANDARD_PRESSURE_PA) -> float:
    """Return the temperature of saturated air with this enthalpy [°C].

    Raises:
        PhysicsError: No temperature between -100 and 80 °C has it.
    """
    guess_c = -5.79 + kj_kg * (0.6065 - kj_kg * 0.0022) if 5.0 < kj_kg < 100.0 else 10.0
    for _ in range(60):
        step_k = (kj_kg - saturated_enthalpy_kj_kg(guess_c, pressure_pa)) / (
            saturated_enthalpy_slope(guess_c, pressure_pa)
        )
        guess_c += max(-15.0, min(15.0, step_k))
        if abs(step_k) < 1e-10:
            return guess_c
        if not LOWEST_C < guess_c < 80.0:
            break
    raise PhysicsError(f"no saturated air has an enthalpy of {kj_kg} kJ/kg at {pressure_pa} Pa")
