"""Texts and bytes of 1-Wire thermometers as the field and the data sheets give them."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One row of the DS18B20 data sheet's temperature table."""

    temp_c: float
    register: int
    """Temperature register as the sheet prints it."""
    kernel_mc: int
    """What Linux prints behind ``t=``: truncated toward zero."""
    scratchpad: str
    """Nine bytes of a genuine chip at 12 bits."""


# Source: DS18B20 data sheet, table 1 (columns 1 and 2; the old 27-page edition misprints
# −25.0625 °C as FF6Fh). Byte 6 by the rule of counterfeit_DS18B20, family A1; alarm bytes 4B 46.
# The checksums were computed apart from this package.
DATA_SHEET = (
    SheetRow(125.0, 0x07D0, 125_000, "d0 07 4b 46 7f ff 10 10 55"),
    SheetRow(85.0, 0x0550, 85_000, "50 05 4b 46 7f ff 10 10 bd"),
    SheetRow(25.0625, 0x0191, 25_062, "91 01 4b 46 7f ff 0f 10 25"),
    SheetRow(10.125, 0x00A2, 10_125, "a2 00 4b 46 7f ff 0e 10 e5"),
    SheetRow(0.5, 0x0008, 500, "08 00 4b 46 7f ff 08 10 d9"),
    SheetRow(0.0, 0x0000, 0, "00 00 4b 46 7f ff 10 10 69"),
    SheetRow(-0.5, 0xFFF8, -500, "f8 ff 4b 46 7f ff 08 10 f8"),
    SheetRow(-10.125, 0xFF5E, -10_125, "5e ff 4b 46 7f ff 02 10 b6"),
    SheetRow(-25.0625, 0xFE6F, -25_062, "6f fe 4b 46 7f ff 01 10 61"),
    SheetRow(-55.0, 0xFC90, -55_000, "90 fc 4b 46 7f ff 10 10 ee"),
)

# Source: counterfeit_DS18B20 README and w1thermsensor issue 75.
POWER_ON = "50 05 4b 46 7f ff 0c 10 1c"
# Source: OneWire (Arduino) issue 91 for byte 6 = 01; Linux w1_therm document for 0C.
NOT_CONVERTED = ("ff 07 4b 46 7f ff 01 10 2f", "ff 07 4b 46 7f ff 0c 10 a6")
ALL_ZERO = "00 00 00 00 00 00 00 00 00"


def text(
    digits: str, printed_mc: int = 0, *, crc: str | None = None, crc_result: str = "YES"
) -> bytes:
    """Return the two lines that Linux prints for nine bytes.

    Args:
        digits: Nine bytes, hexadecimal.
        printed_mc: The number behind ``t=`` [m°C].
        crc: What stands behind ``crc=``; the last byte when not given.
        crc_result: YES or NO.
    """
    shown = crc if crc is not None else digits[-2:]
    return f"{digits} : crc={shown} {crc_result}\n{digits} t={printed_mc}\n".encode()


def with_crc(eight: str) -> str:
    """Append the checksum to eight bytes, bit by bit as the data sheet's shift register does.

    Source:
        DS18B20 data sheet, CRC generator: written apart from the package, without its table.
    """
    register = 0
    for byte in bytes.fromhex(eight):
        for bit in range(8):
            feedback = (register ^ (byte >> bit)) & 1
            register >>= 1
            if feedback:
                register ^= 0b1000_1100
    return f"{eight} {register:02x}"
