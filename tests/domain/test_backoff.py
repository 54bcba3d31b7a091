"""Pauses grow to twice the last one, and no further than the longest."""

from __future__ import annotations

import pytest

from controller.domain.backoff import backoff_s


@pytest.mark.parametrize(
    ("failures", "pause_s"),
    [(0, 0.0), (1, 2.0), (2, 4.0), (3, 8.0), (9, 512.0), (10, 900.0), (10**9, 900.0)],
)
def test_pauses_double_up_to_the_longest(failures: int, pause_s: float) -> None:
    """2 s, 4 s, 8 s … and 15 min however long it lasts."""
    assert backoff_s(failures, first_s=2.0, longest_s=900.0) == pause_s
