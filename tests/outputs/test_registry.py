"""Drivers are found by name among installed packages, and only the one asked for is imported."""

from __future__ import annotations

import sys

import pytest

from controller.errors import OutputError, UnknownDriverError
from controller.outputs.dry import DryDriver
from controller.outputs.registry import find_driver, known_drivers
from tests.outputs.conftest import Install

COMPLETE = """
    class Driver:
        hardware = {hardware}
        def problems(self, options): return []
        def lines(self, options): return frozenset()
        def describe(self, options): return ""
        def open(self, options): raise NotImplementedError
"""


@pytest.mark.usefixtures("installed")
def test_known_drivers_when_ours_and_a_third_partys_are_installed() -> None:
    """Names come sorted, and listing them imports nothing."""
    assert known_drivers() == ("dry", "gpio", "porch-relay")
    assert "porch_relay" not in sys.modules


@pytest.mark.usefixtures("installed")
def test_find_driver_when_a_third_partys_is_named() -> None:
    """A package that we have never heard of serves a load."""
    driver = find_driver("porch-relay")

    assert type(driver).__module__ == "porch_relay"


def test_find_driver_when_a_neighbour_is_broken(install: Install) -> None:
    """A driver that cannot be imported harms only who asks for it."""
    install("coldpin", {"dry": "controller.outputs.dry:DryDriver"})
    install("broken", {"broken": "broken_relay:Driver"}, {"broken_relay": "import no_such_thing"})

    assert isinstance(find_driver("dry"), DryDriver)
    assert "broken_relay" not in sys.modules
    with pytest.raises(
        OutputError, match=r"^driver: found 'broken'.*no_such_thing.*reinstall"
    ) as refusal:
        find_driver("broken")
    assert isinstance(refusal.value.__cause__, ImportError)


@pytest.mark.parametrize(
    ("name", "says"),
    [
        pytest.param("gipo", r"allowed: dry, gpio, porch-relay; did you mean 'gpio'", id="slip"),
        pytest.param("zigzag", r"'zigzag'.*allowed: dry, gpio, porch-relay.*install", id="unknown"),
        pytest.param("", r"''.*allowed: dry, gpio, porch-relay", id="empty"),
    ],
)  # fmt: skip
@pytest.mark.usefixtures("installed")
def test_find_driver_when_no_package_has_it(name: str, says: str) -> None:
    """The error names what is installed."""
    with pytest.raises(UnknownDriverError, match=says):
        find_driver(name)


def test_find_driver_when_two_packages_claim_the_name(install: Install) -> None:
    """Neither is chosen by chance; both owners are named."""
    install("one", {"relay": "one_relay:Driver"})
    install("two", {"relay": "two_relay:Driver"})

    with pytest.raises(UnknownDriverError, match=r"found 2.*one 1\.0, two 1\.0.*exactly one"):
        find_driver("relay")


@pytest.mark.parametrize(
    ("source", "says"),
    [
        pytest.param("", r"AttributeError.*Driver", id="no-such-class"),
        pytest.param("def Driver(:", r"SyntaxError", id="syntax"),
        pytest.param("raise RuntimeError('no bus')", r"no bus", id="raises-at-import"),
        pytest.param(
            "class Driver:\n  def __init__(self, port): ...", r"TypeError.*port", id="arguments"
        ),
        pytest.param(
            "class Driver: hardware = True",
            r"lacks problems, lines, describe, open.*OutputDriver",
            id="no-methods",
        ),
        pytest.param(COMPLETE.format(hardware="'no'"), r"lacks hardware", id="hardware-is-text"),
        pytest.param(
            COMPLETE.format(hardware="True") + "        lines = None\n",
            r"lacks lines;",
            id="lines-cannot-be-called",
        ),
    ],
)  # fmt: skip
def test_find_driver_when_it_is_not_one(install: Install, source: str, says: str) -> None:
    """A broken driver is an OutputError with its cause, whatever is broken."""
    install("poor", {"poor": "poor_relay:Driver"}, {"poor_relay": source})

    with pytest.raises(OutputError, match=says) as refusal:
        find_driver("poor")
    assert refusal.value.__cause__ is not None


def test_find_driver_when_it_is_complete(install: Install) -> None:
    """The same source passes once nothing is wrong with it."""
    source = COMPLETE.format(hardware="True")
    install("good", {"good": "good_relay:Driver"}, {"good_relay": source})

    assert find_driver("good").hardware is True
