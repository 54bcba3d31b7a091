"""Every fault of the bench: noticed in time, safe in time, told by name, over when it ends."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from tests.faults.bench import SCENARIOS, played, read_scenario
from tests.faults.table import broken, keep
from tests.support.machine import demand

PATHS = sorted(SCENARIOS.glob("*.toml"))
README = Path(__file__).with_name("README.md")


@pytest.mark.parametrize("name", [path.stem for path in PATHS])
def test_a_fault_is_noticed_and_what_it_touches_made_safe(name: str, tmp_path: Path) -> None:
    """As its file says; the law's own invariants are held against every tick on the way."""
    scenario = read_scenario(SCENARIOS / f"{name}.toml")
    if scenario.what == "full":
        demand("mount")
    outcome = played(scenario, tmp_path)
    keep(outcome)

    assert broken(outcome) == []


@pytest.mark.parametrize(
    ("name", "changes", "message"),
    [
        pytest.param("air-empty", {"what": "nothing"}, "alarm: never", id="no-fault"),
        pytest.param("air-empty", {"alarm": None}, "expected none", id="alarm"),
        pytest.param("air-empty", {"outputs": "as ever"}, "went another way", id="outputs"),
        pytest.param("air-empty", {"outputs": "on"}, "not on at its end", id="on"),
        pytest.param("air-empty", {"refused": "checksum wrong"}, "empty read", id="refused"),
        pytest.param("pump-sticks-on", {"safe_s": 1.0}, "safe state after 5 s", id="late"),
        pytest.param("room-vanishes", {"outputs": "off"}, "(aim) after 485 s", id="aim"),
        pytest.param("power-fails", {"outputs": "off"}, "on again", id="off"),
    ],
)
def test_an_expectation_that_does_not_hold_is_reported(
    name: str, changes: dict[str, object], message: str, tmp_path: Path
) -> None:
    """The bench can fail: on every kind of expectation."""
    scenario = replace(read_scenario(SCENARIOS / f"{name}.toml"), **changes)  # type: ignore[arg-type]

    result = broken(played(scenario, tmp_path))

    assert any(message in each for each in result), result


def test_every_place_that_the_list_of_kinds_names_is_there() -> None:
    """A test that was renamed must not leave a kind without one, unnoticed."""
    named = re.findall(r"`([^`\s]+?)(?:::([a-zA-Z_0-9:]+))?`", README.read_text(encoding="utf-8"))
    places = [(place, test) for place, test in named if "/" in place]
    assert len(places) > 40
    for place, test in places:
        result = list(README.parent.glob(place)) or list(
            README.parent.parent.glob(place.removeprefix("../"))
        )
        assert result, place
        for part in test.split("::") if test else ():
            text = "".join(path.read_text(encoding="utf-8") for path in result)
            assert re.search(rf"(def|class) {part}\b", text), f"{place}::{test}"
