"""Joins settings, drivers and the mains rule: the whole plan is judged before a pin is touched."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from controller.domain.places import STATES, foreign_instance
from controller.domain.supply import Supply
from controller.errors import OutputError, SettingsError, UnknownDriverError, words_of
from controller.log import Logger
from controller.outputs.bounded import BoundedOutput
from controller.outputs.mains_rule import (
    LoadKind,
    MainsVerdict,
    RatedLoad,
    RelayModule,
    judge_named,
)
from controller.outputs.protocol import Output, OutputDriver
from controller.outputs.registry import find_driver
from controller.service.output_bank import SIGNAL, OutputBank, close_outputs
from controller.settings import models
from controller.settings.load import Settings, examine_tables, settings_from
from controller.settings.relay_modules import examine_relay_modules
from controller.settings.shipped import shipped_config

_log = Logger("coldpin.outputs")


@dataclass(frozen=True, slots=True, kw_only=True)
class WiredLoad:
    """One load as it is wired, and why that is allowed."""

    name: str
    driver_name: str
    options: dict[str, Any]
    wiring: str
    """In the driver's own words."""
    hardware: bool
    load: RatedLoad
    relay_module: str | None
    why_allowed: str
    resolved_driver: OutputDriver | None = field(default=None, compare=False, repr=False)
    """Resolved when the load was judged; None: `driver` looks for it."""

    @property
    def driver(self) -> OutputDriver:
        """The load's driver. The control loop asks for it, so it is not looked for on the card."""
        return self.resolved_driver or find_driver(self.driver_name)


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A configuration that can be used."""

    settings: Settings
    loads: tuple[WiredLoad, ...]

    @property
    def lines(self) -> frozenset[str]:
        """Hardware lines that the loads use."""
        return frozenset(line for load in self.loads for line in load.driver.lines(load.options))

    @property
    def dry(self) -> bool:
        """True when nothing real is switched."""
        return not any(load.hardware for load in self.loads)


def _foreign_records(config: Path, records: models.Records | None) -> list[str]:
    """Refuse records in another instance's folder, which its own service alone may write."""
    named = getattr(records, "path", None)
    owner = foreign_instance(named, config)
    if owner is None:
        return []
    problem = (
        f'records.path: found "{named}", allowed: no other chamber\'s folder; this is '
        f"the folder of the chamber {owner}, while this file is for "
        f"{config.stem}; leave the key out, and the records are kept in {STATES / config.stem}"
    )
    return [problem]


def plan_of(config: Path, *, needs_fit: bool = False) -> Plan:
    """Return the plan of a configuration.

    Args:
        config: The file.
        needs_fit: Whether a fit of the plant that cannot be used is a problem.

    Raises:
        SettingsError: It cannot be used; carries every problem found.
    """
    tables, problems = examine_tables(config, needs_fit=needs_fit)
    modules, module_problems = _modules(config, tables.get("relay_modules"))
    problems += module_problems
    problems += _foreign_records(config, tables.get("records"))
    loads: list[WiredLoad] = []
    wanted: models.Loads | None = tables.get("loads")
    for name, table in wanted.each().items() if wanted else ():
        wired, refusals = _wire(name, table, modules, module_problems)
        problems += refusals
        if wired is not None:
            loads.append(wired)
    problems += _shared_lines(
        loads, tables.get("one_wire"), tables.get("probes"), tables.get("inputs")
    )
    if problems:
        raise SettingsError(str(config), tuple(problems))
    return Plan(settings=settings_from(tables), loads=tuple(loads))


def open_outputs(plan: Plan) -> OutputBank:
    """Open every load of a plan off, as `open_loads` does, for one bank.

    Raises:
        OutputError: A relay is not there, busy or not permitted, or its driver hangs.
    """
    return OutputBank(open_loads(plan.loads))


def open_loads(loads: Iterable[WiredLoad]) -> dict[str, Output]:
    """Open loads off; where one fails, those opened before are closed again.

    A signal that fails is left out: the log says so, and nothing else waits for it.

    Raises:
        OutputError: A relay is not there, busy or not permitted, or its driver hangs.
    """
    opened: dict[str, Output] = {}
    try:
        for load in loads:
            try:
                opened[load.name] = open_load(load)
            except OutputError as error:
                if load.name != SIGNAL:
                    raise
                # no lamp is worth a crop: cooling goes on, and the log says that nobody is called
                _log.error("signal_not_opened", error=str(error))
    except BaseException:
        close_outputs(opened)
        raise
    return opened


def open_load(load: WiredLoad) -> Output:
    """Open one load off; each call of a driver that switches something real has a deadline.

    Raises:
        OutputError: The relay is not there, busy or not permitted, or its driver hangs or fails.
    """
    driver = load.driver
    try:
        if not load.hardware:
            return driver.open(load.options)
        output = BoundedOutput(load.name, lambda: driver.open(load.options))
        try:
            output.wait_open()
        except BaseException:
            output.begin_close()  # one that opens after all must not stay open
            raise
    except OutputError:
        raise
    except Exception as error:
        raise OutputError(
            f"loads.{load.name}: the driver {load.driver_name} failed to open it: "
            f"{type(error).__name__}: {words_of(error)}"
        ) from error
    return output


