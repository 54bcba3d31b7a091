"""Swaps as they were: the log tells how many, the reservoir's fall tells when."""

from __future__ import annotations

import pytest

from controller.foresight.bins import BIN_S, Bin
from controller.foresight.swaps import Logged, Swap, find_swaps

HOUR_S = 3600.0


def reservoir(*hours: tuple[float, float, float]) -> list[Bin]:
    """Return bins whose water goes linearly over so many hours from one temperature to another."""
    bins: list[Bin] = []
    for length_h, from_c, to_c in hours:
        n = round(length_h * HOUR_S / BIN_S)
        bins += [
            Bin(
                len(bins) * BIN_S + i * BIN_S,
                16.0,
                from_c + (to_c - from_c) * (i + 1) / n,
                24.0,
                0.5,
            )
            for i in range(n)
        ]
    return [each._replace(start_s=i * BIN_S) for i, each in enumerate(bins)]


RISE_AND_FALL = reservoir((6.0, 4.0, 10.0), (0.5, 10.0, 5.0), (6.0, 5.0, 8.0))
ONSET_S = 6.0 * HOUR_S


@pytest.mark.parametrize(
    "late_s", [-900.0, 0.0, 45 * 60.0, 90 * 60.0], ids=["early", "on-time", "late", "very-late"]
)
def test_a_log_is_moved_to_the_fall(late_s: float) -> None:
    """Up to an hour and a half late, the fall decides when."""
    result = find_swaps(RISE_AND_FALL, [Logged(at_s=ONSET_S + late_s, packs=4, through=True)])

    assert result == [Swap(at_s=pytest.approx(ONSET_S, abs=BIN_S), packs=4, through=True)]


@pytest.mark.parametrize("late_s", [-35 * 60.0, 100 * 60.0], ids=["too-early", "too-late"])
def test_a_log_far_from_the_fall_is_not_of_it(late_s: float) -> None:
    """The fall is one that nobody logged."""
    swaps = find_swaps(RISE_AND_FALL, [Logged(at_s=ONSET_S + late_s, packs=4)])

    of_the_fall = [swap for swap in swaps if abs(swap.at_s - ONSET_S) <= BIN_S]
    assert [swap.packs for swap in of_the_fall] == [None]


def test_a_fall_that_nobody_logged_is_a_swap_of_unknown_size() -> None:
    """It is asked about, not passed over."""
    (result,) = find_swaps(RISE_AND_FALL, [])

    assert result.packs is None
    assert result.at_s == pytest.approx(ONSET_S, abs=BIN_S)


def test_a_log_given_twice_is_one_swap() -> None:
    """A second log within the hour is the same."""
    logs = [Logged(at_s=ONSET_S, packs=4), Logged(at_s=ONSET_S + 900.0, packs=4)]

    assert [swap.packs for swap in find_swaps(RISE_AND_FALL, logs)] == [4]


def test_a_log_without_a_fall_is_believed() -> None:
    """Few packs in much water hardly show."""
    flat = reservoir((12.0, 4.0, 6.0))

    (result,) = find_swaps(flat, [Logged(at_s=5.0 * HOUR_S, packs=1)])

    assert result == Swap(at_s=5.0 * HOUR_S, packs=1, seen=False)


def test_one_long_fall_is_one_swap() -> None:
    """Water that goes on falling for hours fell once."""
    assert len(find_swaps(reservoir((6.0, 4.0, 14.0), (3.0, 14.0, 2.0)), [])) == 1


def test_nothing_recorded_is_no_swap() -> None:
    """Logs from before the records tell nothing."""
    assert find_swaps([], [Logged(at_s=0.0, packs=4)]) == []
