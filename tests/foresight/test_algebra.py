"""Small systems of equations, held against NumPy."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest

from controller.foresight.algebra import cholesky, inverse, solved, times


def positive_definite(n: int, seed: int) -> list[list[float]]:
    random = Random(seed)
    root = [[random.gauss(0.0, 1.0) for _ in range(n)] for _ in range(n)]
    return [
        [sum(a * b for a, b in zip(p, q, strict=True)) + (0.5 if i == j else 0.0)
         for j, q in enumerate(root)]
        for i, p in enumerate(root)
    ]  # fmt: skip


@pytest.mark.parametrize("n", [1, 2, 5, 9])
def test_systems_are_solved_as_numpy_solves_them(n: int) -> None:
    """Triangle, solution, inverse and product agree with a reference library."""
    a = positive_definite(n, seed=n)
    b = [float(i - 2) for i in range(n)]

    assert np.allclose(cholesky(a), np.linalg.cholesky(np.array(a)))
    assert np.allclose(solved(cholesky(a), b), np.linalg.solve(np.array(a), b))
    assert np.allclose(inverse(a), np.linalg.inv(np.array(a)))
    assert np.allclose(times(a, b), np.array(a) @ np.array(b))


def test_a_matrix_that_is_not_positive_definite_is_refused() -> None:
    """It is said at which row."""
    with pytest.raises(ValueError, match="row 2"):
        cholesky([[1.0, 2.0], [2.0, 1.0]])
