"""What a probe makes of the true temperature: it lags, and it speaks in steps.

Apart from the plant on purpose: control must see the probe, the verdict must see the air.
"""

from __future__ import annotations

import math

from controller.errors import PhysicsError

PROBE_STEP_K = 0.0625
"""Step of a 12-bit DS18B20 [K]. Source: DS18B20 data sheet, table 1."""


def lagged_c(
    probe_c: float, *, before_c: float, after_c: float, dt_s: float, tau_s: float
) -> float:
    """Return the probe's temperature after a step in which the truth went straight from A to B.

    Exact for that course, whatever the length of the step. A steady ramp is read late by tau
    times its slope: 0.2 K/min with 120 s reads 0.40 K behind.

    Args:
        probe_c: The probe as the step began [°C].
        before_c: The truth as the step began [°C].
        after_c: The truth as the step ends [°C].
        dt_s: Length of the step [s], above 0.
        tau_s: Time constant of the probe [s]; 0: no lag.

    Raises:
        PhysicsError: ``dt_s`` is not above 0 or ``tau_s`` is negative.

    Source:
        First-order lag, tau = heat capacity over film conductance.
    """
    if not (0.0 < dt_s < math.inf and 0.0 <= tau_s < math.inf):
        raise PhysicsError(
            f"probe lag {tau_s} s over a step of {dt_s} s: the lag must be 0 or more, the step"
            " above 0"
        )
    if tau_s == 0.0:
        return after_c
    behind_k = tau_s * (after_c - before_c) / dt_s
    return after_c - behind_k + (probe_c - before_c + behind_k) * math.exp(-dt_s / tau_s)


def stepped_c(probe_c: float, *, step_k: float = PROBE_STEP_K) -> float:
    """Return the nearest temperature the probe can say [°C]; halves go up.

    Raises:
        PhysicsError: The temperature is not finite or the step not above 0.
    """
    if not (math.isfinite(probe_c) and 0.0 < step_k < math.inf):
        raise PhysicsError(f"probe at {probe_c} °C in steps of {step_k} K: both must be finite")
    return math.floor(probe_c / step_k + 0.5) * step_k


def bead_tau_s(
    *, diameter_m: float, density_kg_m3: float, specific_heat_j_kgk: float, film_w_m2k: float
) -> float:
    """Return the time constant of a round bead in a fluid [s].

    rho·c·V/(h·A), with V/A = d/6. 4 mm, 8000 kg/m³, 420 J/(kg·K), 60 W/(m²·K): 37.3 s.

    Raises:
        PhysicsError: A figure is not above 0.
    """
    figures = (diameter_m, density_kg_m3, specific_heat_j_kgk, film_w_m2k)
    if not all(0.0 < figure < math.inf for figure in figures):
        raise PhysicsError(f"bead {figures}: every figure must be above 0")
    return density_kg_m3 * specific_heat_j_kgk * diameter_m / (6.0 * film_w_m2k)


def wire_tau_s(
    *, diameter_m: float, density_kg_m3: float, specific_heat_j_kgk: float, film_w_m2k: float
) -> float:
    """Return the time constant of a long round wire or sheath in a fluid [s]; V/A = d/4.

    Raises:
        PhysicsError: A figure is not above 0.
    """
    return 1.5 * bead_tau_s(
        diameter_m=diameter_m,
        density_kg_m3=density_kg_m3,
        specific_heat_j_kgk=specific_heat_j_kgk,
        film_w_m2k=film_w_m2k,
    )