def _modules(
    config: Path, table: models.RelayModules | None
) -> tuple[dict[str, RelayModule], list[str]]:
    named = getattr(table, "file", None)
    own_file = config.parent / "relay-modules.toml"
    if named is not None:
        path = config.parent / named
    else:
        # whatever bears that name is meant: a folder or a dead link is refused, not passed over
        path = own_file if os.path.lexists(own_file) else shipped_config("relay-modules.toml")
    records, problems = examine_relay_modules(path)
    modules = {
        name: RelayModule.from_record(record.model_dump()) for name, record in records.items()
    }
    return modules, problems


def _record_refused(
    named: object, modules: Mapping[str, RelayModule], problems: Sequence[str]
) -> bool:
    """Return whether the record of a named module has problems of its own, which say it all."""
    if not isinstance(named, str) or named in modules or not problems:
        return False
    return not modules or any(
        f": modules.{named}{end}" in each for each in problems for end in ".:"
    )


def _wire(
    name: str,
    table: models.LoadTable,
    modules: dict[str, RelayModule],
    module_problems: Sequence[str],
) -> tuple[WiredLoad | None, list[str]]:
    """Judge one load in full, so that all that is wrong with it is told at once."""
    problems: list[str] = []
    path = f"loads.{name}"
    missing = [key for key in type(table).model_fields if not hasattr(table, key)]
    if missing:
        return None, []  # each of them has its own problem already
    driver: OutputDriver | None = None
    wiring = ""
    options = table.driver_options()
    try:
        driver = find_driver(table.driver)
    except (UnknownDriverError, OutputError) as error:
        problems.append(f"{path}.{error}")
    else:
        found, wiring = _judged_by(driver, table.driver, options)
        problems += [f"{path}.{problem}" for problem in found]
    supply = kind = None
    try:
        supply = Supply.parse(table.supply)
    except ValueError as error:
        problems.append(f"{path}.supply: {error}")
    try:
        kind = LoadKind(table.load_kind)
    except ValueError:
        allowed = ", ".join(kind.value for kind in LoadKind)
        problems.append(f'{path}.load_kind: found "{table.load_kind}", allowed: {allowed}')
    verdict: MainsVerdict | None = None
    refused = _record_refused(table.relay_module, modules, module_problems)
    if supply is not None and kind is not None and not refused:
        load = RatedLoad(name=name, supply=supply, current_a=table.current, kind=kind)
        verdict = judge_named(load, table.relay_module, modules)
        problems += verdict.refusals
    if problems or driver is None or verdict is None:
        return None, problems
    return WiredLoad(
        name=name,
        driver_name=table.driver,
        options=options,
        wiring=wiring,
        hardware=driver.hardware,
        load=load,
        relay_module=table.relay_module,
        why_allowed=verdict.reason,
        resolved_driver=driver,
    ), []


def _judged_by(
    driver: OutputDriver, name: str, options: Mapping[str, object]
) -> tuple[list[str], str]:
    """Return what a driver finds wrong with a load's own keys, and its wiring in words.

    A driver of another package may fail at that too; then the load cannot be used.
    """
    try:
        problems = list(driver.problems(options))
        if problems:
            return problems, ""
        driver.lines(options)
        return [], driver.describe(options)
    except Exception as error:  # noqa: BLE001 - whatever another package raises
        problem = (
            f'driver: found "{name}", which fails at the keys of this load: '
            f"{type(error).__name__}: {words_of(error)}; correct the keys, or repair the package "
            "that brings the driver"
        )
        return [problem], ""


def _shared_lines(
    loads: list[WiredLoad],
    one_wire: models.OneWire | None,
    probes: models.Probes | None,
    inputs: models.SwitchInputs | None,
) -> list[str]:
    """Return a problem for each hardware line that two things claim."""
    problems = []
    air = getattr(probes, "air", None)
    kind = getattr(air, "kind", "one-wire")
    owner: dict[str, str] = {}
    bus_pin = getattr(one_wire, "pin", None)
    if kind == "one-wire" and bus_pin is not None:
        owner[f"gpio{bus_pin}"] = "one_wire.pin"
    level_pin = getattr(getattr(inputs, "level", None), "pin", None)
    if level_pin is not None:
        first = owner.setdefault(f"gpio{level_pin}", "inputs.level")
        if first != "inputs.level":
            problems.append(
                f"inputs.level.pin: found {level_pin}, which is also used by {first}; "
                "allowed: a line of its own"
            )
    for load in loads:
        for line in sorted(load.driver.lines(load.options)):
            first = owner.setdefault(line, f"loads.{load.name}")
            if first != f"loads.{load.name}":
                problems.append(
                    f"loads.{load.name}: found the line {line}, which is also used by {first}; "
                    "allowed: a line of its own"
                )
    if kind != "one-wire" and any(load.hardware for load in loads):
        problems.append(
            f'probes: found the kind "{kind}" with loads on a real driver, allowed: '
            'kind = "one-wire"; a made-up temperature must not switch a real relay'
        )
    return problems
