"""``coldpin off``: what runs after the service has ended, however it ended.

It is quick on purpose: from a crash to the end of this command a pump may be running. What the
service last opened is kept in a small file, and putting that off needs no configuration. Every load
is put off before anything is printed, each for itself and for a limited time.
"""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import click

from controller.cli.instances import CONFIG
from controller.domain.places import named_state_directory
from controller.errors import SettingsError, words_of
from controller.outputs.registry import find_driver
from controller.service.boot_memory import boot_memory, memory_of_configuration
from controller.service.kept_wiring import KeptLoad, read_kept_wiring

LOAD_WITHIN_S = 3.0
"""The unit gives this command 15 s, and Python takes some of them on the slowest board."""
WORDS_WITHIN_S = 1.0


@dataclass(frozen=True, slots=True)
class _Outcome:
    """What came of one load."""

    load: KeptLoad
    words: str
    is_off: bool


@click.command()
@CONFIG
def off(config: Path) -> int:
    """Switch every output of CONFIG off and leave it off.

    For use after the service has ended: switches off the outputs that it last opened, and those
    that CONFIG names.
    """
    places = _places_of(config)
    kept: set[str] = set()
    outcomes: list[_Outcome] = []
    for place in places:
        for load in read_kept_wiring(place):
            if repr(load) not in kept:
                kept.add(repr(load))
                outcomes.append(_put_off(load))
    named: list[KeptLoad] = []
    unreadable: list[str] = []
    try:
        named = [load for load in _named_in(config) if repr(load) not in kept]
    except SettingsError as error:
        unreadable = [f"{error.where} cannot be used:", *(f"  {each}" for each in error.problems)]
    except Exception as error:  # noqa: BLE001 - what is off stays off whatever the file is like
        unreadable = [f"{config} cannot be read: {type(error).__name__}: {words_of(error)}"]
    outcomes += [_put_off(load) for load in named]
    return _report(outcomes, unreadable, _still_running(places))


def _places_of(config: Path) -> list[Path]:
    """Return every folder where the wiring may be kept; none of them is created.

    Memory comes before the medium: a card that is failing may hold up whoever reads from it.
    """
    places: list[Path] = []
    sources: tuple[Callable[[], Path], ...] = (
        lambda: boot_memory(named_state_directory(config), create=False),
        lambda: memory_of_configuration(config, create=False),
        lambda: named_state_directory(config),
    )
    for source in sources:
        try:
            place = source()
        except OSError:
            continue
        if place not in places:
            places.append(place)
    return places


def _put_off(load: KeptLoad) -> _Outcome:
    """Put one load off, whatever its driver does; what hangs is left to its thread."""
    outcomes: list[_Outcome] = []

    def work() -> None:
        try:
            driver = find_driver(load.driver)
            driver.open(load.options).close()
        except BaseException as error:  # noqa: BLE001 - the other loads must still go off
            outcomes.append(_Outcome(load, f"{load.name}: {words_of(error)}", is_off=False))
            return
        try:
            where = f" ({driver.describe(load.options)})"
        except BaseException:  # noqa: BLE001 - it is off, that is what counts
            where = ""
        outcomes.append(_Outcome(load, f"{load.name}: off{where}", is_off=True))

    thread = threading.Thread(target=work, name=f"off-{load.name}", daemon=True)
    try:
        thread.start()
    except RuntimeError:  # the machine has no thread left
        work()
    else:
        thread.join(LOAD_WITHIN_S)
    if outcomes:
        return outcomes[0]
    return _Outcome(
        load,
        f"{load.name}: its driver {load.driver} has not answered within {LOAD_WITHIN_S:g} s; "
        "cut its supply by hand",
        is_off=False,
    )


def _named_in(config: Path) -> tuple[KeptLoad, ...]:
    # loaded only after the kept lines are off
    from controller.service.wiring import plan_of  # noqa: PLC0415

    return tuple(
        KeptLoad(name=load.name, driver=load.driver_name, options=load.options)
        for load in plan_of(config).loads
    )


def _still_running(places: Iterable[Path]) -> str | None:
    from controller.service.locks import instance_holder  # noqa: PLC0415 - after the loads

    for place in places:
        holder = instance_holder(place)
        if holder is not None:
            return (
                f"coldpin still runs on this chamber (pid {holder}) and may switch the loads on "
                "again: stop it first"
            )
    return None


def _report(outcomes: list[_Outcome], unreadable: list[str], running: str | None) -> int:
    good = [each.words for each in outcomes if each.is_off]
    bad = [each.words for each in outcomes if not each.is_off]
    if running is not None:
        bad.append(running)
    _write(1, good)
    _write(2, [*bad, *unreadable])
    hangs = any(thread.name.startswith("off-") for thread in threading.enumerate())
    status = os.EX_OK
    if any(not each.is_off for each in outcomes):
        status = os.EX_UNAVAILABLE
    elif running is not None:
        status = os.EX_TEMPFAIL
    elif unreadable:
        status = os.EX_CONFIG
    if hangs:
        os._exit(status)  # a driver that hangs would hold up an ordinary exit
    return status


def _write(descriptor: int, lines: list[str]) -> None:
    """Write lines to a file that may be closed, full or not read by anybody, for a limited time."""
    if not lines:
        return
    text = "".join(f"{line}\n" for line in lines).encode("utf-8", "backslashreplace")

    def work() -> None:
        rest = text
        try:
            while rest:
                rest = rest[os.write(descriptor, rest) :]
        except OSError:
            pass  # nobody reads it

    thread = threading.Thread(target=work, name="words", daemon=True)
    with contextlib.suppress(RuntimeError):  # the machine has no thread left
        thread.start()
        thread.join(WORDS_WITHIN_S)
