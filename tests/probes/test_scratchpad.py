"""The nine bytes and their text."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.domain.probe_ids import DS18B20, DS18S20, DS28EA00, DS1822, DS1825, FAMILIES
from controller.domain.temperatures import millidegrees
from controller.probes.samples import Fault
from controller.probes.scratchpad import (
    POWER_ON_BYTES,
    Judged,
    crc8,
    judge_bytes,
    judge_text,
    scratchpad_bytes,
    scratchpad_text,
)
from tests.support.w1_texts import (
    ALL_ZERO,
    DATA_SHEET,
    NOT_CONVERTED,
    POWER_ON,
    SheetRow,
    text,
    with_crc,
)


def judged(digits: str, family: int = DS18B20) -> Judged:
    return judge_bytes(bytes.fromhex(digits), family)


@pytest.mark.parametrize("row", DATA_SHEET, ids=lambda row: f"{row.temp_c}C")
class TestDataSheetTable:
    def test_bytes_give_the_sheets_temperature(self, row: SheetRow) -> None:
        """Every row of the DS18B20 data sheet's table 1 comes out to the millidegree."""
        assert judged(row.scratchpad) == Judged(row.kernel_mc)
        assert millidegrees(row.temp_c) == row.kernel_mc

    def test_text_gives_the_sheets_temperature(self, row: SheetRow) -> None:
        """So it does through the text of Linux."""
        assert judge_text(text(row.scratchpad, row.kernel_mc)) == Judged(row.kernel_mc)

    def test_temperature_gives_the_sheets_register(self, row: SheetRow) -> None:
        """The inverse gives the register that the sheet prints and the bytes of a genuine chip."""
        made = scratchpad_bytes(millidegrees(row.temp_c))

        assert int.from_bytes(made[:2], "little") == row.register
        assert made.hex(" ") == row.scratchpad

    def test_temperature_gives_the_kernels_text(self, row: SheetRow) -> None:
        """The inverse prints both lines as Linux does."""
        assert scratchpad_text(row.kernel_mc) == text(row.scratchpad, row.kernel_mc)


@pytest.mark.parametrize(
    ("data", "crc"),
    [
        # Application note 27's worked example (bytes recalled, result computed here by hand).
        pytest.param("02 1c b8 01 00 00 00", 0xA2, id="application-note-27"),
        # A bench log published for a genuine chip.
        pytest.param("28 b1 43 fe 04 00 00", 0x73, id="rom"),
        pytest.param("50 01 4b 46 7f ff 10 10", 0x49, id="21.00C"),
        pytest.param("4d 01 4b 46 7f ff 03 10", 0xD8, id="20.81C"),
        pytest.param("00 00 00 00 00 00 00 00", 0x00, id="shorted-line-is-valid"),
        pytest.param("ff ff ff ff ff ff ff ff", 0xC9, id="idle-bus-is-not"),
    ],
)
def test_checksum(data: str, crc: int) -> None:
    """The checksum is the one of published examples."""
    assert crc8(bytes.fromhex(data)) == crc


@given(st.binary(max_size=12))
def test_checksum_is_the_shift_register(data: bytes) -> None:
    """The table gives what the data sheet's shift register gives, bit by bit."""
    expected = with_crc(data.hex(" ")).split()[-1] if data else "00"

    assert f"{crc8(data):02x}" == expected


