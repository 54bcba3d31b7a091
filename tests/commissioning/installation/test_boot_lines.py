"""Boot settings: what they lack is proposed, what they have is left alone."""

from __future__ import annotations

import pytest

from controller.commissioning.installation.boot_lines import (
    Pin,
    missing_lines,
    pins_of,
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


@pytest.mark.parametrize("text", ["loads = 3", "no toml [", "[loads]\npump = 1", ""])
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
