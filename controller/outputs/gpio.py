"""Relays on the 40-pin header of a Raspberry Pi, through gpiozero and lgpio.

The load is off from the first claim of its line to the last write before the line is freed, on
boards of either polarity; `controller.outputs.lgpio_lines` says how. What the kernel makes of a
freed line is beyond this process: Raspberry Pi kernels keep it driven off, mainline kernels turn
it into an input with the pull it had at boot, so wire a relay whose idle level suits that pull.
"""

from __future__ import annotations

import atexit
import contextlib
import os
import tempfile
import traceback
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from controller.domain.places import SHARED_MEMORY
from controller.errors import OutputError
from controller.outputs.header import PIN_OF_LINE, line_number
from controller.outputs.options import unknown_keys

BACK_END = "lgpio"
"""The one pin library that is used; the others lack new boards or write to registers."""


class GpioOutput:
    """One open relay channel on one line of the header."""

    def __init__(self, device: Any, name: str, release: Callable[[], None]) -> None:
        """Take over an open line.

        Args:
            device: gpiozero's output device, with the load off.
            name: The line, for messages.
            release: Called once when the line has been freed.
        """
        self._device = device
        self._name = name
        self._release = release
        # gpiozero closes at exit only what its own default factory made
        atexit.register(self.close)

    def switch(self, on: bool) -> None:
        """Drive the line so that the load is on or off.

        Raises:
            OutputError: The output was closed, or the kernel did not take the level.
        """
        if self._device.closed:
            raise OutputError(f"{self._name} was switched after it was closed; open it anew")
        try:
            self._device.value = on
        except Exception as error:
            raise self._failure(f"switched {'on' if on else 'off'}", error) from error

    def read_back(self) -> bool | None:
        """Return what the level on the pin means for the load; None once closed.

        Raises:
            OutputError: The kernel did not give the level.
        """
        if self._device.closed:
            return None
        try:
            return bool(self._device.value)
        except Exception as error:
            raise self._failure("read back", error) from error

    def close(self) -> None:
        """Switch the load off and free the line without turning it into an input.

        Raises:
            OutputError: The kernel did not take the level. The line stays claimed, and another
                call tries again.
        """
        if self._device.closed:
            return
        try:
            self._device.off()
            self._device.close()
        except Exception as error:
            raise self._failure("switched off and freed", error) from error
        atexit.unregister(self.close)
        self._release()

    def _failure(self, what: str, error: Exception) -> OutputError:
        return OutputError(
            f"{self._name} could not be {what}: {error}; see gpioinfo and the kernel log (dmesg)"
        )


class GpioDriver:
    """Opens relay channels by ``pin`` and ``active_low``."""

    hardware = True

    def __init__(self, pin_factory: Any = None) -> None:
        """Prepare to open lines.

        Args:
            pin_factory: A gpiozero pin factory to use in place of the Pi's own GPIO; only tests
                give one. There is no other way to a mock: the environment cannot ask for it.
        """
        self._pin_factory = pin_factory

    def problems(self, options: Mapping[str, object]) -> list[str]:
        """Judge ``pin`` and ``active_low``; touches nothing."""
        problems = unknown_keys(options, ("pin", "active_low"))
        if "pin" not in options:
            problems.append(
                "pin: found nothing, allowed: a GPIO number such as 17; add pin = NUMBER"
            )
        else:
            try:
                line_number(options["pin"])
            except ValueError as error:
                problems.append(f"pin: {error}")
        active_low = options.get("active_low", False)
        if not isinstance(active_low, bool):
            problems.append(
                f"active_low: found {active_low!r}, allowed: true or false; true for a board "
                "whose relay pulls in while its input is low"
            )
        return problems

    def lines(self, options: Mapping[str, object]) -> frozenset[str]:
        """Return the line in its one spelling, such as ``gpio17``."""
        return frozenset({f"gpio{line_number(options['pin'])}"})

    def describe(self, options: Mapping[str, object]) -> str:
        """Return line, header pin and polarity."""
        line = line_number(options["pin"])
        polarity = "low = on" if options.get("active_low", False) else "high = on"
        return f"GPIO{line} (header pin {PIN_OF_LINE[line]}), {polarity}"

    def open(self, options: Mapping[str, object]) -> GpioOutput:
        """Claim the line; the first level it carries switches the load off.

        Raises:
            OutputError: The options are wrong, the back end is missing, or the line is not there,
                busy or not permitted; says which.
        """
        wrong = self.problems(options)
        if wrong:
            raise OutputError("; ".join(wrong))
        name = f"GPIO{line_number(options['pin'])}"
        if self._pin_factory is not None:
            device = _claim(name, options, self._pin_factory)
            return GpioOutput(device, name, release=_nothing)
        factory = _real_factory()
        try:
            device = _claim(name, options, factory)
        except OutputError:
            factory.close()
            raise
        return GpioOutput(device, name, release=factory.close)


