"""The dry driver: remembers, and energises nothing."""

from __future__ import annotations

from controller.outputs.dry import HISTORY_LENGTH, DryDriver, DryOutput


def test_history_when_switched_and_closed() -> None:
    """Changes only, oldest first; closing while on is a change."""
    output = DryOutput()

    for on in (False, True, True, False, True):
        output.switch(on)
    output.close()
    output.close()

    assert output.history == (True, False, True, False)
    assert output.on is False


def test_history_when_it_runs_for_long() -> None:
    """It is bounded: the latest changes are kept."""
    output = DryOutput()

    for turn in range(HISTORY_LENGTH + 1):
        output.switch(turn % 2 == 0)

    assert len(output.history) == HISTORY_LENGTH
    assert output.history[-1] is (HISTORY_LENGTH % 2 == 0)


def test_problems_when_a_pin_is_left_in() -> None:
    """A pin under a dry driver would be taken for a wired one."""
    assert DryDriver().problems({"pin": 17}) == [
        "pin: found an unknown key, allowed: no keys of its own; remove it"
    ]


def test_hardware_and_lines_when_asked() -> None:
    """Two dry loads never clash."""
    assert DryDriver.hardware is False
    assert DryDriver().lines({}) == frozenset()
