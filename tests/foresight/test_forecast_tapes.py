"""What is forecast of whole days is what it was; a change of it is seen, and meant."""

from __future__ import annotations

import pytest

from tests.foresight.forecast_tape import CHAMBERS, FOLDER, lines


def split(line: str) -> list[float | str]:
    """Return the words of a line, and its figures as numbers."""
    return [float(word) if word[-1:].isdigit() else word for word in line.split(" ")]


@pytest.mark.parametrize("name", CHAMBERS)
def test_days_are_forecast_as_they_were(name: str) -> None:
    """Due, bounds, reserve and plan; `python -m tests.foresight.tapes_again` writes them anew.

    The benchmark of drawn chambers says whether another forecast is a better one.
    """
    written = FOLDER.joinpath(f"{name}.txt").read_text(encoding="utf-8").splitlines()
    now = list(lines(CHAMBERS[name]))

    assert len(now) == len(written)
    for line, before in zip(now, written, strict=True):
        for value, was in zip(split(line), split(before), strict=True):
            # another processor or Python rounds otherwise, and a search may end a little elsewhere
            same = was if isinstance(was, str) else pytest.approx(was, rel=2e-3, abs=2e-3)
            assert value == same, f"{line!r}, before {before!r}"
