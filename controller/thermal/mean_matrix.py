"""The exact mean and end of a linear set of three equations over a step.

For x' = f + g·t + J·x with x(0) = 0, after a step dt
    x ends at        dt·φ1(J·dt)·f + dt²·φ2(J·dt)·g
    and its mean is  dt·φ2(J·dt)·f + dt²·φ3(J·dt)·g
where φ1(z) = (exp(z) - 1)/z, φ2(z) = (φ1(z) - 1)/z and φ3(z) = (φ2(z) - 1/2)/z.
Source: Hochbruck and Ostermann 2010, Acta Numerica 19:209-286, on exponential integrators. They are
worked out by scaling and doubling: φk(2z) = 2^-k·(exp(z)·φk(z) + φ1(z)/(k-1)! + ... + φk(z)/0!).

All of them are functions of one matrix Z, and so p + q·Z + r·Z² with three numbers each: every
higher power follows from Z³ = c0 + c1·Z + c2·Z², its own equation (Cayley and Hamilton). So the
numbers are worked out, and matrices are made of them at the end.
"""

from __future__ import annotations

import math
from typing import NamedTuple

Matrix = tuple[float, float, float, float, float, float, float, float, float]
"""Three by three, row by row."""
Weights = tuple[float, float, float]
"""What stands before 1, Z and Z² [-]."""

_SERIES = 12
"""Terms of the series; with the matrix's size below the next figure exact to 1e-12."""
_SMALL = 0.8
_FACTORIALS = tuple(1.0 / math.factorial(order) for order in range(_SERIES + 4))
_TURNED = (0, 3, 6, 1, 4, 7, 2, 5, 8)


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
    size = dt_s * math.sqrt(
        sum([abs(each * jacobian[_TURNED[at]]) for at, each in enumerate(jacobian)])
    )
    doublings = max(0, math.ceil(math.log2(size / _SMALL))) if size > 0.0 else 0
    scale = dt_s / 2**doublings
    a, b, c, d, e, f, g, h, i = z = _scaled(jacobian, scale)
    powers = _Powers(
        a * (e * i - f * h) - b * (d * i - f * g) + c * (d * h - e * g),
        b * d + c * g + f * h - a * e - a * i - e * i,
        a + e + i,
    )
    third = (_FACTORIALS[_SERIES + 3], 0.0, 0.0)
    for order in range(_SERIES + 2, 2, -1):
        third = powers.raised(third, _FACTORIALS[order])
    second = powers.raised(third, 0.5)
    first = powers.raised(second, 1.0)
    whole = powers.raised(first, 1.0)
    for _ in range(doublings):
        (p, q, r), (s, t, u), (v, w, x) = first, second, third
        k, m, n = powers.product(whole, third)
        third = (
            0.125 * (k + 0.5 * p + s + v), 0.125 * (m + 0.5 * q + t + w),
            0.125 * (n + 0.5 * r + u + x),
        )  # fmt: skip
        k, m, n = powers.product(whole, second)
        second = (0.25 * (k + p + s), 0.25 * (m + q + t), 0.25 * (n + r + u))
        k, m, n = powers.product(whole, first)
        first = (0.5 * (k + p), 0.5 * (m + q), 0.5 * (n + r))
        whole = powers.product(whole, whole)
    square = _product(z, z)
    return StepMatrices(
        _made(first, z, square, dt_s),
        _made(second, z, square, dt_s),
        _made(third, z, square, dt_s * dt_s),
    )


class _Powers:
    """What the third and the fourth power of a matrix are made of."""

    __slots__ = ("cubed", "fourth")

    def __init__(self, c0: float, c1: float, c2: float) -> None:
        self.cubed = (c0, c1, c2)
        self.fourth = (c2 * c0, c0 + c2 * c1, c1 + c2 * c2)

    def raised(self, one: Weights, plus: float) -> Weights:
        """Return one times the matrix, and so many times 1."""
        p, q, r = one
        c0, c1, c2 = self.cubed
        return (plus + r * c0, p + r * c1, q + r * c2)

    def product(self, one: Weights, other: Weights) -> Weights:
        """Return one times the other."""
        p, q, r = one
        s, t, u = other
        c0, c1, c2 = self.cubed
        d0, d1, d2 = self.fourth
        third, fourth = q * u + r * t, r * u
        return (
            p * s + third * c0 + fourth * d0,
            p * t + q * s + third * c1 + fourth * d1,
            p * u + q * t + r * s + third * c2 + fourth * d2,
        )


def _made(weights: Weights, z: Matrix, square: Matrix, by: float) -> Matrix:
    """Return the matrix that these weights stand for, so many times."""
    p, q, r = weights
    p, q, r = p * by, q * by, r * by
    a, b, c, d, e, f, g, h, i = z
    k, m, n, o, s, t, u, v, w = square
    return (
        p + q * a + r * k, q * b + r * m, q * c + r * n,
        q * d + r * o, p + q * e + r * s, q * f + r * t,
        q * g + r * u, q * h + r * v, p + q * i + r * w,
    )  # fmt: skip


def _scaled(matrix: Matrix, by: float) -> Matrix:
    a, b, c, d, e, f, g, h, i = matrix
    return (a * by, b * by, c * by, d * by, e * by, f * by, g * by, h * by, i * by)


def _product(one: Matrix, other: Matrix) -> Matrix:
    a, b, c, d, e, f, g, h, i = one
    k, m, n, o, p, q, r, s, t = other
    return (
        a * k + b * o + c * r, a * m + b * p + c * s, a * n + b * q + c * t,
        d * k + e * o + f * r, d * m + e * p + f * s, d * n + e * q + f * t,
        g * k + h * o + i * r, g * m + h * p + i * s, g * n + h * q + i * t,
    )  # fmt: skip
