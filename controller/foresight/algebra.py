"""Small dense linear algebra on lists of rows, for systems of about ten unknowns.

In plain Python because a forecast on a Pi must not cost it a numerical library.
"""

from __future__ import annotations

import math

Vector = list[float]
Matrix = list[list[float]]


def diagonal(values: Vector) -> Matrix:
    """Return a square matrix with these values on its diagonal."""
    return [
        [value if i == j else 0.0 for j in range(len(values))] for i, value in enumerate(values)
    ]


def cholesky(a: Matrix) -> Matrix:
    """Return the lower triangle L with L·Lᵀ = *a*.

    Raises:
        ValueError: *a* is not positive definite.
    """
    n = len(a)
    lower = [[0.0] * n for _ in range(n)]
    for i in range(n):
        row = lower[i]
        for j in range(i + 1):
            other = lower[j]
            rest = a[i][j] - sum(row[k] * other[k] for k in range(j))
            if i == j:
                if not rest > 0.0:
                    raise ValueError(f"the matrix is not positive definite at row {i + 1}")
                row[i] = math.sqrt(rest)
            else:
                row[j] = rest / other[j]
    return lower


def solved(lower: Matrix, b: Vector) -> Vector:
    """Return x with L·Lᵀ·x = *b*, for the lower triangle of `cholesky`."""
    n = len(b)
    y = [0.0] * n
    for i in range(n):
        row = lower[i]
        y[i] = (b[i] - sum(row[k] * y[k] for k in range(i))) / row[i]
    for i in reversed(range(n)):
        y[i] = (y[i] - sum(lower[k][i] * y[k] for k in range(i + 1, n))) / lower[i][i]
    return y


def inverse(a: Matrix) -> Matrix:
    """Return the inverse of a symmetric positive definite matrix.

    Raises:
        ValueError: *a* is not positive definite.
    """
    lower = cholesky(a)
    n = len(a)
    columns = [solved(lower, [1.0 if i == j else 0.0 for i in range(n)]) for j in range(n)]
    return [[0.5 * (columns[j][i] + columns[i][j]) for j in range(n)] for i in range(n)]


def times(a: Matrix, x: Vector) -> Vector:
    """Return *a*·*x*."""
    return [sum(p * q for p, q in zip(row, x, strict=True)) for row in a]
