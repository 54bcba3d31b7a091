"""The gpio driver where it must not go on: no usable back end, two owners of a line."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from controller.errors import OutputError
from controller.outputs import gpio
from controller.outputs.gpio import GpioDriver
from tests.outputs.fake_lgpio import Lines
from tests.outputs.fresh_python import PROJECT, run_python
from tests.support.machine import demand

Boot = Callable[..., Lines]

ACTIVE_LOW = {"pin": 17, "active_low": True}


# --- no usable back end -----------------------------------------------------------------


@pytest.mark.parametrize("name", ["mock", "MOCK", "native", "rpigpio", "pigpio", "lgpi0"])
def test_open_when_environment_names_another_back_end(
    pi: Boot, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """A mock left switched on, or any other back end, is refused and nothing is touched."""
    lines = pi()
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", name)

    with pytest.raises(OutputError, match=rf"GPIOZERO_PIN_FACTORY: found '{name}', allowed: lgpio"):
        GpioDriver().open(ACTIVE_LOW)
    assert lines.calls == []


@pytest.mark.parametrize("name", ["lgpio", "LGPIO", ""])
def test_open_when_environment_names_our_back_end(
    pi: Boot, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """The unit's own setting is accepted."""
    lines = pi()
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", name)

    GpioDriver().open(ACTIVE_LOW).close()

    assert lines.wire[17] == [1]


def test_open_when_lgpio_is_not_installed(pi: Boot, monkeypatch: pytest.MonkeyPatch) -> None:
    """Says how to install it, and falls back to nothing."""
    pi()
    monkeypatch.setitem(sys.modules, "lgpio", None)

    with pytest.raises(OutputError, match=r"not installed.*apt install python3-lgpio"):
        GpioDriver().open(ACTIVE_LOW)


