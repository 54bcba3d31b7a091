"""The one grid on which temperatures are compared."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.domain.temperatures import millidegrees


@pytest.mark.parametrize(
    ("temp_c", "expected"),
    [
        pytest.param(21.3125, 21_312, id="sixteenth-truncates-as-the-kernel-does"),
        pytest.param(-0.3125, -312, id="below-zero-truncates-toward-zero-too"),
        pytest.param(-0.0625, -62, id="one-step-below-zero"),
        pytest.param((64.4 - 32) * 5 / 9, 18_000, id="64.4F"),
        pytest.param((71.6 - 32) * 5 / 9, 22_000, id="71.6F"),
        pytest.param(sum([0.1] * 10, 12.0), 13_000, id="ramp-of-tenths"),
        pytest.param(0.0, 0, id="zero"),
    ],
)
def test_same_temperature_gives_the_same_value_by_every_path(temp_c: float, expected: int) -> None:
    """Bytes, the kernel's text, Fahrenheit and sums of steps meet on one grid."""
    assert millidegrees(temp_c) == expected


@given(st.integers(-55 * 16, 125 * 16))
def test_every_probe_step_is_what_the_kernel_prints(raw: int) -> None:
    """Source: Linux 6.12 w1_therm.c, raw * 1000 / 16 in C integers (truncating)."""
    assert millidegrees(raw / 16) == int(math.copysign(abs(raw) * 1000 // 16, raw))


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf], ids=str)
def test_value_that_is_not_finite_is_refused(bad: float) -> None:
    """NaN must never reach a comparison."""
    with pytest.raises(ValueError, match="finite"):
        millidegrees(bad)
