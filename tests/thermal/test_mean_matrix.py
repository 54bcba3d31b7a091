"""The exact mean and end of a linear set of three against scipy's matrix exponential."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.linalg import expm

from controller.thermal.mean_matrix import Matrix, step_matrices

RATE = st.floats(-0.5, 0.05)
COUPLING = st.floats(-0.2, 0.2)


def by_exponential(jacobian: Matrix, dt_s: float) -> tuple[np.ndarray, ...]:
    """φ1 to φ3 read off the exponential of a block matrix (Al-Mohy and Higham 2011)."""
    block = np.zeros((12, 12))
    block[:3, :3] = np.array(jacobian).reshape(3, 3)
    block[:3, 3:6] = block[3:6, 6:9] = block[6:9, 9:12] = np.eye(3)
    whole = expm(block * dt_s)
    return whole[:3, 3:6], whole[:3, 6:9] / dt_s, whole[:3, 9:12] / dt_s


def assert_same(jacobian: Matrix, dt_s: float) -> None:
    result = step_matrices(jacobian, dt_s)
    for ours, theirs in zip(result, by_exponential(jacobian, dt_s), strict=True):
        largest = np.abs(theirs).max()
        assert np.array(ours).reshape(3, 3) == pytest.approx(theirs, rel=1e-7, abs=1e-7 * largest)


@given(
    rates=st.tuples(RATE, RATE, RATE), others=st.tuples(*[COUPLING] * 6), dt_s=st.floats(0.01, 60.0)
)
def test_means_and_ends_are_those_of_the_matrix_exponential(
    rates: tuple[float, float, float], others: tuple[float, ...], dt_s: float
) -> None:
    """Real, equal and complex eigenvalues alike."""
    a, e, i = rates
    b, c, d, f, g, h = others
    assert_same((a, b, c, d, e, f, g, h, i), dt_s)


@pytest.mark.parametrize(
    "jacobian",
    [
        pytest.param((-0.1, 0.0, 0.0, 0.0, -0.1, 0.0, 0.0, 0.0, -0.1), id="equal-roots"),
        pytest.param((-0.1, 1.0, 0.0, 0.0, -0.1, 0.0, 0.0, 0.0, -0.1), id="one-eigenvector"),
        pytest.param((0.0,) * 9, id="zero"),
        pytest.param((-0.1, 0.3, 0.0, -0.3, -0.1, 0.0, 0.0, 0.0, -0.01), id="complex"),
        pytest.param((-2.0, 1e4, 1.5, 1e-6, -1.0, 0.0, 3e-3, 0.0, -3e-3), id="other-units"),
    ],
)
def test_awkward_matrices(jacobian: Matrix) -> None:
    """Where eigenvalues coincide, are complex or lie far apart nothing breaks."""
    for dt_s in (0.5, 5.0, 120.0):
        assert_same(jacobian, dt_s)
