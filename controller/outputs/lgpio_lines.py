"""Header lines through lgpio that carry no level which nobody asked for.

gpiozero's own pins for lgpio claim a line as an input with its pull switched off, then as an
output at level 0, and only then write the level wanted; when closed they become a floating input.
An active-low relay is pulsed on by the one and left to chance by the other. A `RelayLine` is
claimed once, as an output at the level wanted, and let go of as it stands.

Only `controller.outputs.gpio` imports this module, and only to open a line: importing lgpio
fails without the library or without a writable directory.

Source:
    gpiozero 2.0.1.post3, pins/lgpio.py and pins/__init__.py, and its pull request 1177;
    lgpio 0.2.2.0, src/lgGpio.c: a second claim of an output is "nothing to do" and drops the
    level; reading or writing a line that is not claimed claims it.
"""

from __future__ import annotations

import os
from pathlib import Path

import lgpio
from gpiozero import PinInvalidFunction, PinUnknownPi
from gpiozero.pins.lgpio import LGPIOFactory
from gpiozero.pins.local import LocalPiPin

from controller.errors import OutputError

DEVICES = Path("/dev")


class RelayLine(LocalPiPin):  # type: ignore[misc]  # gpiozero ships no types
    """One line that is either ours and driven, or not touched at all."""

    def __init__(self, factory: RelayLines, info: object) -> None:
        super().__init__(factory, info)
        self._line = int(self.info.name.removeprefix("GPIO"))
        self._rest: int | None = None
        """The level that it was claimed with, which switches the load off; None while free."""

    def output_with_state(self, state: bool) -> None:
        """Claim the line as an output that carries *state* from the first instant on.

        No bias flag is given, so the pull of the boot stays: on a kernel that turns a freed line
        into an input, that pull decides then, and not chance.

        Raises:
            OutputError: The line belongs to somebody else, or the kernel refuses it.
        """
        level = int(bool(state))
        if self._rest is not None:
            lgpio.gpio_write(self.factory.handle, self._line, level)
            return
        try:
            lgpio.gpio_claim_output(self.factory.handle, self._line, level)
        except lgpio.error as error:
            raise OutputError(self._why_not_claimed(error)) from error
        self._rest = level

    def close(self) -> None:
        """Drive the line to the level it was claimed with and free it as it stands.

        Never as an input: Raspberry Pi kernels keep a freed output driven, and that is what
        holds an active-low relay off afterwards.
        """
        if self._rest is None:
            return
        lgpio.gpio_write(self.factory.handle, self._line, self._rest)
        lgpio.gpio_free(self.factory.handle, self._line)
        self._rest = None

    def _get_function(self) -> str:
        return "input" if self._rest is None else "output"

    def _set_function(self, value: str) -> None:
        raise PinInvalidFunction(
            f"{self!r} switches a relay: it becomes an output only together with its level, "
            f"and cannot be made an {value}"
        )

    def _get_state(self) -> bool:
        self._require_claim()
        return bool(lgpio.gpio_read(self.factory.handle, self._line))

    def _set_state(self, value: float) -> None:
        self._require_claim()
        lgpio.gpio_write(self.factory.handle, self._line, int(bool(value)))

    def _require_claim(self) -> None:
        if self._rest is None:
            raise PinInvalidFunction(f"{self!r} is not claimed, and lgpio would claim it unasked")

    def _why_not_claimed(self, error: Exception) -> str:
        if str(error).strip("'") != lgpio.error_text(lgpio.GPIO_BUSY):
            return (
                f"{self!r} could not be claimed: {error}; see the kernel log (dmesg), and "
                "gpioinfo for what holds the line"
            )
        holder = self.factory.holder_of(self._line)
        owner = f"held by {holder!r}, as the kernel calls it" if holder else "held by somebody else"
        return (
            f"{self!r} is busy: {owner}; stop the other program (another coldpin, a relay test) "
            "or take an overlay off this pin in config.txt, or choose another pin"
        )


class RelayLines(LGPIOFactory):  # type: ignore[misc]  # gpiozero ships no types
    """The header's GPIO chip, opened once for each output and closed with it.

    Raises:
        OutputError: There is no such chip here, or this user may not open it.
    """

    def __init__(self) -> None:
        try:
            super().__init__()
        except (PinUnknownPi, OSError) as error:
            raise OutputError(
                "this machine does not say that it is a Raspberry Pi (neither "
                "/proc/device-tree/system/linux,revision nor a Revision in /proc/cpuinfo; "
                "ProcSubset=pid hides both); run this on the Pi, or set "
                'driver = "dry" to switch nothing'
            ) from error
        except lgpio.error as error:
            raise OutputError(_why_no_chip(error)) from error
        # gpiozero keeps one dictionary of pins for all its factories, and a factory that closes
        # empties it: closing the fan would pull the pump's line from under it
        self.pins: dict[object, RelayLine] = {}
        self.pin_class = RelayLine

    @property
    def handle(self) -> int:
        """The number that lgpio gave the open chip."""
        return int(self._handle)

    def holder_of(self, line: int) -> str | None:
        """Return the kernel's name for the owner of a line, None where it gives none."""
        try:
            return str(lgpio.gpio_get_line_info(self.handle, line)[-1]) or None
        except lgpio.error:
            return None


def _why_no_chip(error: Exception) -> str:
    chips = sorted(DEVICES.glob("gpiochip*"))
    if not chips:
        return (
            f"no {DEVICES}/gpiochip* here ({error}): the kernel offers no GPIO, or a sandbox "
            "(PrivateDevices=) hides it"
        )
    closed = [chip for chip in chips if not os.access(chip, os.R_OK | os.W_OK)]
    if not closed:
        return f"the GPIO chip could not be opened: {error}; see the kernel log (dmesg)"
    chip = closed[0]
    return (
        f"{chip} may not be opened by this user ({error}); add the user to the group gpio "
        "(sudo usermod -aG gpio USER, then log in again), under systemd with "
        "SupplementaryGroups=gpio and DeviceAllow=char-gpiochip rw"
    )
