"""A level switch: closed is water, everything else is empty."""

from __future__ import annotations

import pytest
from gpiozero.pins.mock import MockFactory

from controller.errors import OutputError
from controller.outputs.level import LevelSwitch, open_level


def test_only_a_closed_contact_is_water() -> None:
    """The line is pulled up, so that a broken wire reads as an open contact."""
    factory = MockFactory()
    switch = open_level(22, pin_factory=factory)
    pin = factory.pin(22)

    assert pin.pull == "up"
    assert switch.read() is False
    pin.drive_low()
    assert switch.read() is True
    pin.drive_high()
    assert switch.read() is False
    switch.close()
    assert switch.read() is False


def test_a_line_that_cannot_be_read_is_empty() -> None:
    """Whatever the driver raises."""

    class Broken:
        @property
        def value(self) -> float:
            raise OSError("gone")

        def close(self) -> None:
            pass

    assert LevelSwitch(Broken()).read() is False


def test_a_line_that_is_not_there_is_reported() -> None:
    """With its number and what the library says."""
    with pytest.raises(OutputError, match=r"^the level switch on GPIO99 could not be opened: .*99"):
        open_level(99, pin_factory=MockFactory())
