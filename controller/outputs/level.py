"""A level switch in the reservoir: closed while there is water enough.

The contact lies between a GPIO line and 0 V, and the line is pulled up: an open contact, a broken
wire and a line that cannot be read all mean "empty", which stops the pump.
"""

from __future__ import annotations

from typing import Any

from controller.errors import OutputError
from controller.outputs.gpio import input_factory


class LevelSwitch:
    """An open level input. Reading it never raises and never waits."""

    def __init__(self, device: Any) -> None:
        """Take over an open line.

        Args:
            device: gpiozero's input device, pulled up.
        """
        self._device = device

    def read(self) -> bool:
        """Return whether there is water enough; False, empty, where that cannot be read."""
        try:
            return bool(self._device.value)
        except Exception:  # noqa: BLE001 - whatever is wrong with the line, the pump must not run dry
            return False

    def close(self) -> None:
        """Free the line."""
        self._device.close()


def open_level(line: int, *, pin_factory: Any = None) -> LevelSwitch:
    """Claim the line of a level switch as an input with its pull-up.

    Args:
        line: GPIO number.
        pin_factory: A gpiozero pin factory; only tests give one.

    Raises:
        OutputError: The back end is missing, or the line is not there, busy or not permitted.
    """
    # imported here: a chamber without the switch needs nothing of it
    from gpiozero import DigitalInputDevice  # noqa: PLC0415

    try:
        factory = input_factory() if pin_factory is None else pin_factory
        return LevelSwitch(DigitalInputDevice(f"GPIO{line}", pull_up=True, pin_factory=factory))
    except OutputError:
        raise
    except Exception as error:
        raise OutputError(
            f"the level switch on GPIO{line} could not be opened: {error}; see gpioinfo and the "
            "kernel log"
        ) from error
