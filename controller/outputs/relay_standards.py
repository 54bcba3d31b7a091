"""Standards by which a body lists a relay module, and how a plate writes them. Pure.

A number of the right form is not enough: the flammability of a plastic (UL 94) or a clearance has a
standard of its own, is printed beside the others, and says nothing about switching mains. So what
is not on these lists of standards for relays, contactors and controls is refused.

Source:
    Numbers and titles from memory: of IEC, which EN, DIN, BS, AS/NZS, UL and CSA take over by
    number, and UL's and CSA's own.
"""

from __future__ import annotations

import re

SHARED = {
    "60255": r".*",  # measuring relays and protection, and the older relay standards
    "60669": r"2(-\d+)?",  # electronic, remote-control and time-delay switches of a house
    "60730": r"|1|2-\d+",  # automatic electrical controls
    "60947": r"|1|4-\d+|5-1|6-\d+",  # contactors, starters, control-circuit devices
    "61010": r"|1|2-201",  # control equipment
    "61058": r"|1|1-\d+|2-\d+",  # switches of appliances
    "61095": r"",  # contactors of a house
    "61131": r"2",  # programmable controllers
    "61810": r"|\d|10",  # relays
    "61812": r"|1",  # time relays
    "62314": r"",  # solid-state relays
}
"""Numbers that the standards bodies share, each with the parts that concern what switches."""
OF_UL = frozenset({"244A", "353", "508", "508A", "873", "916", "917"})
"""Controls of appliances, limit controls, industrial controls and their panels, temperature
controls, energy management, and switches by the clock."""
OF_CSA = frozenset({"14", "24", "177", "205", "286"})
"""C22.2 No. …: industrial and temperature controls, switches by the clock, signals, panels."""

STANDARD = re.compile(
    r"(?P<by>(?:(?:DIN|BS|EN|IEC|UL|CSA|AS/NZS)[ /-]*)+)(?P<canada>(?:C22\.2\s)?(?:No\.?\s?)?)"
    r"[A-Z]?(?P<number>[1-9]\d{1,4})(?P<part>(?:[-.]\d+)*)(?P<suffix>[A-Z]?)(?::\d{4})?"
)
SUCH_AS = "EN 61810-1, EN 60947-4-1, EN 60730-1, UL 508 or CSA C22.2 No. 14"


def parts_of(text: str) -> list[str]:
    """Return the standards of a list of them."""
    return re.split(r"\s*(?:[,;]|\band\b)\s*", text.strip())


def refusal(text: str) -> str | None:
    """Return what to do about a list of standards; None where each is one for what switches.

    Args:
        text: As recorded, with a number in it.
    """
    matches = {part: STANDARD.fullmatch(part) for part in parts_of(text)}
    if None in matches.values():
        return "write the standard alone: EN, IEC, UL, CSA, BS, DIN or AS/NZS and its number"
    others = [part for part, match in matches.items() if match is not None and not _switches(match)]
    if not others:
        return None
    one = len(others) == 1
    return (
        f"coldpin knows {' and '.join(others)} for no {'standard' if one else 'standards'} of "
        f"relays, contactors or controls: write the one that the module was listed to, such as "
        f"{SUCH_AS}; what else the plate says belongs in description"
    )


def _switches(standard: re.Match[str]) -> bool:
    number, part = standard["number"], standard["part"].lstrip("-.").replace(".", "-")
    if number in SHARED:
        return re.fullmatch(SHARED[number], part) is not None
    own = f"{number}{standard['suffix']}"
    if part:
        return False
    if standard["canada"].strip():
        return own in OF_CSA
    return standard["by"].strip(" /-") == "UL" and own in OF_UL
