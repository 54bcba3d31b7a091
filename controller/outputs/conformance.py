"""What every output driver promises, as tests that its author runs with pytest.

A package that brings a driver subclasses `DriverConformance` in its own tests and offers a fixture
``case`` that returns a `DriverCase`; pytest then runs every check below on it. A complete example
is in hardware-notes/writing-a-driver.md. Nothing of coldpin imports this module, and it needs no
pytest itself.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from controller.errors import OutputError
from controller.outputs.protocol import Output, OutputDriver


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverCase:
    """A driver with two loads that suit it."""

    driver: OutputDriver
    options: Mapping[str, object]
    """A load's own keys, as the configuration gives them."""
    other_options: Mapping[str, object]
    """Those of a second load, on another line."""
    is_on: Callable[[Output], bool]
    """Returns whether the first load is energised, by asking the hardware and not the driver."""
    absent: Mapping[str, object] | None = None
    """Keys in which `OutputDriver.problems` finds nothing, but whose hardware is not there."""
    hardware: bool = True
    """False for a driver that can energise nothing."""


class DriverConformance:
    """Every check is a test; a subclass offers the fixture ``case``."""

    def test_opening_leaves_the_load_off(self, case: DriverCase) -> None:
        """And the hardware says so where it can tell."""
        output = case.driver.open(case.options)

        try:
            assert case.is_on(output) is False, "open() energised the load"
            read = output.read_back()
            assert read in {False, None}, f"read_back() after open(): found {read!r}"
        finally:
            output.close()

    def test_the_load_follows(self, case: DriverCase) -> None:
        """Also when it is switched twice to the same."""
        output = case.driver.open(case.options)

        try:
            for on in (True, True, False, False, True):
                output.switch(on)
                assert case.is_on(output) is on, f"switch({on}) was not followed"
                read = output.read_back()
                assert read in {on, None}, f"read_back() after switch({on}): found {read!r}"
        finally:
            output.close()

    def test_closing_puts_the_load_off(self, case: DriverCase) -> None:
        """Whatever it was; and a second close changes nothing."""
        output = case.driver.open(case.options)
        output.switch(True)

        output.close()
        assert case.is_on(output) is False, "close() left the load energised"
        output.close()
        assert case.is_on(output) is False, "a second close() energised the load"

    def test_a_closed_output_refuses(self, case: DriverCase) -> None:
        """By an `OutputError` that says it was closed; the load stays off."""
        output = case.driver.open(case.options)
        output.close()

        message = _refusal(lambda: output.switch(True))
        assert message is not None, "switch() after close() raised no OutputError"
        assert "closed" in message, f"the message does not say that it was closed: {message}"
        assert case.is_on(output) is False, "switch() after close() energised the load"

    def test_a_line_can_be_opened_again(self, case: DriverCase) -> None:
        """By the same driver, off again; a reload of the configuration does so."""
        first = case.driver.open(case.options)
        first.switch(True)
        first.close()

        second = case.driver.open(case.options)
        try:
            assert case.is_on(second) is False, "the second open() left the load energised"
            second.switch(True)
            assert case.is_on(second) is True, "the second output was not followed"
        finally:
            second.close()

    def test_loads_do_not_touch_each_other(self, case: DriverCase) -> None:
        """Closing one leaves the other as it is."""
        other = case.driver.open(case.other_options)
        output = case.driver.open(case.options)
        try:
            output.switch(True)
            other.close()
            assert case.is_on(output) is True, "closing the second load put the first off"
        finally:
            output.close()
            other.close()

    def test_options_that_suit_have_no_problems(self, case: DriverCase) -> None:
        """Judging opens nothing; lines differ where loads differ, and can be described."""
        for options in (case.options, case.other_options):
            problems = case.driver.problems(options)
            assert problems == [], f"problems({options}): found {problems}"
            assert case.driver.describe(options), "describe() returned no text"
        lines, others = case.driver.lines(case.options), case.driver.lines(case.other_options)
        assert isinstance(lines, frozenset), f"lines(): found {type(lines).__name__}"
        assert lines.isdisjoint(others), f"two loads claim {sorted(lines & others)}"

    def test_an_unknown_key_is_named(self, case: DriverCase) -> None:
        """The key first, then what is allowed."""
        problems = case.driver.problems({**case.options, "volume": 11})

        assert [problem.split(":")[0] for problem in problems] == ["volume"], f"found {problems}"
        assert "allowed" in problems[0], f"the problem does not say what is allowed: {problems[0]}"

    def test_hardware_that_is_not_there_is_named(self, case: DriverCase) -> None:
        """An `OutputError`, which becomes one plain message; any other exception would not."""
        if case.absent is None:
            return
        assert case.driver.problems(case.absent) == [], "problems() must not look at the hardware"
        absent = case.absent

        message = _refusal(lambda: case.driver.open(absent))

        assert message, "open() of hardware that is not there raised no OutputError with a text"

    def test_it_says_whether_it_can_energise_anything(self, case: DriverCase) -> None:
        """By True or False, nothing else that counts as such: the mains rule asks for it."""
        assert case.driver.hardware is case.hardware


def _refusal(act: Callable[[], object]) -> str | None:
    """Return the text of the `OutputError` that something raises, None where it raises none."""
    try:
        act()
    except OutputError as error:
        return str(error)
    return None
