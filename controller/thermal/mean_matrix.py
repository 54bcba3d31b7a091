"""The exact mean of a linear pair of equations over a step.

For x' = f + g·t + J·x with x(0) = 0, the mean of x over a step dt is
dt·φ2(J·dt)·f + dt²·φ3(J·dt)·g, where φ2(z) = (exp(z) - 1 - z)/z² and φ3(z) = (φ2(z) - 1/2)/z.
Source: Hochbruck and Ostermann 2010, Acta Numerica 19:209-286, on exponential integrators.
"""

from __future__ import annotations

import math
from collections.abc import Callable

Matrix = tuple[float, float, float, float]
"""Two by two, row by row."""


def _exp(z: complex) -> complex:
    return math.exp(z.real) * complex(math.cos(z.imag), math.sin(z.imag))


def _phi3(z: complex) -> complex:
    if abs(z) < 0.05:  # the quotients below lose their digits here; the series is exact to 1e-13
        return 1 / 6 + z * (
            1 / 24 + z * (1 / 120 + z * (1 / 720 + z * (1 / 5040 + z * (1 / 40320 + z / 362880))))
        )
    return ((_exp(z) - 1.0 - z) / (z * z) - 0.5) / z


def _phi2(z: complex) -> complex:
    return 0.5 + z * _phi3(z)


def mean_matrices(jacobian: Matrix, dt_s: float) -> tuple[Matrix, Matrix]:
    """Return dt·φ2(J·dt) and dt²·φ3(J·dt): weights of the rates at the start and of their drift.

    Args:
        jacobian: J, in 1/s times whatever the two states are counted in.
        dt_s: Length of the step [s].
    """
    return (
        _of_matrix(_phi2, jacobian, dt_s, dt_s),
        _of_matrix(_phi3, jacobian, dt_s, dt_s * dt_s),
    )


def _of_matrix(
    function: Callable[[complex], complex], jacobian: Matrix, dt_s: float, scale: float
) -> Matrix:
    """Return scale·function(J·dt), by the two eigenvalues."""
    a, b, c, d = (entry * dt_s for entry in jacobian)
    middle = 0.5 * (a + d)
    spread = complex(0.25 * (a - d) ** 2 + b * c) ** 0.5
    if abs(spread) < 1e-6 * (1.0 + abs(middle)):
        spread = complex(1e-6 * (1.0 + abs(middle)))  # equal roots: the slope, by a difference
    first, second = middle + spread, middle - spread
    at_first, at_second = function(first), function(second)
    slope = (at_first - at_second) / (first - second)
    base = at_first - slope * first
    return (
        scale * (base + slope * a).real,
        scale * (slope * b).real,
        scale * (slope * c).real,
        scale * (base + slope * d).real,
    )
