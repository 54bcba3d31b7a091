"""What every output driver promises, asked of each that is registered."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory

from controller.errors import OutputError
from controller.outputs.dry import DryOutput
from controller.outputs.gpio import GpioDriver
from controller.outputs.protocol import Output, OutputDriver
from controller.outputs.registry import find_driver, known_drivers
from tests.outputs.fake_lgpio import Lines


@dataclass
class Case:
    """A driver, options that suit it, and a look at the load that does not ask the driver."""

    driver: OutputDriver
    options: dict[str, object]
    other_options: dict[str, object]
    """Those of a second load beside the first."""
    load: Callable[[Output], bool]
    hardware: bool = True


Boot = Callable[..., Lines]


def _dry(pi: Boot, folder: Path) -> Case:
    def load(output: Output) -> bool:
        assert isinstance(output, DryOutput)
        return [False, *output.history][-1]

    return Case(find_driver("dry"), {}, {}, load, hardware=False)


def _active_low(pi: Boot, folder: Path) -> Case:
    lines = pi()
    pump, fan = {"pin": 17, "active_low": True}, {"pin": 27, "active_low": True}
    return Case(find_driver("gpio"), {**pump}, {**fan}, lambda _: lines.level(17) == 0)


def _active_high(pi: Boot, folder: Path) -> Case:
    lines = pi()
    return Case(find_driver("gpio"), {"pin": 17}, {"pin": 27}, lambda _: lines.level(17) == 1)


def _mock_pins(pi: Boot, folder: Path) -> Case:
    factory = MockFactory()
    driver = GpioDriver(factory)
    return Case(driver, {"pin": "BOARD11"}, {"pin": "BOARD13"}, lambda _: factory.pin(17).state)


def _third_party(pi: Boot, folder: Path) -> Case:
    file = folder / "relay"
    return Case(
        find_driver("porch-relay"),
        {"path": str(file)},
        {"path": str(folder / "second")},
        lambda _: file.read_text() == "on",
    )


CASES = {
    "dry": ("dry", _dry),
    "gpio-active-low": ("gpio", _active_low),
    "gpio-active-high": ("gpio", _active_high),
    "gpio-on-mock-pins": ("gpio", _mock_pins),
    "third-party": ("porch-relay", _third_party),
}
"""By test id: the name under which a driver is registered, and what makes a case of it."""


@pytest.fixture(params=CASES.values(), ids=list(CASES))
def case(request: pytest.FixtureRequest, installed: None, pi: Boot, tmp_path: Path) -> Case:
    _, make = request.param
    return make(pi, tmp_path)  # type: ignore[no-any-return]


@pytest.mark.usefixtures("installed")
def test_cases_when_held_against_the_registry() -> None:
    """No registered driver escapes this suite."""
    assert {name for name, _ in CASES.values()} == set(known_drivers())


def test_output_when_opened(case: Case) -> None:
    """The load is off, and the hardware says so where it can tell."""
    output = case.driver.open(case.options)

    assert case.load(output) is False
    assert output.read_back() in {False, None}
    output.close()


def test_output_when_switched(case: Case) -> None:
    """The load follows, also when told the same twice."""
    output = case.driver.open(case.options)

    seen = []
    for on in (True, True, False, False, True):
        output.switch(on)
        seen.append((case.load(output), output.read_back() in {on, None}))

    assert seen == [(on, True) for on in (True, True, False, False, True)]
    output.close()


def test_output_when_closed_while_on(case: Case) -> None:
    """The load goes off, and a second close changes nothing."""
    output = case.driver.open(case.options)
    output.switch(True)

    output.close()
    after_one = case.load(output)
    output.close()

    assert (after_one, case.load(output)) == (False, False)


def test_output_when_switched_after_close(case: Case) -> None:
    """It refuses and the load stays off."""
    output = case.driver.open(case.options)
    output.close()

    with pytest.raises(OutputError, match="closed"):
        output.switch(True)
    assert case.load(output) is False


def test_output_when_opened_again(case: Case) -> None:
    """A closed line can be had again, off, by the same driver."""
    first = case.driver.open(case.options)
    first.switch(True)
    first.close()

    second = case.driver.open(case.options)
    opened = case.load(second)
    second.switch(True)

    assert (opened, case.load(second)) == (False, True)
    second.close()


def test_second_output_when_the_first_is_closed(case: Case) -> None:
    """Loads of one driver do not touch each other."""
    fan = case.driver.open(case.other_options)
    pump = case.driver.open(case.options)
    pump.switch(True)

    fan.close()

    assert case.load(pump) is True
    pump.close()


def test_problems_when_options_suit(case: Case) -> None:
    """Nothing is found, and the load can be told from others and described."""
    lines = case.driver.lines(case.options)

    assert case.driver.problems(case.options) == []
    assert isinstance(lines, frozenset)
    assert case.driver.describe(case.options) != ""
    assert lines.isdisjoint(case.driver.lines(case.other_options))


def test_problems_when_a_key_is_unknown(case: Case) -> None:
    """The key is named first, then what is allowed."""
    problems = case.driver.problems({**case.options, "volume": 11})

    assert [problem.split(":")[0] for problem in problems] == ["volume"]
    assert "allowed" in problems[0]


def test_hardware_when_asked(case: Case) -> None:
    """Only the dry driver says that it cannot energise anything."""
    assert case.driver.hardware is case.hardware
