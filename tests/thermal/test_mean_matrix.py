"""The exact mean of a linear pair against scipy's matrix exponential."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.linalg import expm

from controller.thermal.mean_matrix import Matrix, mean_matrices

RATE = st.floats(-0.5, 0.05)
COUPLING = st.floats(-0.2, 0.2)


def by_exponential(jacobian: Matrix, dt_s: float) -> tuple[np.ndarray, np.ndarray]:
    """φ2 and φ3 read off the exponential of a block matrix (Al-Mohy and Higham 2011)."""
    block = np.zeros((8, 8))
    block[:2, :2] = np.array(jacobian).reshape(2, 2)
    block[:2, 2:4] = block[2:4, 4:6] = block[4:6, 6:8] = np.eye(2)
    whole = expm(block * dt_s)
    return whole[:2, 4:6] / dt_s, whole[:2, 6:8] / dt_s


@given(a=RATE, b=COUPLING, c=COUPLING, d=RATE, dt_s=st.floats(0.01, 60.0))
def test_means_are_those_of_the_matrix_exponential(
    a: float, b: float, c: float, d: float, dt_s: float
) -> None:
    """Real, equal and complex eigenvalues alike."""
    rates, drifts = mean_matrices((a, b, c, d), dt_s)
    by_rate, by_drift = by_exponential((a, b, c, d), dt_s)

    assert np.array(rates).reshape(2, 2) == pytest.approx(by_rate, rel=1e-6, abs=1e-7 * dt_s)
    assert np.array(drifts).reshape(2, 2) == pytest.approx(by_drift, rel=1e-6, abs=1e-7 * dt_s**2)


@pytest.mark.parametrize(
    "jacobian",
    [
        pytest.param((-0.1, 0.0, 0.0, -0.1), id="equal-roots"),
        pytest.param((-0.1, 1.0, 0.0, -0.1), id="one-eigenvector"),
        pytest.param((0.0, 0.0, 0.0, 0.0), id="zero"),
        pytest.param((-0.1, 0.3, -0.3, -0.1), id="complex"),
    ],
)
def test_awkward_matrices(jacobian: Matrix) -> None:
    """Where eigenvalues coincide or are complex nothing breaks."""
    rates, drifts = mean_matrices(jacobian, 5.0)
    by_rate, by_drift = by_exponential(jacobian, 5.0)

    assert np.array(rates).reshape(2, 2) == pytest.approx(by_rate, rel=1e-5, abs=1e-6)
    assert np.array(drifts).reshape(2, 2) == pytest.approx(by_drift, rel=1e-5, abs=1e-6)
