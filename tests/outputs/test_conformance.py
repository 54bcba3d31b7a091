"""The suite that ships for drivers, asked of each that is registered, and asked itself."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory

from controller.outputs.conformance import DriverCase, DriverConformance
from controller.outputs.dry import DryDriver, DryOutput
from controller.outputs.gpio import GpioDriver
from controller.outputs.protocol import Output
from controller.outputs.registry import find_driver, known_drivers
from tests.outputs.fake_lgpio import Lines

Boot = Callable[..., Lines]


def _dry(pi: Boot, folder: Path) -> DriverCase:
    def is_on(output: Output) -> bool:
        assert isinstance(output, DryOutput)
        return [False, *output.history][-1]

    return DriverCase(
        driver=find_driver("dry"), options={}, other_options={}, is_on=is_on, hardware=False
    )


def _active_low(pi: Boot, folder: Path) -> DriverCase:
    lines = pi()
    return DriverCase(
        driver=find_driver("gpio"),
        options={"pin": 17, "active_low": True},
        other_options={"pin": 27, "active_low": True},
        is_on=lambda _: lines.level(17) == 0,
    )


def _active_high(pi: Boot, folder: Path) -> DriverCase:
    lines = pi()
    return DriverCase(
        driver=find_driver("gpio"),
        options={"pin": 17},
        other_options={"pin": 27},
        is_on=lambda _: lines.level(17) == 1,
    )


def _mock_pins(pi: Boot, folder: Path) -> DriverCase:
    factory = MockFactory()
    return DriverCase(
        driver=GpioDriver(factory),
        options={"pin": "BOARD11"},
        other_options={"pin": "BOARD13"},
        is_on=lambda _: bool(factory.pin(17).state),
    )


def _third_party(pi: Boot, folder: Path) -> DriverCase:
    file = folder / "relay"
    return DriverCase(
        driver=find_driver("porch-relay"),
        options={"path": str(file)},
        other_options={"path": str(folder / "second")},
        is_on=lambda _: file.read_text() == "on",
    )


CASES = {
    "dry": ("dry", _dry),
    "gpio-active-low": ("gpio", _active_low),
    "gpio-active-high": ("gpio", _active_high),
    "gpio-on-mock-pins": ("gpio", _mock_pins),
    "third-party": ("porch-relay", _third_party),
}
"""By test id: the name under which a driver is registered, and what makes a case of it."""


class TestEveryDriver(DriverConformance):
    """The suite that ships, on every driver that is registered."""

    @pytest.fixture(params=CASES.values(), ids=list(CASES))
    def case(
        self, request: pytest.FixtureRequest, installed: None, pi: Boot, tmp_path: Path
    ) -> DriverCase:
        _, make = request.param
        return make(pi, tmp_path)  # type: ignore[no-any-return]

    @pytest.mark.usefixtures("installed")
    def test_no_registered_driver_escapes(self) -> None:
        """A new one needs a case."""
        assert {name for name, _ in CASES.values()} == set(known_drivers())


class BrokenOutput(DryOutput):
    """An output with one fault."""

    def __init__(self, fault: str) -> None:
        super().__init__()
        self.fault = fault
        if fault == "on-at-open":
            self._note(True)

    def switch(self, on: bool) -> None:
        if self.fault == "deaf":
            return
        if self.fault == "works-closed" and self._closed:
            self._note(on)
            return
        super().switch(on)

    def read_back(self) -> bool | None:
        return True if self.fault == "reads-wrong" else super().read_back()

    def close(self) -> None:
        if self.fault == "stays-on":
            self._closed = True
            return
        super().close()


class BrokenDriver(DryDriver):
    """A driver with one fault, in itself or in its outputs."""

    def __init__(self, fault: str) -> None:
        self.fault = fault
        self.hardware = fault == "says-hardware"

    def problems(self, options: Mapping[str, object]) -> list[str]:
        if self.fault == "refuses-all":
            return ["pin: found nothing, allowed: a pin"]
        return [] if self.fault == "takes-any-key" else super().problems(options)

    def lines(self, options: Mapping[str, object]) -> frozenset[str]:
        return frozenset({"line 1"}) if self.fault == "one-line" else super().lines(options)

    def describe(self, options: Mapping[str, object]) -> str:
        return "" if self.fault == "no-words" else super().describe(options)

    def open(self, options: Mapping[str, object]) -> DryOutput:
        return BrokenOutput(self.fault)


FAULTS = (
    "on-at-open", "deaf", "works-closed", "reads-wrong", "stays-on", "says-hardware",
    "refuses-all", "takes-any-key", "one-line", "no-words",
)  # fmt: skip


def failures(case: DriverCase) -> list[str]:
    """Return the names of the checks that a driver fails."""
    suite = DriverConformance()
    failed = []
    for name in (name for name in dir(suite) if name.startswith("test_")):
        try:
            getattr(suite, name)(case)
        except AssertionError:
            failed.append(name)
    return failed


def broken(fault: str) -> DriverCase:
    """Return the case of a dry driver with a fault."""
    return DriverCase(
        driver=BrokenDriver(fault), options={}, other_options={}, hardware=False,
        is_on=lambda output: bool(output.on),  # type: ignore[attr-defined]
    )  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_the_suite_notices_a_broken_driver(fault: str) -> None:
    """Each check can fail."""
    assert failures(broken("none")) == []
    assert failures(broken(fault)) != []


def test_the_suite_notices_hardware_that_is_taken_for_there() -> None:
    """A driver that opens what is not there would switch nothing, unnoticed."""
    case = replace(broken("none"), absent={})

    assert failures(case) == ["test_hardware_that_is_not_there_is_named"]
