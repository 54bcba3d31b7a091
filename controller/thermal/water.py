"""Liquid water and ice at one atmosphere, where the plant uses them: 0 to 40 °C and -40 to 0 °C.

The polynomials are our own least-squares fits to IAPWS-95 (liquid) and to IAPWS R10-06(2009)
(ice); the largest departure stands in each docstring.
"""

from __future__ import annotations

import math

from controller.errors import PhysicsError

LATENT_HEAT_KJ_KG = 333.43
"""Heat of melting at 0 °C and 1 atm [kJ/kg]. Source: IAPWS-95 minus IAPWS R10-06(2009)."""
MEAN_CP_KJ_KGK = 4.19
"""Specific heat of liquid water, mean of 0 to 30 °C [kJ/(kg·K)]. Source: IAPWS-95."""
TON_OF_REFRIGERATION_KW = 2000.0 * 144.0 * 1.05505585262 / 86_400.0
"""2000 lb of ice a day at a rounded 144 Btu/lb, with the International Table Btu [kW]."""
_CELSIUS_RISE_WITH_CP = (4.2194256, -3.434093e-3, 1.239715e-4, -2.6711099e-6, 3.6348669e-8,
                         -2.2574016e-10)  # fmt: skip


def _polynomial(coefficients: tuple[float, ...], x: float) -> float:
    total = 0.0
    for coefficient in reversed(coefficients):
        total = total * x + coefficient
    return total


def _liquid(water_c: float) -> float:
    if not 0.0 <= water_c <= 40.0:
        raise PhysicsError(f"liquid water at {water_c} °C: the formula holds from 0 to 40 °C")
    return water_c


def _ice(ice_c: float) -> float:
    if not -40.0 <= ice_c <= 0.0:
        raise PhysicsError(f"ice at {ice_c} °C: the formula holds from -40 to 0 °C")
    return ice_c


def density_kg_m3(water_c: float) -> float:
    """Return the density of liquid water [kg/m³], 0 to 40 °C, within 0.001 kg/m³.

    Raises:
        PhysicsError: Outside 0 to 40 °C.
    """
    return _polynomial(
        (999.84339, 0.067367157, -8.9941792e-3, 9.4224987e-5, -9.8152735e-7, 5.3857807e-9),
        _liquid(water_c),
    )


def specific_heat_kj_kgk(water_c: float) -> float:
    """Return the specific heat of liquid water [kJ/(kg·K)], 0 to 40 °C, within 2e-5.

    Raises:
        PhysicsError: Outside 0 to 40 °C.
    """
    return _polynomial(_CELSIUS_RISE_WITH_CP, _liquid(water_c))


def enthalpy_kj_kg(water_c: float) -> float:
    """Return the enthalpy of liquid water [kJ/kg], 0 to 40 °C, zero at 0 °C, within 0.005.

    The integral of `specific_heat_kj_kgk`. 10 °C holds 42.06 kJ/kg.

    Raises:
        PhysicsError: Outside 0 to 40 °C.
    """
    rise = tuple(c / (power + 1) for power, c in enumerate(_CELSIUS_RISE_WITH_CP))
    return _liquid(water_c) * _polynomial(rise, water_c)


def conductivity_w_mk(water_c: float) -> float:
    """Return the thermal conductivity of liquid water [W/(m·K)], 0 to 40 °C, within 1e-4.

    Raises:
        PhysicsError: Outside 0 to 40 °C.
    """
    return _polynomial((0.55572776, 2.5169342e-3, -2.2717871e-5, 1.3261673e-7), _liquid(water_c))


def viscosity_mpa_s(water_c: float) -> float:
    """Return the dynamic viscosity of liquid water [mPa·s], 0 to 40 °C, within 0.02 %.

    Raises:
        PhysicsError: Outside 0 to 40 °C.
    """
    logarithm = (0.58309961, -0.034760146, 3.4760317e-4, -3.5945998e-6, 2.1358841e-8)
    return math.exp(_polynomial(logarithm, _liquid(water_c)))


def ice_density_kg_m3(ice_c: float) -> float:
    """Return the density of ice [kg/m³], -40 to 0 °C, within 0.002.

    Raises:
        PhysicsError: Outside -40 to 0 °C.
    """
    return _polynomial((916.720415, -0.146975824, -2.36735874e-4), _ice(ice_c))


def ice_specific_heat_kj_kgk(ice_c: float) -> float:
    """Return the specific heat of ice [kJ/(kg·K)], -40 to 0 °C, within 3e-5.

    Raises:
        PhysicsError: Outside -40 to 0 °C.
    """
    return _polynomial((2.09672161, 7.38294831e-3, 1.92199925e-6), _ice(ice_c))


def ice_enthalpy_kj_kg(ice_c: float) -> float:
    """Return the enthalpy of ice [kJ/kg], -40 to 0 °C, with liquid water at 0 °C as zero.

    -18 °C holds -369.98 kJ/kg: 36.55 to warm to 0 °C and 333.43 to melt.

    Raises:
        PhysicsError: Outside -40 to 0 °C.
    """
    rise = ice_c * _polynomial((2.09672161, 7.38294831e-3 / 2, 1.92199925e-6 / 3), _ice(ice_c))
    return rise - LATENT_HEAT_KJ_KG


def mixed_c(*, water_kg: float, water_c: float, ice_kg: float, ice_c: float) -> tuple[float, float]:
    """Return what water and ice become when they share their heat: (temperature [°C], ice [kg]).

    Liquid water counts 4.19 kJ/(kg·K). 8 kg at 12 °C and 1 kg at -18 °C end at 0.86 °C with no
    ice; with 1.5 kg they end at 0 °C with 0.46 kg of ice left.

    Raises:
        PhysicsError: A negative mass, no mass at all, or a temperature out of range.
    """
    if not (water_kg >= 0.0 and ice_kg >= 0.0 and 0.0 < water_kg + ice_kg < math.inf):
        raise PhysicsError(
            f"water {water_kg} kg and ice {ice_kg} kg: give masses of 0 or more, one above 0"
        )
    heat_kj = water_kg * MEAN_CP_KJ_KGK * _liquid(water_c) + ice_kg * ice_enthalpy_kj_kg(ice_c)
    mass_kg = water_kg + ice_kg
    if heat_kj >= 0.0:
        return heat_kj / (mass_kg * MEAN_CP_KJ_KGK), 0.0
    left_kg = -heat_kj / LATENT_HEAT_KJ_KG
    if left_kg <= mass_kg:
        return 0.0, left_kg
    below_kj_kg = heat_kj / mass_kg + LATENT_HEAT_KJ_KG
    return below_kj_kg / ice_specific_heat_kj_kgk(-1.0), mass_kg
