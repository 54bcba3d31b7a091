"""The exact mean and end of a linear set of three equations over a step.

For x' = f + g·t + J·x with x(0) = 0, after a step dt
    x ends at        dt·φ1(J·dt)·f + dt²·φ2(J·dt)·g
    and its mean is  dt·φ2(J·dt)·f + dt²·φ3(J·dt)·g
where φ1(z) = (exp(z) - 1)/z, φ2(z) = (φ1(z) - 1)/z and φ3(z) = (φ2(z) - 1/2)/z.
Source: Hochbruck and Ostermann 2010, Acta Numerica 19:209-286, on exponential integrators. They are
worked out by scaling and doubling: φk(2z) = 2^-k·(exp(z)·φk(z) + φ1(z)/(k-1)! + ... + φk(z)/0!).
"""

from __future__ import annotations

import math
from typing import NamedTuple

Matrix = tuple[float, float, float, float, float, float, float, float, float]
"""Three by three, row by row."""

_ONE: Matrix = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0)
_SERIES = 7
"""Terms of the series; with the matrix's size below the next figure exact to 1e-11."""
_SMALL = 0.2


class StepMatrices(NamedTuple):
    """The three matrices of a step: dt·φ1(J·dt), dt·φ2(J·dt) and dt²·φ3(J·dt)."""

    ends: Matrix
    means: Matrix
    drifts: Matrix


def step_matrices(jacobian: Matrix, dt_s: float) -> StepMatrices:
    """Return what a step's rates at the start and their drift do to its end and its mean.

    Args:
        jacobian: J, in 1/s times whatever the three states are counted in.
        dt_s: Length of the step [s].
    """
    # entries of one row may be counted in other units than those of another, so the size is that
    # of a matrix with its rows and columns scaled alike
    size = dt_s * math.sqrt(sum(abs(jacobian[at] * jacobian[_TURNED[at]]) for at in range(9)))
    doublings = max(0, math.ceil(math.log2(size / _SMALL))) if size > 0.0 else 0
    scale = dt_s / 2**doublings
    z = _scaled(jacobian, scale)
    third = _series(z, 3)
    second = _sum(_scaled(_ONE, 0.5), _product(z, third))
    first = _sum(_ONE, _product(z, second))
    whole = _sum(_ONE, _product(z, first))
    for _ in range(doublings):
        third = _scaled(
            _sum(_product(whole, third), _sum(_scaled(first, 0.5), _sum(second, third))), 0.125
        )
        second = _scaled(_sum(_product(whole, second), _sum(first, second)), 0.25)
        first = _scaled(_sum(_product(whole, first), first), 0.5)
        whole = _product(whole, whole)
    return StepMatrices(_scaled(first, dt_s), _scaled(second, dt_s), _scaled(third, dt_s * dt_s))


_TURNED = (0, 3, 6, 1, 4, 7, 2, 5, 8)


def _series(z: Matrix, order: int) -> Matrix:
    """Return φ of that order by its series, 1/order! + z/(order+1)! + ..."""
    total = _scaled(_ONE, 1.0 / math.factorial(order + _SERIES))
    for term in range(_SERIES - 1, -1, -1):
        total = _sum(_scaled(_ONE, 1.0 / math.factorial(order + term)), _product(z, total))
    return total


def _scaled(matrix: Matrix, by: float) -> Matrix:
    a, b, c, d, e, f, g, h, i = matrix
    return (a * by, b * by, c * by, d * by, e * by, f * by, g * by, h * by, i * by)


def _sum(one: Matrix, other: Matrix) -> Matrix:
    a, b, c, d, e, f, g, h, i = one
    k, m, n, o, p, q, r, s, t = other
    return (a + k, b + m, c + n, d + o, e + p, f + q, g + r, h + s, i + t)


def _product(one: Matrix, other: Matrix) -> Matrix:
    a, b, c, d, e, f, g, h, i = one
    k, m, n, o, p, q, r, s, t = other
    return (
        a * k + b * o + c * r, a * m + b * p + c * s, a * n + b * q + c * t,
        d * k + e * o + f * r, d * m + e * p + f * s, d * n + e * q + f * t,
        g * k + h * o + i * r, g * m + h * p + i * s, g * n + h * q + i * t,
    )  # fmt: skip
