"""The gpio driver: what the wire carries, from the first claim to after the process is gone."""

from __future__ import annotations

import gc
import weakref
from collections.abc import Callable

import pytest
from gpiozero.pins.mock import MockFactory, MockPin

from controller.errors import OutputError
from controller.outputs.gpio import GpioDriver
from tests.outputs.fake_lgpio import FLOAT, INPUT, Lines
from tests.outputs.fresh_python import run_python

Boot = Callable[..., Lines]

ACTIVE_LOW = {"pin": 17, "active_low": True}
ACTIVE_HIGH = {"pin": 17}
POLARITIES = [
    pytest.param(ACTIVE_LOW, 1, id="active-low"),
    pytest.param(ACTIVE_HIGH, 0, id="active-high"),
]


# --- the level on the wire -------------------------------------------------------------------


def test_stock_back_end_when_it_opens_an_active_low_line(pi: Boot) -> None:
    """Gpiozero's own lgpio pins pulse the relay; so our recording can see a pulse.

    Source: gpiozero pull request 1177 describes the sequence.
    """
    lines = pi()
    from gpiozero import OutputDevice
    from gpiozero.pins.lgpio import LGPIOFactory

    device = OutputDevice(17, active_high=False, pin_factory=LGPIOFactory())
    device.close()

    assert lines.wire[17] == [FLOAT, 0, 1, FLOAT]


def test_active_low_line_when_never_switched_on(pi: Boot) -> None:
    """The very first claim carries HIGH, and no LOW appears at any point."""
    lines = pi()
    driver = GpioDriver()

    for _ in range(2):
        output = driver.open(ACTIVE_LOW)
        output.switch(False)
        output.close()

    assert lines.wire[17] == [1]
    assert lines.calls == 2 * [
        ("gpiochip_open", 0),
        ("gpio_claim_output", 17, 1, 0),
        ("gpio_write", 17, 1),
        ("gpio_write", 17, 1),
        ("gpio_write", 17, 1),
        ("gpio_free", 17),
        ("gpiochip_close",),
    ]


@pytest.mark.parametrize(("options", "off"), POLARITIES)
def test_line_when_switched_and_closed(pi: Boot, options: dict[str, object], off: int) -> None:
    """The wire shows what was asked for and not one edge more; it is never an input."""
    lines = pi()
    output = GpioDriver().open(options)

    output.switch(True)
    output.switch(False)
    output.switch(True)
    output.close()

    assert lines.wire[17] == [off, 1 - off, off, 1 - off, off]
    assert not any(call[0] == "gpio_claim_input" for call in lines.calls)


@pytest.mark.parametrize(("options", "off"), POLARITIES)
def test_line_when_a_killed_process_left_the_load_on(
    pi: Boot, options: dict[str, object], off: int
) -> None:
    """After SIGKILL, opening and closing anew leaves the line driven off.

    Source: raspberrypi/linux pull request 6117: a released output stays driven as it was.
    """
    lines = pi(wire={17: [off, 1 - off]})

    GpioDriver().open(options).close()

    assert lines.wire[17] == [off, 1 - off, off]


def test_line_when_the_kernel_does_not_keep_released_outputs(pi: Boot) -> None:
    """A mainline kernel makes a freed line an input; nobody switched its boot pull off before.

    Source: Linux 6.12 pinctrl-bcm2835.c, persist_gpio_outputs false.
    """
    lines = pi(persist=False)

    GpioDriver().open(ACTIVE_LOW).close()

    assert lines.wire[17] == [1, INPUT]


def test_other_line_when_one_is_closed(pi: Boot) -> None:
    """Closing the fan leaves the pump running and switchable."""
    lines = pi()
    driver = GpioDriver()
    pump, fan = driver.open(ACTIVE_LOW), driver.open({"pin": 27, "active_low": True})
    pump.switch(True)

    fan.close()

    assert (pump.read_back(), lines.level(17), lines.level(27)) == (True, 0, 1)
    pump.switch(False)
    pump.close()
    assert lines.wire == {17: [1, 0, 1], 27: [1]}


def test_read_back_when_the_pin_does_not_follow(pi: Boot) -> None:
    """The level comes from the pin, not from memory."""
    lines = pi()
    output = GpioDriver().open(ACTIVE_LOW)
    output.switch(True)
    lines.wire[17].append(1)  # a short to 3.3 V

    assert output.read_back() is False

    output.close()
    assert output.read_back() is None


