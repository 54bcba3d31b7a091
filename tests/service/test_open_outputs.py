"""Opening the loads: all or none, but for the signal."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import pytest
from structlog.testing import capture_logs

from controller.errors import OutputError, SettingsError
from controller.outputs.dry import DryDriver, DryOutput
from controller.service.wiring import Plan, open_loads, open_outputs, plan_of
from controller.settings.shipped import shipped_config

SIGNAL = """
[loads.signal]
driver = "dry"
supply = "12 V DC"
current = "0.05 A"
load_kind = "resistive"
lamp = true
"""


class Picky:
    """A driver that cannot open one load; loads are told apart by the order in which they come."""

    def __init__(self, refused: int) -> None:
        self._refused, self._count = refused, 0
        self.opened: list[DryOutput] = []

    def open(self, options: Mapping[str, object]) -> DryOutput:
        self._count += 1
        if self._count == self._refused:
            raise OutputError("line busy")
        self.opened.append(DryOutput())
        return self.opened[-1]


@pytest.fixture
def plan(tmp_path: Path) -> Plan:
    text = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")
    path = tmp_path / "c.toml"
    path.write_text(text + SIGNAL.replace("lamp = true\n", ""), encoding="utf-8")
    return plan_of(path)


def with_driver(plan: Plan, driver: Picky) -> Plan:
    """Return the plan with every load on this driver."""
    return replace(
        plan, loads=tuple(replace(load, resolved_driver=cast("Any", driver)) for load in plan.loads)
    )


def test_a_signal_that_cannot_be_opened_stops_no_cooling(plan: Plan) -> None:
    """Pump and fan are open; the log says that nobody is called."""
    assert [load.name for load in plan.loads] == ["pump", "fan", "signal"]
    driver = Picky(refused=3)
    plan = with_driver(plan, driver)

    with capture_logs() as logs:
        bank = open_outputs(plan)

    assert len(driver.opened) == 2
    assert [log["event"] for log in logs] == ["signal_not_opened"]
    bank.signal(on=True)  # nothing to switch, nothing raised


@pytest.mark.parametrize("refused", [1, 2])
def test_a_pump_or_fan_that_cannot_be_opened_is_an_error(plan: Plan, refused: int) -> None:
    """What was open before is closed again."""
    driver = Picky(refused=refused)
    plan = with_driver(plan, driver)

    with pytest.raises(OutputError, match="line busy"):
        open_outputs(plan)

    assert not any(output.on for output in driver.opened)


def test_hardware_that_cannot_be_opened_is_known_before_anything_runs(plan: Plan) -> None:
    """A real driver opens in a thread of its own, and is waited for."""
    pump, fan, _ = plan.loads
    driver = Picky(refused=2)
    loads = [replace(load, hardware=True, resolved_driver=driver) for load in (pump, fan)]

    with pytest.raises(OutputError, match="line busy"):
        open_loads(loads)

    assert not any(output.on for output in driver.opened)


@pytest.mark.parametrize("what", ["a folder", "a link to nothing"])
def test_a_list_of_relay_modules_that_is_none_is_not_passed_over(tmp_path: Path, what: str) -> None:
    """Whoever put it there means it: the list that ships does not take its place unseen."""
    path, own = tmp_path / "c.toml", tmp_path / "relay-modules.toml"
    path.write_bytes(shipped_config("larkmoor-laptop.toml").read_bytes())
    if what == "a folder":
        own.mkdir()
    else:
        own.symlink_to(tmp_path / "not there")

    with pytest.raises(SettingsError, match=r"relay-modules\.toml: found a (directory|link)"):
        plan_of(path)


@pytest.mark.parametrize("fails_in", ["problems", "lines", "describe"])
def test_a_driver_that_fails_when_it_is_asked_is_a_problem_of_its_load(
    fails_in: str, plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Named with all other problems, as a package that cannot be imported is; no traceback."""
    del plan  # wrote the file

    class Failing(DryDriver):
        pass

    def fail(_self: object, _options: object) -> Any:
        raise KeyError("box")

    setattr(Failing, fails_in, fail)
    monkeypatch.setattr("controller.service.wiring.find_driver", lambda _: Failing())

    with pytest.raises(SettingsError) as refusal:
        plan_of(tmp_path / "c.toml")

    assert [problem.partition(", which")[0] for problem in refusal.value.problems] == [
        f'loads.{load}.driver: found "dry"' for load in ("pump", "fan", "signal")
    ]
    assert "KeyError: 'box'; correct the keys, or repair" in refusal.value.problems[0]


MODULE = """
[modules.box]
description = "box on the wall"
[[modules.box.ratings]]
load_kind = "motor"
supply = "30 V DC"
current = "2 A"
"""
MISSPELLED = MODULE.replace("box", "bocks")


@pytest.mark.parametrize(
    ("records", "problems"),
    [
        pytest.param(
            MODULE.replace('"box on the wall"', "3"),
            ["relay-modules.toml: modules.box.description: found 3"],
            id="its-record-is-wrong",
        ),
        pytest.param(
            MODULE.replace('"box on the wall"', "3") + MISSPELLED,
            ["relay-modules.toml: modules.box.description: found 3"],
            id="its-record-alone-is-wrong",
        ),
        pytest.param(
            "no toml [", ["relay-modules.toml: is not TOML at line 1"], id="the-list-is-wrong"
        ),
        pytest.param(
            MISSPELLED, ["loads.pump.relay_module: found 'box', which relay-modules.toml does not"],
            id="it-has-no-record",
        ),
        pytest.param(
            MISSPELLED + MODULE.replace("box", "other").replace('"other on the wall"', "3"),
            [
                "relay-modules.toml: modules.other.description: found 3",
                "loads.pump.relay_module: found 'box', which relay-modules.toml does not",
            ],
            id="another-record-is-wrong",
        ),
    ],
)  # fmt: skip
def test_a_module_whose_record_is_refused_is_not_said_to_have_none(
    plan: Plan, tmp_path: Path, records: str, problems: list[str]
) -> None:
    """One cause, one problem; all others of the load are said with it."""
    del plan  # wrote the file
    config = tmp_path / "c.toml"
    text = config.read_text(encoding="utf-8")
    named = '[loads.pump]\npin = 5\nrelay_module = "box"'
    config.write_text(text.replace("[loads.pump]", named), encoding="utf-8")
    problems = sorted([*problems, "loads.pump.pin: found an unknown key"])
    (tmp_path / "relay-modules.toml").write_text(records, encoding="utf-8")

    with pytest.raises(SettingsError) as refusal:
        plan_of(config)

    found = sorted(refusal.value.problems)
    assert [each.startswith(start) for each, start in zip(found, problems, strict=True)] == (
        [True] * len(problems)
    ), found