@pytest.mark.parametrize(
    ("digits", "expected"),
    [
        # Onewire_DS18X20 issues 7, 8 and 16: byte 6 = 0C proves nothing alone.
        pytest.param("94 01 4b 46 7f ff 0c 10 26", Judged(25_250), id="25.25-with-byte-6-0c"),
        pytest.param("ff ff 4b 46 7f ff 01 10 9a", Judged(-62), id="just-below-zero"),
        pytest.param("fb ff 4b 46 7f ff 0c 10 06", Judged(-312), id="-0.3125"),
        pytest.param(POWER_ON, Judged(None, Fault.POWER_ON), id="power-on"),
        pytest.param(NOT_CONVERTED[0], Judged(None, Fault.NOT_CONVERTED), id="07ff-byte-6-01"),
        pytest.param(NOT_CONVERTED[1], Judged(None, Fault.NOT_CONVERTED), id="07ff-byte-6-0c"),
        pytest.param(
            with_crc("d1 07 4b 46 7f ff 0f 10"), Judged(None, Fault.OUT_OF_RANGE), id="125.0625"
        ),
        # w1thermsensor issue 114: −109.9 °C on unplugging.
        pytest.param(
            with_crc("22 f9 4b 46 7f ff 0e 10"), Judged(None, Fault.OUT_OF_RANGE), id="-109.9"
        ),
        pytest.param(ALL_ZERO, Judged(None, Fault.ALL_ZERO), id="shorted-line"),
        pytest.param("ff " * 8 + "ff", Judged(None, Fault.BAD_CRC), id="idle-bus"),
        pytest.param(
            with_crc("40 01 4b 46 00 ff 10 10"), Judged(None, Fault.NOT_A_PROBE), id="no-config"
        ),
        pytest.param(
            with_crc("40 01 4b 46 7e ff 10 10"), Judged(None, Fault.NOT_A_PROBE), id="config-7e"
        ),
        # Copies: reserved bytes hold anything, the temperature is real.
        pytest.param(with_crc("c8 00 55 05 7f 7e 81 66"), Judged(12_500), id="copy"),
        pytest.param(
            with_crc("90 01 55 05 7f 7e 81 66"), Judged(25_000, doubtful=True), id="copy-at-25"
        ),
        pytest.param(with_crc("91 01 55 05 7f 7e 81 66"), Judged(25_062), id="copy-near-25"),
        pytest.param(with_crc("90 01 4b 46 7f ff 10 10"), Judged(25_000), id="genuine-at-25"),
        # The 14-bit copy: its two extra bits are dropped.
        pytest.param(with_crc("c8 00 4b 46 ff ff 10 10"), Judged(12_500), id="14-bit-copy"),
        pytest.param(
            with_crc("c8 00 4b 46 e3 ff 10 10"), Judged(None, Fault.NOT_A_PROBE), id="not-14-bit"
        ),
        # Below 12 bits the low bits are undefined (data sheet, Measuring Temperature).
        pytest.param(with_crc("cf 00 4b 46 1f ff 10 10"), Judged(12_500), id="9-bit"),
        pytest.param(with_crc("cf 00 4b 46 3f ff 10 10"), Judged(12_750), id="10-bit"),
        pytest.param(with_crc("cf 00 4b 46 5f ff 10 10"), Judged(12_875), id="11-bit"),
        pytest.param(with_crc("cf 00 4b 46 7f ff 10 10"), Judged(12_937), id="12-bit"),
        pytest.param("c8 00 4b 46", Judged(None, Fault.BAD_TEXT), id="four-bytes"),
        pytest.param("", Judged(None, Fault.BAD_TEXT), id="no-bytes"),
    ],
)
def test_bytes_of_a_ds18b20(digits: str, expected: Judged) -> None:
    """Real temperatures are kept, everything else is refused under its own name."""
    assert judged(digits) == expected


