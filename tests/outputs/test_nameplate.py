"""Which records of a mains module say what they must, and which only seem to."""

from __future__ import annotations

import pytest

from controller.outputs.nameplate import REQUIRED, gaps

COMPLETE: dict[str, str | None] = {
    "description": "two-pole relay on a DIN rail",
    "certification_mark": "VDE",
    "standard": "EN 61810-1",
    "file_number": "No. 40012345",
    "isolation_class": "reinforced, coil to contacts",
    "enclosure": "in an IP54 box with a screwed lid",
}
"""An invented nameplate."""

STAND_INS = [
    "", " ", "-", "--", "...", "?", "TODO", "todo: look", "tbd", "unknown", "Unknown yet", "n/a",
    "N/A (board)", "na", "None", "none printed", "no", "no mark", "not listed", "xxx", "yes",
    "true", "ok", "pending", "see nameplate", "<from the nameplate>", "{mark}", "null", "unlisted",
]  # fmt: skip


def test_gaps_when_the_record_is_complete() -> None:
    """Nothing is asked for beyond the six fields."""
    assert set(COMPLETE) == set(REQUIRED)
    assert gaps(COMPLETE) == []


@pytest.mark.parametrize("field", COMPLETE)
@pytest.mark.parametrize("text", STAND_INS)
def test_gaps_when_a_field_says_nothing(field: str, text: str) -> None:
    """A stand-in counts as missing in every field."""
    (gap,) = gaps({**COMPLETE, field: text})

    assert (gap.field, gap.found) == (field, f'"{text}"')
    assert "copy it from the nameplate" in gap.advice


def test_gaps_when_every_field_is_missing() -> None:
    """All of them at once, in the order of the record."""
    found = gaps(dict.fromkeys(COMPLETE))

    assert [(gap.field, gap.found) for gap in found] == [(field, "nothing") for field in REQUIRED]


@pytest.mark.parametrize(
    ("field", "text", "says"),
    [
        pytest.param("certification_mark", "CE", "maker's own declaration", id="declaration"),
        pytest.param("certification_mark", "CE, RoHS", "maker's own declaration", id="two-of-them"),
        pytest.param("standard", "IEC", "no number in it", id="standard-without-number"),
        pytest.param("file_number", "on file", "no number in it", id="file-without-number"),
        pytest.param("isolation_class", "basic", "better insulation", id="basic-insulation"),
        pytest.param("isolation_class", "functional only", "better insulation", id="functional"),
        pytest.param("enclosure", "bare board", "no bare board on mains", id="bare-board"),
        pytest.param("enclosure", "open frame", "no bare board on mains", id="open"),
        pytest.param("enclosure", "IP00", "no bare board on mains", id="ip00"),
    ],
)
def test_gaps_when_a_field_says_too_little(field: str, text: str, says: str) -> None:
    """What would not protect anybody is refused with the reason."""
    (gap,) = gaps({**COMPLETE, field: text})

    assert says in gap.advice


@pytest.mark.parametrize(
    ("field", "text"),
    [
        pytest.param("certification_mark", "cULus and CE", id="declaration-beside-a-mark"),
        pytest.param("certification_mark", "TÜV", id="umlaut"),
        pytest.param("file_number", "No. 1234", id="number-abbreviated"),
        pytest.param("file_number", "E000000", id="letter-and-digits"),
        pytest.param("isolation_class", "Class II", id="protection-class"),
        pytest.param("isolation_class", "basic and reinforced", id="both"),
        pytest.param("enclosure", "open type, in an IP65 box", id="open-type-in-a-box"),
    ],
)
def test_gaps_when_a_field_is_as_printed(field: str, text: str) -> None:
    """Plates are worded in many ways; these say what they must."""
    assert gaps({**COMPLETE, field: text}) == []
