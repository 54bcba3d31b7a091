"""A number and its noun agree."""

from __future__ import annotations

import pytest

from controller.pictures.words import counted


@pytest.mark.parametrize(
    ("count", "noun", "says"),
    [
        (0, "start", "0 starts"),
        (1, "start", "1 start"),
        (1.0, "day", "1 day"),
        (1.5, "day", "1.5 days"),
        (2, "gap", "2 gaps"),
        (1234567, "start", "1234567 starts"),
    ],
)
def test_noun_follows_the_number(count: float, noun: str, says: str) -> None:
    """One is singular, everything else plural, and no number is rounded."""
    assert counted(count, noun) == says
