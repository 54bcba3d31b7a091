"""Boot settings: what they lack is proposed, what they have is left alone."""

from __future__ import annotations

import pytest

from controller.commissioning.installation.boot_lines import (
    Pin,
    missing_lines,
    pins_of,
    probe_pin_of,
    with_lines,
)

CONFIGURATION = """
[loads.pump]
driver = "gpio"
pin = 5
active_low = true
[loads.fan]
driver = "gpio"
pin = 6
[loads.signal]
driver = "dry"
pin = 22
"""
PUMP, FAN = Pin(number=5, active_low=True), Pin(number=6, active_low=False)


def test_pins_of_a_configuration_are_those_of_the_pi_itself() -> None:
    """A load of another driver hangs on no pin of ours."""
    assert pins_of(CONFIGURATION) == [PUMP, FAN]


@pytest.mark.parametrize("spelling", ["5", '"GPIO5"', '"BCM5"', '"BOARD29"'])
def test_a_pin_has_its_line_however_it_is_spelled(spelling: str) -> None:
    """All of these are GPIO5, and `coldpin check` accepts each."""
    assert pins_of(CONFIGURATION.replace("pin = 5", f"pin = {spelling}")) == [PUMP, FAN]


def test_the_bus_is_where_the_configurations_say() -> None:
    """The usual pin may carry a load there; a bus on another pin reads none of their probes."""
    assert probe_pin_of("[one_wire]\npin = 24\n") == 24
    assert probe_pin_of(CONFIGURATION) is None
    assert missing_lines("dtparam=strict_gpiod", [], {24}) == ["dtoverlay=w1-gpio,gpiopin=24"]
    there = "dtparam=strict_gpiod\ndtoverlay=w1-gpio,gpiopin=24\n"
    assert missing_lines(there, [], {24}) == []
    assert missing_lines(there, [], {4, 24}) == ["dtoverlay=w1-gpio,gpiopin=4"]
    assert missing_lines("dtparam=strict_gpiod\ndtoverlay=w1-gpio\n", [], {4}) == []


@pytest.mark.parametrize(
    ("settings", "lacks"),
    [
        pytest.param("gpio=5=op,dh\ngpio=6=op,dl", [], id="one-by-one"),
        pytest.param("gpio=5,6=op,dl\ngpio=2-5,7=op,dh", [], id="lists-and-ranges"),
        pytest.param("gpio=5=op,dh\ngpio=0-27=ip,pn", [PUMP, FAN], id="the-last-decides"),
        pytest.param("gpio=5,6=op,dh", [FAN], id="another-level"),
        pytest.param("gpio=5=op,pn,dh\ngpio=6=dl,op", [], id="with-a-pull-in-any-order"),
    ],
)
def test_levels_are_found_as_the_firmware_reads_them(settings: str, lacks: list[Pin]) -> None:
    """Source: Raspberry Pi documentation, config.txt, gpio: pins, lists and ranges of them."""
    rest = f"dtparam=i2c_arm=on,strict_gpiod\ndtoverlay=w1-gpio\n{settings}\n"

    assert missing_lines(rest, [PUMP, FAN]) == [pin.line for pin in lacks]


@pytest.mark.parametrize(
    "text",
    ["loads = 3", "no toml [", "[loads]\npump = 1", "", "[loads.pump]\ndriver = 'gpio'\npin = 0"],
)
def test_what_is_no_configuration_has_no_pins(text: str) -> None:
    """`coldpin check` says what is wrong with it."""
    assert pins_of(text) == []


def test_lines_keep_each_load_off_by_its_own_polarity() -> None:
    """Source: Raspberry Pi documentation, config.txt, gpio: dh drives high, dl drives low."""
    assert missing_lines("", [PUMP, FAN]) == [
        "dtoverlay=w1-gpio,gpiopin=4",
        "dtparam=strict_gpiod",
        "gpio=5=op,dh",
        "gpio=6=op,dl",
    ]


def test_lines_that_are_there_are_not_asked_for_again() -> None:
    """And a comment is no setting; another probe pin is the grower's own choice."""
    settings = "dtoverlay=w1-gpio,gpiopin=17 # ours\n#dtparam=strict_gpiod\ngpio=5=op,dh\n"

    assert missing_lines(settings, [PUMP]) == ["dtparam=strict_gpiod"]


def test_added_lines_hold_for_every_model_and_are_then_complete() -> None:
    """A section for one model may stand last in the file."""
    after = with_lines("[pi4]\narm_boost=1\n", missing_lines("", [PUMP]))

    assert after.index("[all]") > after.index("arm_boost")
    assert missing_lines(after, [PUMP]) == []
