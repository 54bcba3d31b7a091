"""What a person reads while a fit goes on."""

from __future__ import annotations

import pytest

from controller.cli.fit import FitProgress


@pytest.mark.parametrize(
    ("round_s", "says"),
    [(2.0, ["Fitting 6 figures."]),
     (30.0, ["Fitting 6 figures.", "This takes about 7 minutes on this machine.",
             "Round 5, after 2 minutes.", "Round 8, after 4 minutes."])],
    ids=["quick", "slow"],
)  # fmt: skip
def test_more_than_a_minute_is_announced(
    capsys: pytest.CaptureFixture[str], round_s: float, says: list[str]
) -> None:
    """After the first round, and from then on about once a minute; a quick fit says no more."""
    now = 0.0
    progress = FitProgress(lambda: now)
    for number in range(1, 9):
        progress(6, number)
        now += round_s

    assert capsys.readouterr().err.splitlines() == says