def _claim(name: str, options: Mapping[str, object], factory: Any) -> Any:
    # imported here: judging options must stay possible and quick where nothing is opened
    from gpiozero import GPIOPinInUse, OutputDevice, PinInvalidPin  # noqa: PLC0415

    try:
        return OutputDevice(
            name,
            active_high=not options.get("active_low", False),
            initial_value=False,
            pin_factory=factory,
        )
    except Exception as error:
        # the half-built device lives on in the traceback and would keep its reservation, so that
        # a second try within this process would find the pin "in use"
        traceback.clear_frames(error.__traceback__)
        if isinstance(error, OutputError):
            raise
        what = {
            GPIOPinInUse: "is already open in this process; give each load a pin of its own",
            PinInvalidPin: "is not on the header of this board; choose another pin",
        }.get(type(error), "could not be opened; see gpioinfo and the kernel log")
        raise OutputError(f"{name} {what} ({error})") from error


def open_chip() -> None:
    """Open the GPIO chip and close it again; no line is touched.

    Raises:
        OutputError: The library is hollow or missing, or there is no chip that this user may open.
    """
    _real_factory().close()


def _real_factory() -> Any:
    """Return the Pi's own GPIO through the one back end, or say why there is none.

    Never another back end and never a mock: a chamber that only seems to be cooled is worse than
    a service that does not start.
    """
    asked = os.environ.get("GPIOZERO_PIN_FACTORY", "")
    if asked.lower() not in {"", BACK_END}:
        raise OutputError(
            f"GPIOZERO_PIN_FACTORY: found {asked!r}, allowed: {BACK_END} or unset; unset it, or "
            'set driver = "dry" in the configuration to switch nothing'
        )
    try:
        with _place_for_pipe():
            from controller.outputs import lgpio_lines  # noqa: PLC0415 - needs lgpio
    except ImportError as error:
        if error.name == BACK_END:
            raise OutputError(
                "the Python module lgpio is not installed: on Raspberry Pi OS "
                "`sudo apt install python3-lgpio` and a virtual environment made with "
                "--system-site-packages; elsewhere `pip install 'coldpin[pi]'`"
            ) from error
        raise OutputError(
            f"the Python module lgpio does not fit this Python: {error}; make the virtual "
            "environment with the Python that python3-lgpio was installed for"
        ) from error
    except OSError as error:
        raise OutputError(
            f"lgpio could not create its pipe: {SHARED_MEMORY} cannot be written, nor a folder "
            f"that LG_WD or TMPDIR names ({error}); set LG_WD to one that can"
        ) from error
    return lgpio_lines.RelayLines()


def input_factory() -> Any:
    """Return gpiozero's own pins for lines that are read and never driven.

    Raises:
        OutputError: The back end is missing or cannot be used.
    """
    _real_factory().close()  # says what is missing
    from gpiozero.pins.lgpio import LGPIOFactory  # noqa: PLC0415 - needs lgpio

    return LGPIOFactory()


@contextlib.contextmanager
def _place_for_pipe() -> Iterator[None]:
    """Give lgpio a directory for the pipe that it creates when imported, and tidy up after it.

    It writes ``.lgd-nfyN`` to $LG_WD or the working directory and stays there (lgpio 0.2.2.0,
    src/lgUtil.c). Here that is a fresh directory, removed again: in memory, else in $LG_WD, else in
    the temporary directory. A card that fails becomes read-only or holds up whoever writes to it;
    the loads must be driven and put off all the same.
    """
    given = os.environ.get("LG_WD")
    with contextlib.ExitStack() as undo:
        os.environ["LG_WD"] = undo.enter_context(_fresh_directory(given))
        undo.callback(_set_or_unset, "LG_WD", given)
        undo.enter_context(contextlib.chdir("."))  # back to where we are, at the end
        yield


def _fresh_directory(given: str | None) -> tempfile.TemporaryDirectory[str]:
    for parent in (str(SHARED_MEMORY), *((given,) if given else ()), None):
        try:
            return tempfile.TemporaryDirectory(prefix="coldpin-lgpio-", dir=parent)
        except OSError as error:
            failed = error
    raise failed


def _set_or_unset(name: str, value: str | None) -> None:
    if value is None:
        os.environ.pop(name, None)
    else:
        os.environ[name] = value


def _nothing() -> None:
    """Release nothing: whoever passed the factory owns it."""
