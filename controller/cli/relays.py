"""``coldpin relays``: one load at a time, so that a wrong wire or polarity shows before a crop."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import click

from controller.cli.instances import CONFIG
from controller.cli.rights import as_owner_of
from controller.commissioning.load_guard import (
    Energised,
    LoadGuard,
    signals_end_off,
    still_on,
    unguarded,
)
from controller.commissioning.tool_unit import run_in_unit
from controller.commissioning.wiring_in import ON_WHILE_OFF
from controller.domain.places import state_directory
from controller.errors import ControllerError, OutputError
from controller.outputs.mains_rule import is_mains
from controller.outputs.protocol import Output
from controller.service.locks import LineLocks, lock_instance
from controller.service.wiring import Plan, WiredLoad, open_load, plan_of

ON_S = 3.0
WRONG, INVERTED = 1, 2
"""Exit statuses where one load alone was tried: it did not do what it should, or the opposite."""
STAND_CLEAR = "Keep hands, cables and water apart. Have a way to cut the supply in reach."


class RelayCheckError(ControllerError):
    """A load did not do what it should."""


@click.command()
@CONFIG
@click.option("--only", metavar="LOAD", hidden=True, help="Try this load alone.")
def relays(config: Path, only: str | None) -> int:
    """Switch each load of CONFIG by itself and ask what happened.

    The service must be stopped. Everything is off before, between and after. A mains load is tried
    only through its listed relay module, and only after you have typed its name.
    """
    options = ["--only", only] if only else []
    if (ended := run_in_unit(config, ["relays", *options])) is not None:
        return ended
    plan = plan_of(config)
    place = state_directory(config)
    with loads_in_hand(plan, config, place, say=click.echo) as energised:
        click.echo(STAND_CLEAR)
        wrong = [
            f"{load.name}: {trouble}"
            for load in plan.loads
            if only in {None, load.name}
            for trouble in (try_load(load, ask=ask_person, sleep=time.sleep, energised=energised),)
            if trouble is not None
        ]
    if wrong:
        error = RelayCheckError("\n".join(wrong))
        if only is None:
            raise error
        click.echo(str(error), err=True)
        return INVERTED if ON_WHILE_OFF in wrong[0] else WRONG
    if only is not None:
        return 0
    click.echo("Every load did what it should. All are off.")
    return 0


@contextlib.contextmanager
def loads_in_hand(
    plan: Plan,
    config: Path,
    place: Path,
    *,
    say: Callable[[str], object],
    sleep: Callable[[float], object] = time.sleep,
) -> Iterator[Energised]:
    """Claim a stopped chamber and its lines for a tool, and yield what guards each load in it.

    Args:
        plan: The configuration.
        config: Its file.
        place: The state directory.
        say: Is given what the person waits for.
        sleep: Waits for a number of seconds.

    Raises:
        BusyError: The service runs, or another process drives one of the lines.
        StoppedBySignalError: A signal ended the tool; every load is off.
    """
    with (
        as_owner_of(place),
        signals_end_off(),
        lock_instance(place),
        contextlib.closing(LineLocks()) as lines,
    ):
        lines.claim(plan.loads)
        rest_s = plan.settings.timing.anti_short_cycle
        yield LoadGuard(config, place, rest_s=rest_s, say=say, sleep=sleep).energised


def try_load(
    load: WiredLoad,
    *,
    ask: Callable[[str], str],
    sleep: Callable[[float], object],
    say: Callable[[str], object] = click.echo,
    energised: Energised = unguarded,
) -> str | None:
    """Try one load and return what is wrong with it, None when nothing is.

    Args:
        load: The load.
        ask: Puts a question to the person and returns the answer.
        sleep: Waits for a number of seconds.
        say: Is given what happens.
        energised: Guards the time in which the load is on; `LoadGuard.energised`.

    Raises:
        OutputError: The load cannot be opened or switched on.
        StillOnError: It could not be switched off.
    """
    say(f"\n{load.name}: {load.wiring}, {load.load.supply}; {load.why_allowed}")
    if is_mains(load.load.supply):
        say("This is mains. The work belongs to a licensed electrician; stand clear.")
        if ask(f'type "{load.name}" to switch it on for {ON_S:g} s').strip() != load.name:
            return "not tried: its name was not typed"
    with _opened(load) as output:
        if not _yes(ask("it should be off now: is it off? (yes/no)")):
            say(f"Cut the supply of the {load.name} until that is put right.")
            return (
                f"{ON_WHILE_OFF}: its active_low is the wrong way round, or its contact "
                "is wired to the resting side"
            )
        with energised(load.name, ON_S):
            say(f"on for {ON_S:g} s ...")
            try:
                output.switch(True)
                sleep(ON_S)
            finally:
                try:
                    output.switch(False)
                except OutputError as error:
                    raise still_on(load.name, error) from error
        if not _yes(ask("did it run, and has it stopped? (yes/no)")):
            say(f"If the {load.name} still runs, cut its supply.")
            return "did not run and stop: check its supply, fuse, pin and relay"
    return None


@contextlib.contextmanager
def _opened(load: WiredLoad) -> Iterator[Output]:
    output = open_load(load)
    try:
        yield output
    finally:
        try:
            output.close()
        except OutputError as error:
            raise still_on(load.name, error) from error


def ask_person(question: str) -> str:
    """Put a question on the terminal and return what the person types."""
    answer: str = click.prompt(question, prompt_suffix=" ")
    return answer


def _yes(answer: str) -> bool:
    return answer.strip().lower() in {"y", "yes"}