# --- the ends of a process -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ending", "status"),
    [
        pytest.param("", 0, id="normal"),
        pytest.param("sys.exit(3)", 3, id="sys-exit"),
        pytest.param("raise RuntimeError", 1, id="unhandled-exception"),
        pytest.param("del output", 0, id="dropped"),
    ],
)
def test_line_when_the_process_ends_without_close(ending: str, status: int) -> None:
    """At every exit that runs atexit the load is switched off and the line freed as it is."""
    script = f"""
        import atexit, sys
        from tests.outputs.fake_lgpio import Lines
        lines = Lines()
        atexit.register(lambda: print(lines.wire, lines.calls[-3:]))
        sys.modules["lgpio"] = lines.module()
        import gpiozero.pins.local
        gpiozero.pins.local.get_pi_revision = lambda: 0xA02082
        from controller.outputs.gpio import GpioDriver
        output = GpioDriver().open({{"pin": 17, "active_low": True}})
        output.switch(True)
        {ending}
    """

    done = run_python(script)

    assert (done.returncode, done.stdout.strip()) == (
        status,
        "{17: [1, 0, 1]} [('gpio_write', 17, 1), ('gpio_free', 17), ('gpiochip_close',)]",
    )


def test_output_when_closed_and_dropped(pi: Boot) -> None:
    """A service that reloads for years keeps nothing of the outputs that it closed."""
    lines = pi()
    output = GpioDriver().open(ACTIVE_LOW)
    reference = weakref.ref(output)

    output.close()
    del output
    gc.collect()

    assert reference() is None
    assert lines.open_handles == {}


# --- failures while open ---------------------------------------------------------------------


def test_close_when_the_kernel_refuses_the_level(pi: Boot) -> None:
    """A load that could not be switched off is not let go of; the next close tries again."""
    lines = pi()
    output = GpioDriver().open(ACTIVE_LOW)
    output.switch(True)
    lines.refuse_writes = True

    with pytest.raises(
        OutputError, match=r"GPIO17 could not be switched off and freed: 'bad write'"
    ):
        output.close()
    assert output.read_back() is True
    assert ("gpio_free", 17) not in lines.calls

    lines.refuse_writes = False
    output.close()
    assert lines.wire[17] == [1, 0, 1]


def test_switch_when_the_kernel_refuses_the_level(pi: Boot) -> None:
    """The loop learns of it at once."""
    lines = pi()
    output = GpioDriver().open(ACTIVE_LOW)
    lines.refuse_writes = True

    with pytest.raises(OutputError, match=r"GPIO17 could not be switched on"):
        output.switch(True)
    lines.refuse_writes = False
    output.close()


# --- options ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "says"),
    [
        pytest.param({}, ["pin: found nothing"], id="empty"),
        pytest.param({"pin": True}, ["pin: found true"], id="pin-is-true"),
        pytest.param({"pin": 17, "active_low": 1}, ["active_low: found 1"], id="one-for-true"),
        pytest.param({"pin": 17, "active_low": "yes"}, ["active_low: found 'yes'"], id="yes"),
        pytest.param(
            {"pni": 17},
            ["pni: found an unknown key, allowed: pin, active_low; did you mean pin?", "pin: fou"],
            id="slip",
        ),
        pytest.param(
            {"pin": 17, "relay_modul": "x"},
            ["relay_modul: found an unknown key, allowed: pin, active_low; did you mean relay_mod"],
            id="slip-in-a-common-key",
        ),
        pytest.param(
            {"pin": 99, "active_low": None, "zz": 0},
            ["zz: found an unknown key", "pin: found 99", "active_low: found None"],
            id="all-at-once",
        ),
    ],
)  # fmt: skip
def test_problems_when_options_are_wrong(options: dict[str, object], says: list[str]) -> None:
    """Every problem at once, each with key, found and allowed."""
    problems = GpioDriver().problems(options)

    assert [p[: len(s)] for p, s in zip(problems, says, strict=True)] == says


def test_open_when_options_are_wrong(pi: Boot) -> None:
    """Opening judges again and touches nothing."""
    lines = pi()

    with pytest.raises(OutputError, match=r"pin: found 99"):
        GpioDriver().open({"pin": 99})
    assert lines.calls == []


def test_describe_when_asked() -> None:
    """The table of a check shows line, header pin and polarity."""
    assert GpioDriver().describe(ACTIVE_LOW) == "GPIO17 (header pin 11), low = on"
    assert GpioDriver().describe({"pin": "BOARD13"}) == "GPIO27 (header pin 13), high = on"


# --- gpiozero's own mock ---------------------------------------------------------------------


class RecordingPin(MockPin):  # type: ignore[misc]
    """A mock pin that records each order, for MockPin.states begins before the first claim."""

    orders: list[tuple[str, object]] = []  # noqa: RUF012 - cleared by the test

    def output_with_state(self, state: bool) -> None:
        self.orders.append(("output", state))
        super().output_with_state(state)

    def _set_state(self, value: float) -> None:
        self.orders.append(("state", bool(value)))
        super()._set_state(value)


def test_orders_when_a_mock_factory_is_given() -> None:
    """Through gpiozero alone: off comes with the claim, and off is the last level written."""
    RecordingPin.orders.clear()
    factory = MockFactory(pin_class=RecordingPin)
    output = GpioDriver(factory).open(ACTIVE_LOW)

    output.switch(True)
    output.close()

    assert [*RecordingPin.orders] == [
        ("output", True), ("state", True), ("state", False), ("state", True)
    ]  # fmt: skip
    assert factory.pin(17).state is True
