"""What is forecast of whole days is what it was; a change of it is seen, and meant."""

from __future__ import annotations

import sys

import pytest

from tests.foresight.forecast_tape import CHAMBERS, FOLDER, lines


def split(line: str) -> list[float | str]:
    """Return the words of a line, and its figures as numbers."""
    return [float(part) if part[-1:].isdigit() else part for part in line.split(" ")]


SAME = 0.002 if sys.version_info[:2] == (3, 11) else 0.05
"""Share, or hours, by which figures may differ that are the same. They were written by Python 3.11;
another one rounds sums otherwise, a search ends a little elsewhere, and a day later a plan's hour
has moved by two per cent."""


@pytest.mark.parametrize("name", CHAMBERS)
def test_days_are_forecast_as_they_were(name: str) -> None:
    """Due, bounds, reserve and plan; `python -m tests.foresight.tapes_again` writes them anew.

    The benchmark of drawn chambers says whether another forecast is a better one.
    """
    written = FOLDER.joinpath(f"{name}.txt").read_text(encoding="utf-8").splitlines()
    now = list(lines(CHAMBERS[name]))

    assert len(now) == len(written)
    for line, before in zip(now, written, strict=True):
        for value, expected in zip(split(line), split(before), strict=True):
            same = (
                expected
                if isinstance(expected, str)
                else pytest.approx(expected, rel=SAME, abs=SAME)
            )
            assert value == same, f"{line!r}, before {before!r}"
