"""Header pins, line numbers and the lines that a relay may not use."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from gpiozero.pins.pi import PiBoardInfo

from controller.outputs.header import LINE_OF_PIN, RESERVED, SUPPLY_PINS, UNSUITED, line_number


@pytest.mark.parametrize("revision", [0xA02082, 0xB03111, 0xC04170, 0x902120], ids=hex)
def test_table_when_held_against_gpiozeros_boards(revision: int) -> None:
    """Every pin of the header is as gpiozero has it for a Pi 3B, 4B, 5 and Zero 2 W."""
    header = PiBoardInfo.from_revision(revision).headers["J8"]
    theirs = {
        number: int(pin.name.removeprefix("GPIO"))
        for number, pin in header.pins.items()
        if pin.name.startswith("GPIO")
    }
    volts = {
        number: {"GND": "0 V", "3V3": "3.3 V", "5V": "5 V"}[pin.name]
        for number, pin in header.pins.items()
        if not pin.name.startswith("GPIO")
    }

    assert theirs == LINE_OF_PIN
    assert volts == SUPPLY_PINS


@pytest.mark.parametrize(
    ("result", "line"),
    [
        pytest.param(17, 17, id="number"),
        pytest.param("GPIO17", 17, id="name"),
        pytest.param("gpio17", 17, id="small-letters"),
        pytest.param("BCM17", 17, id="chip-name"),
        pytest.param("BOARD11", 17, id="header-pin"),
        pytest.param(" BOARD13 ", 27, id="blanks"),
        pytest.param(2, 2, id="lowest"),
        pytest.param(27, 27, id="highest"),
    ],
)
def test_line_number_when_it_is_one(result: object, line: int) -> None:
    """Each way of writing a line comes to the one number that the kernel counts by."""
    assert line_number(result) == line


@pytest.mark.parametrize(
    ("result", "says"),
    [
        pytest.param(28, r"found 28, allowed: .*2 to 27.*no GPIO28", id="above"),
        pytest.param(-1, r"found -1", id="negative"),
        pytest.param("GPIO28", r"no GPIO28", id="above-by-name"),
        pytest.param(0, r"found GPIO0, .*EEPROM.*take another", id="eeprom-data"),
        pytest.param("BOARD28", r"found GPIO1, .*EEPROM", id="eeprom-clock-by-pin"),
        pytest.param("BOARD6", r"pin 6 carries 0 V", id="ground"),
        pytest.param("BOARD2", r"pin 2 carries 5 V", id="five-volts"),
        pytest.param("BOARD41", r"pins 1 to 40", id="beyond-header"),
        pytest.param("BOARD0", r"pins 1 to 40", id="before-header"),
        pytest.param(True, r"found true, allowed", id="true"),
        pytest.param(False, r"found false, allowed", id="false"),
        pytest.param(17.0, r"found 17\.0", id="fraction"),
        pytest.param(float("nan"), r"found nan", id="nan"),
        pytest.param("17", r'write 17 without quotes, or "GPIO17"', id="digits-in-quotes"),
        pytest.param("pin 17", r"found 'pin 17', allowed", id="words"),
        pytest.param("GPIO 17", r"allowed", id="blank-inside"),
        pytest.param("", r"found ''", id="empty"),
        pytest.param("GPIO١٧", r"allowed", id="digits-of-another-script"),
        pytest.param([17, 27], r"found \[17, 27\]", id="list"),
        pytest.param(None, r"found None", id="none"),
    ],
)
def test_line_number_when_it_is_none(result: object, says: str) -> None:
    """What is no usable line is refused with what was found and what is allowed."""
    with pytest.raises(ValueError, match=says):
        line_number(result)


def test_every_line_when_named_by_pin_or_number() -> None:
    """Both spellings agree for each line, and all but the two of the EEPROM are usable."""
    usable = {pin: line for pin, line in LINE_OF_PIN.items() if line not in RESERVED}

    assert {pin: line_number(f"BOARD{pin}") for pin in usable} == usable
    assert {line_number(line) for line in usable.values()} == set(range(2, 28))


def test_the_lines_that_the_relay_page_says_no_to_are_warned_of() -> None:
    """The page's own table, with its sources: "no" for a board of that polarity, and no other."""
    page = (Path(__file__).parents[2] / "hardware-notes" / "relays.md").read_text(encoding="utf-8")
    rows = page.partition("| GPIO | Header pin |")[2].partition("\n\n")[0].splitlines()[2:]
    unsuited = set()
    for row in rows:
        cells = [cell.strip(" *") for cell in row.strip("|").split("|")]
        lines = {int(each) for each in re.findall(r"[0-9]+", cells[0])}
        if " to " in cells[0]:
            lines = set(range(min(lines), max(lines) + 1))
        for low, cell in ((True, cells[4]), (False, cells[5])):
            unsuited |= {(line, low) for line in lines if cell == "no"}

    # 0 and 1 are refused; 4 is too where the bus has it, else it is as good as 5
    assert {each for each in unsuited if each[0] not in {0, 1}} == {*UNSUITED, (4, True)}