@pytest.mark.parametrize(
    ("digits", "family", "expected"),
    [
        # DS18S20 data sheet, table 1, with COUNT_REMAIN such that the fine value is the same:
        # TEMP_READ − 0.25 + (16 − COUNT_REMAIN) / 16.
        pytest.param(with_crc("32 00 4b 46 ff ff 0c 10"), DS18S20, Judged(25_000), id="s20-25"),
        pytest.param(with_crc("01 00 4b 46 ff ff 04 10"), DS18S20, Judged(500), id="s20-0.5"),
        pytest.param(with_crc("00 00 4b 46 ff ff 0c 10"), DS18S20, Judged(0), id="s20-0"),
        pytest.param(with_crc("ff ff 4b 46 ff ff 04 10"), DS18S20, Judged(-500), id="s20--0.5"),
        pytest.param(with_crc("ce ff 4b 46 ff ff 0c 10"), DS18S20, Judged(-25_000), id="s20--25"),
        pytest.param(with_crc("92 ff 4b 46 ff ff 0c 10"), DS18S20, Judged(-55_000), id="s20--55"),
        pytest.param(with_crc("fa 00 4b 46 ff ff 0c 10"), DS18S20, Judged(125_000), id="s20-125"),
        pytest.param(with_crc("32 00 4b 46 ff ff 0b 10"), DS18S20, Judged(25_062), id="s20-fine"),
        pytest.param(
            "aa 00 4b 46 ff ff 0c 10 87", DS18S20, Judged(None, Fault.POWER_ON), id="s20-power-on"
        ),
        pytest.param(
            with_crc("32 00 4b 46 ff ff 0c 00"),
            DS18S20,
            Judged(None, Fault.NOT_A_PROBE),
            id="s20-count-0",
        ),
        pytest.param(
            with_crc("32 01 4b 46 ff ff 0c 10"),
            DS18S20,
            Judged(None, Fault.NOT_A_PROBE),
            id="s20-sign",
        ),
        pytest.param(
            with_crc("fc 00 4b 46 ff ff 0c 10"),
            DS18S20,
            Judged(None, Fault.OUT_OF_RANGE),
            id="s20-126",
        ),
        pytest.param(with_crc("c8 00 4b 46 7f ff 08 10"), DS1822, Judged(12_500), id="1822"),
        pytest.param(with_crc("c8 00 4b 46 7f ff 08 10"), DS28EA00, Judged(12_500), id="28ea00"),
        pytest.param(with_crc("c8 00 4b 46 75 ff 08 10"), DS1825, Judged(12_500), id="1825-pin-5"),
        pytest.param(
            with_crc("c8 00 4b 46 f5 ff 08 10"),
            DS1825,
            Judged(None, Fault.NOT_A_PROBE),
            id="thermocouple",
        ),
        pytest.param(
            with_crc("c8 00 4b 46 7f ff 08 10"),
            0x26,
            Judged(None, Fault.NOT_A_PROBE),
            id="other-family",
        ),
    ],
)
def test_bytes_of_other_families(digits: str, family: int, expected: Judged) -> None:
    """Each family is decoded by its own rule or refused."""
    assert judged(digits, family) == expected


GOOD = "c8 00 4b 46 7f ff 08 10 02"
OLD = "40 01 4b 46 7f ff 10 10 1d"


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        pytest.param(text(GOOD, 12_500), Judged(12_500), id="good"),
        pytest.param(text(GOOD, 12_500).replace(b"\n", b"\r\n"), Judged(12_500), id="crlf"),
        pytest.param(text(GOOD, 12_500).rstrip(), Judged(12_500), id="no-last-line-end"),
        pytest.param(text(GOOD, -62), Judged(12_500), id="number-of-another-read"),
        pytest.param(b"", Judged(None, Fault.EMPTY), id="empty"),
        pytest.param(b"\n \r\n", Judged(None, Fault.EMPTY), id="blank-lines"),
        pytest.param(
            text(GOOD, 12_500).splitlines()[0], Judged(None, Fault.BAD_TEXT), id="first-line-only"
        ),
        pytest.param(
            text(GOOD, 12_500)[:-6], Judged(None, Fault.BAD_TEXT), id="second-line-ends-in-t="
        ),
        pytest.param(
            text(GOOD, 12_500) + b"more\n", Judged(None, Fault.BAD_TEXT), id="a-third-line"
        ),
        pytest.param(b"not found.\n", Judged(None, Fault.BAD_TEXT), id="not-found"),
        pytest.param(b"\xff\xfe\x00junk", Judged(None, Fault.BAD_TEXT), id="binary"),
        pytest.param(b"\x00" * 4096, Judged(None, Fault.BAD_TEXT), id="a-page-of-nul"),
        pytest.param(text(GOOD, 12_500) * 50, Judged(None, Fault.BAD_TEXT), id="long"),
        pytest.param(b"12500\n", Judged(None, Fault.BAD_TEXT), id="a-bare-number"),
        pytest.param(
            text(GOOD, 12_500, crc_result="NO"),
            Judged(None, Fault.BAD_CRC),
            id="no-beside-good-bytes",
        ),
        pytest.param(text(GOOD, 12_500, crc="03"), Judged(None, Fault.BAD_CRC), id="crc-printed"),
        pytest.param(
            text("c9 00 4b 46 7f ff 08 10 02", 12_562),
            Judged(None, Fault.BAD_CRC),
            id="yes-beside-wrong-crc",
        ),
        pytest.param(
            f"{GOOD} : crc=02 YES\n{OLD} t=20000\n".encode(),
            Judged(None, Fault.BAD_TEXT),
            id="two-reads-mixed",
        ),
        pytest.param(
            f"{GOOD} : crc=02 YES\n{GOOD[:-2]}03 t=12500\n".encode(),
            Judged(None, Fault.BAD_CRC),
            id="second-line-wrong-crc",
        ),
        pytest.param(text(ALL_ZERO), Judged(None, Fault.ALL_ZERO), id="shorted-line"),
        pytest.param(text(POWER_ON, 85_000), Judged(None, Fault.POWER_ON), id="power-on"),
    ],
)
def test_text(content: bytes, expected: Judged) -> None:
    """Only two whole lines of one read give a temperature, and the bytes alone decide which."""
    assert judge_text(content) == expected


