"""Which records of a mains module say what they must, and which only seem to."""

from __future__ import annotations

import re

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

    assert (gap.field, gap.recorded) == (field, f'"{text}"')
    assert "copy it from the nameplate" in gap.advice


def test_gaps_when_every_field_is_missing() -> None:
    """All of them at once, in the order of the record."""
    missing = gaps(dict.fromkeys(COMPLETE))

    assert [(gap.field, gap.recorded) for gap in missing] == [
        (field, "nothing") for field in REQUIRED
    ]


@pytest.mark.parametrize(
    ("field", "text", "says"),
    [
        ("certification_mark", "CE", "maker's own declaration"),
        ("certification_mark", "CE, RoHS", "maker's own declaration"),
        ("certification_mark", "CE mark", "maker's own declaration"),
        ("certification_mark", "CE-marked", "no testing body|maker's own declaration"),
        ("certification_mark", "CE certified", "maker's own declaration"),
        ("certification_mark", "C E", "no testing body"),
        ("certification_mark", "Bare board", "no testing body"),
        ("certification_mark", "nothing on it", "no testing body"),
        ("certification_mark", "self-declared", "no testing body"),
        ("certification_mark", "0", "no testing body"),
        ("certification_mark", "X", "no testing body"),
        ("certification_mark", "RU", "no testing body"),
        ("certification_mark", "UL recognised component", 'without "recognised", "component"'),
        ("certification_mark", "like VDE", 'without "like"'),
        ("certification_mark", "UL 508", 'without "508"'),
        ("standard", "IEC", "no number in it"),
        ("standard", "no standard 1", "write the standard alone"),
        ("standard", "EN 61810-1 not applied", "write the standard alone"),
        # flammability of plastics, printed on every board; the rest are other trades' numbers
        ("standard", "UL 94", "UL 94 for no standard of relays"),
        ("standard", "BS 99", "BS 99 for no standard of relays"),
        ("standard", "EN 61810-1, UL 94 and UL 796", "UL 94 and UL 796 for no standards of"),
        ("standard", "EN 60529", "such as EN 61810-1"),  # a code of enclosures
        ("standard", "IEC 60664-1", "belongs in description"),  # clearances
        ("standard", "EN 60947-7-1", "EN 60947-7-1 for no standard"),  # terminal blocks
        ("standard", "EN 60669-1", "EN 60669-1 for no"),  # light switches by hand
        ("standard", "EN 508", "EN 508 for no"),  # UL's own number
        ("standard", "UL EN 508", "UL EN 508 for no"),
        ("standard", "UL 508-1", "UL 508-1 for no"),
        ("standard", "UL 14", "UL 14 for no"),  # CSA's own number
        ("standard", "CSA 14", "CSA 14 for no"),
        ("standard", "CSA C22.2 No. 508", "No. 508 for no"),
        ("file_number", "on file", "no number in it"),
        ("file_number", "no number 1", "eight digits that begin with 400"),
        ("file_number", "1", "eight digits that begin with 400"),
        ("file_number", "E252401", "of VDE has eight digits that begin with 400"),
        ("file_number", "like 40012345", "eight digits that begin with 400"),
        ("isolation_class", "basic", "better insulation"),
        ("isolation_class", "functional only", "better insulation"),
        ("isolation_class", "opto", "better insulation"),
        ("isolation_class", "opto-isolated, 4 kV", "better insulation"),
        ("isolation_class", "single", "better insulation"),
        ("isolation_class", "class 0", "better insulation"),
        ("isolation_class", "class 2", "better insulation"),
        ("isolation_class", "double contact", "better insulation"),
        ("isolation_class", "not reinforced", 'copy it|without "not"'),
        ("isolation_class", "hardly reinforced", 'without "hardly"'),
        ("enclosure", "bare board", "no bare board on mains"),
        ("enclosure", "open frame", "no bare board on mains"),
        ("enclosure", "IP00", "no bare board on mains"),
        ("enclosure", "IP10 box", "no bare board on mains"),
        ("enclosure", "bare board in nothing", "no bare board on mains"),
        ("enclosure", "unenclosed in the shed", "no bare board on mains"),
        ("enclosure", "plastic bag", "no bare board on mains"),
        ("enclosure", "plastic bag IP65", 'without "bag"'),
        ("enclosure", "IP20", "closed box"),
        ("enclosure", "IP20 with open door", 'without "open"'),
        ("enclosure", "IP65 box beside an IP00 board", "no bare board on mains"),
    ],
)
def test_gaps_when_a_field_is_on_no_list(field: str, text: str, says: str) -> None:
    """What no list of good texts knows is refused, with the reason."""
    missing = {gap.field: gap for gap in gaps({**COMPLETE, field: text})}

    assert re.search(says, missing.pop(field).advice)
    # the number is judged by the mark, so another mark may have no number either
    assert set(missing) <= ({"file_number"} if field == "certification_mark" else set())


