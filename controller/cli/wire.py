"""``coldpin new --wire``: ids and pins of a chamber, found out on the Pi and put into its file."""

from __future__ import annotations

import time
import tomllib
from collections.abc import Callable
from functools import partial
from pathlib import Path

import click

from controller.cli.new_file import read_content, write_whole
from controller.cli.probes import WARMING_S, read_all, warmed
from controller.cli.relays import (
    INVERTED,
    STAND_CLEAR,
    WRONG,
    RelayCheckError,
    ask_person,
    loads_in_hand,
    try_load,
)
from controller.commissioning.tool_unit import run_in_unit
from controller.commissioning.wiring_in import ON_WHILE_OFF, Bench, pins_in, probes_in, try_relays
from controller.domain.places import state_directory
from controller.errors import ProbeError, SettingsError
from controller.pictures.words import counted
from controller.probes.one_wire import survey
from controller.service.wiring import plan_of
from controller.settings.load import examine_document

LEAST_PROBES = 2


def wire(file: Path) -> None:
    """Ask for probes and relays of a configuration, try them, and write what was found out.

    Raises:
        SettingsError: The configuration cannot be used, or not be changed safely.
        ProbeError: There is no bus, or too few probes on it.
    """
    root = Path(plan_of(file).settings.one_wire.root)
    ids = _ids_on_bus(root)

    def bench(try_one: Callable[[str], str | None]) -> Bench:
        return Bench(
            ask=lambda question, usual: str(click.prompt(question, default=usual)),
            confirm=lambda question, usual: click.confirm(question, default=usual),
            say=click.echo,
            warmed=lambda left: warmed(
                lambda: read_all(root, left), longest_s=WARMING_S, sleep=time.sleep
            ),
            write=lambda text: _write(file, text),
            try_load=try_one,
        )

    text = probes_in(read_content(file), ids, bench(_untried))
    text = pins_in(text, bench(_untried))
    if not click.confirm(f"Write these probes and pins into {file}?", default=True):
        click.echo("Nothing was changed.")
        return
    _write(file, text)
    click.echo("Next each load runs for 3 s. Its supply and current in the file must be right.")
    if not click.confirm("Try pump and fan now?", default=True):
        click.echo(f"Try them later: coldpin relays {file}")
        return

    click.echo(STAND_CLEAR)
    loads = tomllib.loads(text)["loads"]
    pins = {load: int(loads[load]["pin"]) for load in ("pump", "fan")}
    _, right = try_relays(
        text, pins, bool(loads["pump"]["active_low"]), bench(partial(_tried, file))
    )
    click.echo(
        f"Probes and relays are in {file}. Next: coldpin first-run {file}"
        if right
        else f"The relays are not right yet; see above, then: coldpin relays {file}"
    )


def _ids_on_bus(root: Path) -> tuple[str, ...]:
    """Return the ids of the probes.

    Raises:
        ProbeError: There is no bus, or too few probes on it.
    """
    if not root.is_dir():
        raise ProbeError(
            f"found no folder {root}: run this on the Pi, with 1-Wire switched on "
            "(dtoverlay=w1-gpio) and the probes connected"
        )
    ids = survey(root).ids
    if len(ids) < LEAST_PROBES:
        raise ProbeError(
            f"found {counted(len(ids), 'probe')} on the bus, allowed: {LEAST_PROBES} or more, air "
            "and reservoir; check cable, pull-up and pin"
        )
    return ids


def _tried(file: Path, load: str) -> str | None:
    """Let one load run for a moment; return what is wrong with it, None where nothing is."""
    if (ended := run_in_unit(file, ["relays", "--only", load])) is not None:
        return _trouble_of(ended)
    plan = plan_of(file)
    wired = next(each for each in plan.loads if each.name == load)
    with loads_in_hand(plan, file, state_directory(file), say=click.echo) as energised:
        return try_load(wired, ask=ask_person, sleep=time.sleep, energised=energised)


def _trouble_of(status: int) -> str | None:
    """Return what is wrong with a load whose trial ended so in a unit of its own.

    Raises:
        RelayCheckError: It was not tried, as the trial itself has said.
    """
    if status == 0:
        return None
    if status == INVERTED:
        return ON_WHILE_OFF
    if status == WRONG:
        return "it did not do what it should"
    raise RelayCheckError("the relays were not tried; the reason stands above")


def _untried(_load: str) -> str | None:
    return None


def _write(file: Path, text: str) -> None:
    """Write the configuration, where it can be used.

    Raises:
        SettingsError: It cannot.
    """
    _, problems = examine_document(tomllib.loads(text), file.parent, needs_fit=False)
    if problems:
        raise SettingsError(str(file), tuple(problems))
    write_whole(file, text)
