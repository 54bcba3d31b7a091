"""The nine scratchpad bytes of a 1-Wire thermometer, and the text in which Linux hands them out.

Both ways: text to temperature or fault, and temperature to the bytes that a genuine chip would
return. The word YES in the text is not believed, and neither is the number behind ``t=``: the
checksum is computed again and the temperature taken from the bytes, because one kernel prints the
number of a failed attempt beside the bytes of an older good one.

What is accepted as a thermometer (families DS18B20, DS1822, DS28EA00): bit 7 of the configuration
byte clear and its bits 4 to 0 set, whatever the reserved bytes 5 to 7 hold, because copies of the
chip put anything there and still measure. Also accepted is the copy with 14 bits, which sets bit 7
and keeps two more temperature bits in bits 1 and 0: those two are dropped, at most 0.05 K.
DS1825 carries its address pins in bits 3 to 0. DS18S20 has no configuration byte and a rule of its
own. A thermocouple amplifier that shares the DS1825's family code is refused.

Sources: DS18B20 data sheet (temperature table, scratchpad, CRC generation); DS18S20 data sheet
(table 1 and the formula of extended resolution); Linux 6.12 w1_therm.c and w1.c for text, families
and the 14-bit copy; counterfeit_DS18B20 survey (README of 2024-11-30) for byte 6 and for copies.
DS1825 and DS28EA00 configuration bytes: from memory.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from controller.domain.probe_ids import DS18B20, DS18S20, DS1825, FAMILIES
from controller.domain.temperatures import millidegrees
from controller.probes.samples import Fault

LOWEST_MC = -55_000
HIGHEST_MC = 125_000
"""Measuring range of the DS18B20 [m°C]. Source: data sheet, DC characteristics."""

CLONE_POWER_ON_MC = 25_000
"""What common copies hold before their first conversion [m°C]. Source: counterfeit_DS18B20, D."""

_ALL_ZERO = bytes(9)
_POWER_ON_RAW = 0x0550
_FAILED_RAW = 0x07FF
_CLONE_POWER_ON_RAW = 0x0190
_POWER_ON_BYTE_6 = 0x0C
_UNDEFINED_BITS = {0x00: 0x7, 0x20: 0x3, 0x40: 0x1, 0x60: 0x0}
"""Low bits that hold nothing, by the resolution bits. Source: data sheet, Measuring Temperature."""

_LINE = rb"((?:[0-9a-f]{2} ){8}[0-9a-f]{2}) "
_FIRST = re.compile(_LINE + rb": crc=([0-9a-f]{2}) (YES|NO)", re.IGNORECASE)
_SECOND = re.compile(_LINE + rb"t=-?[0-9]{1,7}", re.IGNORECASE)

_LONGEST_TEXT = 160
"""Two lines take 78 bytes at most."""

_TABLE_SIZE = 256


def _crc_table() -> tuple[int, ...]:
    table = []
    for byte in range(_TABLE_SIZE):
        crc = byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0x8C if crc & 1 else crc >> 1
        table.append(crc)
    return tuple(table)


_CRC_TABLE = _crc_table()


@dataclass(frozen=True, slots=True)
class Judged:
    """What nine bytes say: a temperature or a fault, never both."""

    value_mc: int | None
    """Temperature [m°C]; None with a fault."""
    fault: Fault | None = None
    doubtful: bool = False
    """True for the exact power-on pattern of common copies, which may also be a real 25 °C."""


def _refused(fault: Fault) -> Judged:
    return Judged(None, fault)


def crc8(data: bytes) -> int:
    """Return the 1-Wire checksum of *data*.

    Source:
        DS18B20 data sheet, CRC Generation: x⁸ + x⁵ + x⁴ + 1 from zero, low bit first. Over ROM
        02 1C B8 01 00 00 00 it is A2 (application note 27).
    """
    crc = 0
    for byte in data:
        crc = _CRC_TABLE[crc ^ byte]
    return crc


@lru_cache(maxsize=4096)
def judge_bytes(scratchpad: bytes, family: int = DS18B20) -> Judged:
    """Judge nine scratchpad bytes.

    A genuine 85.0 °C is left to the range test of the sieve; so is everything else that a chip
    can measure. A DS18S20 at exactly 85.0 °C cannot be told from one that never converted.

    Args:
        scratchpad: Bytes 0 to 8 as read.
        family: Family code, the first byte of the probe's id.
    """
    if len(scratchpad) != len(_ALL_ZERO):
        return _refused(Fault.BAD_TEXT)
    if scratchpad == _ALL_ZERO:  # its checksum is zero too, hence valid
        return _refused(Fault.ALL_ZERO)
    if crc8(scratchpad[:8]) != scratchpad[8]:
        return _refused(Fault.BAD_CRC)
    if family == DS18S20:
        return _judge_ds18s20(scratchpad)
    if family not in FAMILIES or not _configured(scratchpad[4], family):
        return _refused(Fault.NOT_A_PROBE)
    return _judge_sixteenths(scratchpad)


def _configured(config: int, family: int) -> bool:
    if family == DS1825:
        return config & 0x90 == 0x10
    fourteen_bit_copy = family == DS18B20 and config & 0x9C == 0x9C
    return config & 0x9F == 0x1F or fourteen_bit_copy


def _judge_sixteenths(scratchpad: bytes) -> Judged:
    raw = int.from_bytes(scratchpad[:2], "little", signed=True)
    if raw == _FAILED_RAW:  # whatever byte 6 says: both 0C and others were seen in the field
        return _refused(Fault.NOT_CONVERTED)
    if raw == _POWER_ON_RAW and scratchpad[6] == _POWER_ON_BYTE_6:
        return _refused(Fault.POWER_ON)
    value_mc = millidegrees((raw & ~_undefined_bits(scratchpad[4])) / 16)
    if not LOWEST_MC <= value_mc <= HIGHEST_MC:
        return _refused(Fault.OUT_OF_RANGE)
    copied = (scratchpad[5], scratchpad[7]) != (0xFF, 0x10)
    return Judged(value_mc, doubtful=copied and raw == _CLONE_POWER_ON_RAW)


def _undefined_bits(config: int) -> int:
    return 0 if config & 0x80 else _UNDEFINED_BITS[config & 0x60]


def _judge_ds18s20(scratchpad: bytes) -> Judged:
    half, sign, remain, per_degree = (scratchpad[index] for index in (0, 1, 6, 7))
    if sign not in (0x00, 0xFF) or per_degree == 0 or remain > per_degree:
        return _refused(Fault.NOT_A_PROBE)
    if (half, sign, remain) == (0xAA, 0x00, _POWER_ON_BYTE_6):
        return _refused(Fault.POWER_ON)
    whole = int.from_bytes(scratchpad[:2], "little", signed=True) >> 1
    value_mc = millidegrees(whole - 0.25 + (per_degree - remain) / per_degree)
    if not LOWEST_MC <= value_mc <= HIGHEST_MC:
        return _refused(Fault.OUT_OF_RANGE)
    return Judged(value_mc)


def judge_text(text: bytes, family: int = DS18B20) -> Judged:
    """Judge the content of a ``w1_slave`` file, whatever bytes it holds.

    Two lines are needed: the first with this read's bytes and YES, the second with the same bytes.
    Line ends may be LF or CRLF. A lone first line is a cut-off read, and two lines that differ mix
    two reads: neither gives a temperature.

    Args:
        text: The file as read.
        family: Family code, the first byte of the probe's id.
    """
    text = text.strip()
    if not text:
        return _refused(Fault.EMPTY)
    if len(text) > _LONGEST_TEXT:  # noise must not fill the cache below
        return _refused(Fault.BAD_TEXT)
    return _judge_rows(text, family)


@lru_cache(maxsize=1024)
def _judge_rows(text: bytes, family: int) -> Judged:
    rows = [row.rstrip() for row in text.split(b"\n")]
    first = _FIRST.fullmatch(rows[0])
    if first is None:
        return _refused(Fault.BAD_TEXT)
    scratchpad = bytes.fromhex(first[1].decode())
    if first[3].upper() == b"NO" or int(first[2], 16) != crc8(scratchpad[:8]):
        return _refused(Fault.BAD_CRC)
    second = _SECOND.fullmatch(rows[1]) if len(rows) == 2 else None
    if second is None:
        return _refused(Fault.BAD_TEXT)
    repeated = bytes.fromhex(second[1].decode())
    if crc8(repeated[:8]) != repeated[8]:
        return _refused(Fault.BAD_CRC)
    if repeated != scratchpad:
        return _refused(Fault.BAD_TEXT)
    return judge_bytes(scratchpad, family)


@lru_cache(maxsize=4096)
def scratchpad_bytes(value_mc: int) -> bytes:
    """Return the nine bytes that a genuine DS18B20 at 12 bits gives for a temperature.

    Args:
        value_mc: Temperature [m°C], −55000…125000; the nearest 1/16 K is taken.

    Raises:
        ValueError: The chip cannot measure that.

    Source:
        Data sheet table 1; byte 6 is 10h less the low four bits of byte 0 (counterfeit_DS18B20,
        family A1). Alarm bytes 4B 46 as in the data sheet's power-up state.
    """
    if not LOWEST_MC <= value_mc <= HIGHEST_MC:
        raise ValueError(
            f"a DS18B20 measures −55 to 125 °C, found {value_mc / 1000} °C; use a fault instead"
        )
    raw = (value_mc * 16 + 500) // 1000
    low, high = raw.to_bytes(2, "little", signed=True)
    return _with_crc(bytes((low, high, 0x4B, 0x46, 0x7F, 0xFF, 0x10 - (low & 0x0F), 0x10)))


POWER_ON_BYTES = bytes.fromhex("50054b467fff0c101c")
"""A genuine DS18B20 that has power but never converted. Source: counterfeit_DS18B20."""


def _with_crc(eight: bytes) -> bytes:
    return eight + bytes((crc8(eight),))


def text_of(scratchpad: bytes) -> bytes:
    """Return the ``w1_slave`` text that Linux would print for nine bytes of a DS18B20.

    Source:
        Linux 6.12 w1_therm.c: both lines carry the bytes, ``t=`` is truncated toward zero.
    """
    digits = scratchpad.hex(" ")
    crc = crc8(scratchpad[:8])
    verdict = "YES" if crc == scratchpad[8] else "NO"
    raw = int.from_bytes(scratchpad[:2], "little", signed=True)
    printed_mc = abs(raw) * 1000 // 16 * (1 if raw >= 0 else -1)
    return f"{digits} : crc={crc:02x} {verdict}\n{digits} t={printed_mc}\n".encode()


def scratchpad_text(value_mc: int) -> bytes:
    """Return the ``w1_slave`` text of a genuine DS18B20 at a temperature.

    Args:
        value_mc: Temperature [m°C], −55000…125000; the nearest 1/16 K is taken.

    Raises:
        ValueError: The chip cannot measure that.
    """
    return text_of(scratchpad_bytes(value_mc))