@pytest.mark.parametrize(
    ("field", "text", "says"),
    [
        ("certification_mark", "VDE?", 'without "\\?"'),
        ("certification_mark", "VDE ✗", 'without "✗"'),
        ("certification_mark", "¬VDE", 'without "¬"'),
        ("certification_mark", "!VDE", 'without "!"'),
        ("certification_mark", "CE met", "maker's own declaration"),
        ("certification_mark", "ＶＤＥ", "what is printed"),
        ("file_number", "40012345?", 'without "\\?"'),
        ("file_number", "٤٠٠١٢٣٤٥", "what is printed"),
        ("file_number", "EN 61810-1", "number of the standard"),
        ("standard", "EN 00", "write the standard alone"),
        ("standard", "UL 00000", "write the standard alone"),
        ("isolation_class", "basic or reinforced", "which of them holds"),
        ("isolation_class", "basic/reinforced", "which of them holds"),
        ("isolation_class", "double or basic insulation", "which of them holds"),
        ("isolation_class", "reinforced to basic", "which of them holds"),
        ("isolation_class", "from functional to reinforced", "which of them holds"),
        ("isolation_class", "class II or class 2", "which of them holds"),
        ("isolation_class", "class ii to class 0", "which of them holds"),
        ("isolation_class", "contacts double, coil", "better insulation"),
        ("isolation_class", "reinforced 0 mm", 'without "0"'),
        ("isolation_class", "reinforced ≠ control", 'without "≠"'),
        ("enclosure", "IP54 with open door", 'without "open"'),
        ("enclosure", "IP54 box open", 'without "open"'),
        ("enclosure", "open box, IP54", 'without "open"'),
        ("enclosure", "open type 1", 'without "open"'),
        ("enclosure", "open type, IP67", 'without "open"'),
        ("enclosure", "IP20 in a closed box with open lid", 'without "open"'),
        ("enclosure", "IP20 on a closed box", "what keeps fingers off"),
        ("enclosure", "IP20 relay on closed box", "what keeps fingers off"),
        ("enclosure", "IP20 box with closed lid", "in a closed box"),
        ("enclosure", "IP68 cable gland", "what keeps fingers off"),
        ("enclosure", "box with IP68 cable gland", "in a closed box"),
        ("enclosure", "IP67 relay in a box", "in a closed box"),
        ("enclosure", "IP67 sealed relay module", "what keeps fingers off"),
        ("enclosure", "IP65 lid", "what keeps fingers off"),
        ("enclosure", "IP54 on the wall", "what keeps fingers off"),
        ("enclosure", "type 5 relay", "what keeps fingers off"),
        ("enclosure", "IP54?", 'without "\\?"'),
    ],
)
def test_gaps_when_good_words_are_put_so_that_they_say_nothing(
    field: str, text: str, says: str
) -> None:
    """Words of the lists alone do not make a statement: how they stand together counts too."""
    missing = {gap.field: gap for gap in gaps({**COMPLETE, field: text})}

    assert re.search(says, missing.pop(field).advice)
    assert set(missing) <= ({"file_number"} if field == "certification_mark" else set())


