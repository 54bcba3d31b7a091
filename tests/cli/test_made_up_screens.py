"""What commands print of given figures: to the word and to the digit."""

from __future__ import annotations

import pytest

from tests.cli.made_up_screens import SCREENS, kept, shown


@pytest.mark.parametrize("name", SCREENS)
def test_given_figures_are_printed_as_they_were(name: str) -> None:
    """`python -m tests.cli.made_up_screens` writes the texts anew; read the difference."""
    assert shown(SCREENS[name]) == kept()[name]


def test_no_text_is_kept_of_a_screen_that_is_gone() -> None:
    """Each has its screen."""
    assert list(kept()) == list(SCREENS)