def test_open_when_lgpio_is_for_another_python(
    pi: Boot, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Found, but its compiled half is not for this Python."""
    pi()
    monkeypatch.delitem(sys.modules, "lgpio")
    (tmp_path / "lgpio.py").write_text("import _lgpio_of_python_3_9\n")
    monkeypatch.syspath_prepend(tmp_path)

    with pytest.raises(OutputError, match=r"does not fit this Python.*_lgpio_of_python_3_9"):
        GpioDriver().open(ACTIVE_LOW)


OPEN_WITH_REAL_LGPIO = """
    import os
    from pathlib import Path
    import gpiozero.pins.local
    gpiozero.pins.local.get_pi_revision = lambda: 0xA02082
    from controller.errors import OutputError
    from controller.outputs import gpio
    gpio.SHARED_MEMORY = Path(os.environ.get("MEMORY", gpio.SHARED_MEMORY))
    try:
        gpio.GpioDriver().open({"pin": 17})
    except OutputError as error:
        print(error)
    print(os.getcwd(), os.environ.get("LG_WD"))
"""
"""Ends at the missing chip, after the import that this is about."""


def _without_chip() -> None:
    demand("lgpio")  # not imported: that would leave a pipe in this directory
    if list(Path("/dev").glob("gpiochip*")):
        pytest.skip("this machine has GPIO; it is left alone")


def test_open_when_working_directory_is_not_writable() -> None:
    """With the real lgpio, run in a directory that not even root can write to.

    The pipe gets a directory of its own; the working directory and the environment stay.
    """
    _without_chip()

    done = run_python(OPEN_WITH_REAL_LGPIO, cwd=Path("/proc"))

    error, place = done.stdout.splitlines()
    assert "gpiochip" in error
    assert place == "/proc None"
    assert done.stderr == ""


def test_open_when_pipe_directory_is_not_writable(tmp_path: Path) -> None:
    """A card that the kernel made read-only must not keep the loads from being put off.

    The module fell back to no other folder, and `coldpin off` ended with the loads on.
    """
    _without_chip()

    done = run_python(OPEN_WITH_REAL_LGPIO, env={"LG_WD": "/proc", "MEMORY": str(tmp_path)})

    error, place = done.stdout.splitlines()
    assert "gpiochip" in error, "it came as far as the missing chip"
    assert place == f"{PROJECT} /proc", "what was set is set again"
    assert list(tmp_path.iterdir()) == []


def test_pipe_directory_when_no_card_can_be_written(monkeypatch: pytest.MonkeyPatch) -> None:
    """Memory is left; seen in the emulated Pi with its whole card read-only."""
    monkeypatch.setattr(gpio.tempfile, "tempdir", "/proc")

    with gpio._fresh_directory("/proc") as place:
        assert Path(place).parent == Path("/dev/shm")


def test_pipe_directory_when_a_card_holds_up_whoever_writes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Memory comes first: what is on the card is not asked whether it can be written."""
    monkeypatch.setattr(gpio.tempfile, "gettempdir", pytest.fail)

    with gpio._fresh_directory(str(tmp_path)) as place:
        assert Path(place).parent == Path("/dev/shm")


@pytest.mark.parametrize("name", ["MEMORY", "TMPDIR"])
def test_pipe_directory_when_lgpio_was_imported(tmp_path: Path, name: str) -> None:
    """Nothing is left behind in memory, nor in the temporary directory."""
    _without_chip()

    done = run_python(OPEN_WITH_REAL_LGPIO, env={"MEMORY": "/proc", name: str(tmp_path)})

    assert "gpiochip" in done.stdout
    assert list(tmp_path.iterdir()) == []


def test_open_when_chip_is_for_root_only(
    pi: Boot, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Names the device and the group."""
    pi(chips=frozenset())
    from controller.outputs import lgpio_lines

    (tmp_path / "gpiochip0").touch()
    monkeypatch.setattr(lgpio_lines, "DEVICES", tmp_path)
    monkeypatch.setattr("os.access", lambda path, mode: False)

    with pytest.raises(OutputError, match=r"gpiochip0 may not be opened.*group gpio"):
        GpioDriver().open(ACTIVE_LOW)


def test_open_when_there_is_no_chip(
    pi: Boot, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A sandbox that hides the devices is named."""
    pi(chips=frozenset())
    from controller.outputs import lgpio_lines

    monkeypatch.setattr(lgpio_lines, "DEVICES", tmp_path)

    with pytest.raises(OutputError, match=r"no .*gpiochip\* here.*PrivateDevices="):
        GpioDriver().open(ACTIVE_LOW)


def test_open_when_a_pi_5_has_no_chip_4(pi: Boot) -> None:
    """Kernels since July 2024 put the header at chip 0 (gpiozero issue 1166)."""
    lines = pi(revision=0xC04170)

    GpioDriver().open(ACTIVE_LOW).close()

    assert lines.calls[0] == ("gpiochip_open", 0)
    assert lines.wire[17] == [1]


def test_open_when_this_is_no_pi(pi: Boot, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a laptop the driver refuses; a dry run is a choice and never a consequence."""
    lines = pi()
    from gpiozero import PinUnknownPi

    def no_pi() -> int:
        raise PinUnknownPi

    monkeypatch.setattr("gpiozero.pins.local.get_pi_revision", no_pi)

    with pytest.raises(OutputError, match=r'not say that it is a Raspberry Pi.*driver = "dry"'):
        GpioDriver().open(ACTIVE_LOW)
    assert lines.calls == []


# --- two owners of one line -------------------------------------------------------------


def test_lines_when_one_line_is_written_in_several_ways() -> None:
    """Header pin 11 and GPIO17 are the same line, so a check can see the clash."""
    driver = GpioDriver()

    assert {driver.lines({"pin": pin}) for pin in (17, "GPIO17", "gpio17", "BOARD11")} == {
        frozenset({"gpio17"})
    }


def test_lines_when_the_pin_is_the_one_wire_bus() -> None:
    """The bus can be moved, so the driver only names the line, for others to compare.

    Source: raspberrypi/linux issue 6147: the bus driver goes on driving its line.
    """
    driver = GpioDriver()

    assert driver.problems({"pin": "BOARD7"}) == []
    assert driver.lines({"pin": "BOARD7"}) == driver.lines({"pin": 4}) == frozenset({"gpio4"})


def test_open_when_another_program_holds_the_line(pi: Boot) -> None:
    """The kernel's name for the holder is passed on, and the line is not touched."""
    lines = pi(held_elsewhere={17: "w1"})

    with pytest.raises(OutputError, match=r"GPIO17 is busy: held by 'w1'.*stop the other"):
        GpioDriver().open(ACTIVE_LOW)
    assert lines.wire == {}
    assert lines.open_handles == {}


def test_open_when_the_line_was_busy_a_moment_ago(pi: Boot) -> None:
    """A second try within the process succeeds, though the first error is still held."""
    lines = pi(held_elsewhere={17: ""})
    with pytest.raises(OutputError, match="held by somebody else") as first:
        GpioDriver().open(ACTIVE_LOW)
    lines.held_elsewhere.clear()

    GpioDriver().open(ACTIVE_LOW).close()

    assert "busy" in str(first.value)
    assert lines.wire[17] == [1]


def test_open_when_this_process_has_the_line_open(pi: Boot) -> None:
    """The first owner notices nothing."""
    lines = pi()
    first = GpioDriver().open(ACTIVE_LOW)
    first.switch(True)

    with pytest.raises(OutputError, match=r"GPIO17 is already open in this process"):
        GpioDriver().open({"pin": "BOARD11"})

    assert lines.wire[17] == [1, 0]
    assert first.read_back() is True
    first.close()


def test_open_when_the_board_lacks_the_pin(pi: Boot) -> None:
    """A board with 26 pins refuses a line of the longer header (Pi 1 B, revision 000e)."""
    lines = pi(revision=0x000E)

    with pytest.raises(OutputError, match=r"GPIO26 is not on the header of this board"):
        GpioDriver().open({"pin": 26})
    assert lines.wire == {}
