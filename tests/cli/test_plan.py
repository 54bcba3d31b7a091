"""From what `coldpin plan` begins."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.cli import plan
from controller.planning.answers import complete
from controller.planning.consultation import draft_of


def test_a_file_that_is_not_there_begins_with_the_usual_answers(tmp_path: Path) -> None:
    assert plan._start(tmp_path / "new.toml") == ({}, (), None)


@pytest.mark.parametrize(
    ("by_hand", "is_own"),
    [
        pytest.param("", False, id="as-it-was-written"),
        pytest.param("\n# the freezer is in the shed\n", True, id="a-line-added-by-hand"),
    ],
)
def test_only_a_file_that_nobody_changed_is_written_anew(
    tmp_path: Path, by_hand: str, is_own: bool
) -> None:
    """What a person wrote into it would else be lost at the first Save."""
    config = tmp_path / "box.toml"
    config.write_text(draft_of(complete({"name": "box"})).text + by_hand, encoding="utf-8")

    texts, _, own = plan._start(config)

    assert (own is not None) is is_own
    assert (texts.get("name") == "box") is not is_own
