"""What commands print is what they printed; a change of it is seen, and meant."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.cli.kept_screens import FOLDER, SCREENS, shown, surroundings


@pytest.fixture(scope="module", name="place")
def _place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    place = tmp_path_factory.mktemp("state")
    with surroundings(place):
        yield place


@pytest.mark.parametrize("name", SCREENS)
def test_a_command_prints_what_it_printed(name: str, place: Path) -> None:
    """To the word; `python -m tests.cli.kept_screens` writes the texts anew."""
    kept = (FOLDER / f"{name}.txt").read_text(encoding="utf-8")

    assert shown(SCREENS[name], place).splitlines() == kept.splitlines()
