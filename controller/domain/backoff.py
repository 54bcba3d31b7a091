"""Pauses between tries that fail: each twice the one before, up to a longest."""

from __future__ import annotations

_MOST_DOUBLINGS = 64
"""Beyond this a power of two would leave the range of a float at last."""


def backoff_s(failures: int, *, first_s: float, longest_s: float) -> float:
    """Return how long to wait before the next try [s].

    Args:
        failures: Tries that failed in a row, 1 or more; 0: no wait.
        first_s: Wait after the first failure [s].
        longest_s: No wait is longer than this [s].
    """
    if failures < 1:
        return 0.0
    return min(longest_s, first_s * 2.0 ** min(failures - 1, _MOST_DOUBLINGS))
