"""The 40-pin header of the Raspberry Pi: which pin carries which GPIO line, and which are taken.

Source:
    Raspberry Pi documentation, "GPIO and the 40-pin header"; the same on every board with that
    header. Boards of before 2014 have the first 26 pins only; opening a line finds that out.
"""

from __future__ import annotations

import re

LINE_OF_PIN = {
    3: 2, 5: 3, 7: 4, 8: 14, 10: 15, 11: 17, 12: 18, 13: 27, 15: 22, 16: 23, 18: 24, 19: 10,
    21: 9, 22: 25, 23: 11, 24: 8, 26: 7, 27: 0, 28: 1, 29: 5, 31: 6, 32: 12, 33: 13, 35: 19,
    36: 16, 37: 26, 38: 20, 40: 21,
}  # fmt: skip
"""GPIO line (BCM number) on each header pin that carries one; the other pins are supply or 0 V."""

SUPPLY_PINS = {
    1: "3.3 V", 17: "3.3 V", 2: "5 V", 4: "5 V",
    6: "0 V", 9: "0 V", 14: "0 V", 20: "0 V", 25: "0 V", 30: "0 V", 34: "0 V", 39: "0 V",
}  # fmt: skip

PIN_OF_LINE = {line: pin for pin, line in LINE_OF_PIN.items()}

RESERVED = {
    0: "the identification EEPROM of add-on boards sits on it",
    1: "the identification EEPROM of add-on boards sits on it",
}
"""Lines that a relay may never use, and why. The line of the 1-Wire bus is not among them: it can
be moved, so whoever knows where it is compares it with what a driver's `lines` says."""

UNSUITED = {
    **dict.fromkeys(((2, False), (3, False)), "is pulled up by 1.8 kΩ on the board"),
    **dict.fromkeys(((line, False) for line in range(4, 9)), "is pulled up from power-on"),
    **dict.fromkeys(((line, True) for line in range(9, 12)), "is pulled down from power-on"),
    **dict.fromkeys(
        ((line, low) for line in (14, 15) for low in (True, False)),
        "is driven by the serial console at boot",
    ),
}
"""Why a relay on a line may be on from power-up until the service has the line, by line and whether
it is active-low. The relay page of the hardware notes says the same.

Source:
    Pulls: BCM2835 ARM Peripherals, page 102; uses at boot: Raspberry Pi documentation, and from
    memory.
"""

_ALLOWED = 'allowed: a GPIO number 2 to 27, or text such as "GPIO17" or "BOARD11" (header pin)'
_TEXT = re.compile(r"(GPIO|BCM|BOARD)([0-9]{1,3})", re.IGNORECASE)


def line_number(given: object) -> int:
    """Return the GPIO line (BCM number) that *found* means.

    Args:
        given: A BCM number, "GPIO17", or "BOARD11" for pin 11 of the header.

    Raises:
        ValueError: It names no line, or one that a relay may not use; the message says what was
            found, what is allowed and what to do.
    """
    line = _named_line(given)
    if line not in PIN_OF_LINE:
        raise ValueError(f"found {given!r}, {_ALLOWED}; the header carries no GPIO{line}")
    if line in RESERVED:
        raise ValueError(f"found GPIO{line}, {_ALLOWED}; {RESERVED[line]}: take another pin")
    return line


def caution(line: int, *, active_low: bool) -> str | None:
    """Return why a relay may be on before the service has its line, None where that is unlikely.

    Args:
        line: GPIO number.
        active_low: Whether the relay is on while the line is low.
    """
    why = UNSUITED.get((line, active_low))
    if why is None:
        return None
    better = "5 or 6" if active_low else "16, 17 or 22 to 27"
    kind = "active-low" if active_low else "active-high"
    return (
        f"GPIO{line} {why}, so an {kind} relay may be on before the service starts; take "
        f"GPIO{better}, or see that its lamp stays dark from power-on through boot"
    )


def _named_line(given: object) -> int:
    if isinstance(given, int) and not isinstance(given, bool):
        return given
    if not isinstance(given, str):
        shown = str(given).lower() if isinstance(given, bool) else repr(given)
        raise ValueError(f"found {shown}, {_ALLOWED}")  # noqa: TRY004 - a value to correct
    match = _TEXT.fullmatch(given.strip())
    if match is None:
        raise ValueError(f"found {given!r}, {_ALLOWED}; {_advice(given.strip())}")
    number = int(match[2])
    if match[1].upper() != "BOARD":
        return number
    if number in SUPPLY_PINS:
        raise ValueError(f"found {given!r}, {_ALLOWED}; pin {number} carries {SUPPLY_PINS[number]}")
    if number not in LINE_OF_PIN:
        raise ValueError(f"found {given!r}, {_ALLOWED}; the header has pins 1 to 40")
    return LINE_OF_PIN[number]


def _advice(text: str) -> str:
    if text.isascii() and text.isdigit():
        return f'write {int(text)} without quotes, or "GPIO{int(text)}"'
    return "correct the name"