@pytest.mark.parametrize(
    ("field", "text"),
    [
        ("certification_mark", "vde"),
        ("certification_mark", "VDE and CE"),
        ("certification_mark", "VDE, ENEC 10"),
        ("file_number", "No. 40028391"),
        ("file_number", "Certificate No. 40031539"),
        ("standard", "DIN EN 61810-1"),
        ("standard", "EN IEC 61810-1:2015, UL 508"),
        ("standard", "CSA C22.2 No. 14"),
        ("standard", "CSA C22.2 No. 60947-4-1"),
        ("standard", "CSA E60730-1"),
        ("standard", "AS/NZS 60947.4.1"),
        ("standard", "BS EN 60669-2-2"),
        ("standard", "IEC 62314 and UL 508A"),
        ("standard", "UL 60947-4-1A"),
        ("standard", "IEC 61810"),
        ("isolation_class", "Class II"),
        ("isolation_class", "protection class II"),
        ("isolation_class", "double"),
        ("isolation_class", "double insulation, coil to contacts"),
        ("isolation_class", "basic and reinforced"),
        ("isolation_class", "reinforced insulation, 8 mm creepage"),
        ("isolation_class", "SELV, protective separation from mains"),
        ("certification_mark", "VDE®"),
        ("isolation_class", "basic insulation and reinforced insulation, coil to contacts"),
        ("isolation_class", "reinforced or double"),
        ("isolation_class", "reinforced, creepage ≥ 8 mm"),
        ("enclosure", "IP54"),
        ("enclosure", "Relay on DIN rail, in an IP65 junction box with cable glands"),
        ("enclosure", "IP20 relay in a closed polycarbonate box"),
        ("enclosure", "closed steel cabinet, IP20 relay inside"),
        ("enclosure", "open type, in an IP65 box"),
        ("enclosure", "IP 20 in a closed box with a screwed lid"),
        ("enclosure", "NEMA 4X box"),
        ("enclosure", "Type 12 enclosure"),
    ],
)
def test_gaps_when_a_field_is_as_printed(field: str, text: str) -> None:
    """Plates are worded in many ways; these say what they must."""
    assert gaps({**COMPLETE, field: text}) == []


@pytest.mark.parametrize(
    ("mark", "number", "accepted"),
    [
        ("cULus", "E252401", True),
        ("UL Listed", "File E127643", True),
        ("UL", "E25240", True),
        ("UL", "E2524", False),
        ("UL", "E2524011", False),
        ("UL", "3WW8", False),
        ("UL", "252401", False),
        ("UL", "E000000", False),
        ("ETL Intertek", "4003412", True),
        ("ETL", "412", False),
        ("CSA", "LR 24681", True),
        ("CSA", "253201", True),
        ("VDE", "40028391", True),
        ("VDE", "30028391", False),
        ("TÜV Rheinland", "R 50123456", True),
        ("TÜV SÜD", "Z1A 12 03 12345 678", True),
        ("TÜV", "50", False),
        ("DEKRA", "31-114972", True),
        ("IMQ", "CA02.03456", True),
        ("KC", "HU071234-12001", True),
        ("MET", "113876", True),
        ("DEKRA", "61810-1", False),
        ("DEKRA", "IEC 60335-1", False),
        ("ETL", "61810", False),
        ("ETL", "1234567", False),
        ("CSA", "123456", False),
        ("FM", "98765", False),
        ("GS", "1-2-3-4-5", False),
        ("DEKRA", "2024-01-01", False),
        ("FM", "98.5 99.1", False),
        ("UL", "E123456", False),
        ("Nemko", "P123", False),
        ("cULus, VDE", "E252401", True),
        ("cULus, VDE", "40028391", True),
    ],
)
def test_gaps_when_a_number_meets_its_body(mark: str, number: str, accepted: bool) -> None:
    """The number must have the form of the body whose mark is printed.

    Source: E252401, E127643 and 40028391, 40031539 are numbers of real certificates; the forms of
    the other bodies are from memory.
    """
    missing = gaps({**COMPLETE, "certification_mark": mark, "file_number": number})

    assert [gap.field for gap in missing] == ([] if accepted else ["file_number"])