@given(st.binary(max_size=200), st.integers(0, 255))
def test_no_text_raises(content: bytes, family: int) -> None:
    """Whatever a file holds, there is a temperature or a fault, never both and never neither."""
    result = judge_text(content, family)

    assert (result.value_mc is None) is (result.fault is not None)


@given(st.binary(min_size=8, max_size=8), st.sampled_from(sorted(FAMILIES)))
def test_no_valid_checksum_raises(eight: bytes, family: int) -> None:
    """Nine random bytes with a right checksum never give a value outside the chip's range."""
    result = judge_bytes(eight + bytes((crc8(eight),)), family)

    assert (result.value_mc is None) is (result.fault is not None)
    assert result.value_mc is None or -55_000 <= result.value_mc <= 125_000


@given(st.integers(-55_000, 125_000))
def test_text_of_a_temperature_gives_the_nearest_step(value_mc: int) -> None:
    """Out and back again moves a temperature by half a step of 1/16 K at most."""
    result = judge_text(scratchpad_text(value_mc)).value_mc

    assert result is not None
    assert abs(result - value_mc) <= 32
    assert judge_text(scratchpad_text(result)).value_mc == result


@given(st.integers(-55_000, 125_000), st.integers(0, 71))
def test_one_flipped_bit_is_never_a_reading(value_mc: int, bit: int) -> None:
    """A single wrong bit anywhere in the nine bytes is caught by the checksum."""
    flipped = bytearray(scratchpad_bytes(value_mc))
    flipped[bit // 8] ^= 1 << bit % 8

    assert judge_bytes(bytes(flipped)) == Judged(None, Fault.BAD_CRC)


@pytest.mark.parametrize("value_mc", [-55_001, 125_001])
def test_bytes_of_an_impossible_temperature_are_refused(value_mc: int) -> None:
    """A temperature that the chip cannot measure has no bytes, and the message says the range."""
    with pytest.raises(ValueError, match="−55 to 125 °C, found"):
        scratchpad_bytes(value_mc)


def test_power_on_bytes() -> None:
    """The ready-made power-on value is the one of the counterfeit_DS18B20 survey."""
    assert POWER_ON_BYTES.hex(" ") == POWER_ON


def test_families_are_those_of_the_kernel() -> None:
    """Linux 6.12 w1_therm.c knows these five family codes."""
    assert FAMILIES == {
        0x10: "DS18S20",
        0x22: "DS1822",
        0x28: "DS18B20",
        0x3B: "DS1825",
        0x42: "DS28EA00",
    }
