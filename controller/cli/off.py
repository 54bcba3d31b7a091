"""``coldpin off``: what runs after the service has ended, however it ended.

It is quick on purpose: from a crash to the end of this command a pump may be running. What the
service last opened is kept in a small file, and putting that off needs no configuration.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import click

from controller.domain.places import state_directory
from controller.errors import OutputError, SettingsError, UnknownDriverError
from controller.outputs.registry import find_driver
from controller.service.kept_wiring import KeptLoad, read_kept_wiring


@click.command()
@click.argument("config", type=click.Path(path_type=Path))
def off(config: Path) -> None:
    """Switch every output of CONFIG off and leave it off.

    For when the service has ended: what it last opened, and what CONFIG names where that differs.
    """
    kept = read_kept_wiring(state_directory(config))
    failed = _put_off(kept)
    unreadable: SettingsError | None = None
    try:
        named = _named_in(config)
    except SettingsError as error:
        named, unreadable = (), error
    failed += _put_off(load for load in named if load not in kept)
    if failed:
        raise OutputError("\n".join(failed))
    if unreadable is not None:
        raise unreadable


def _put_off(loads: Iterable[KeptLoad]) -> list[str]:
    """Put each off, whatever happens to another; return what failed."""
    failed: list[str] = []
    for load in loads:
        try:
            driver = find_driver(load.driver)
            driver.open(load.options).close()
        except (OutputError, UnknownDriverError) as error:
            failed.append(f"{load.name}: {error}")
        else:
            click.echo(f"{load.name}: off ({driver.describe(load.options)})")
    return failed


def _named_in(config: Path) -> tuple[KeptLoad, ...]:
    # loaded only after the kept lines are off
    from controller.service.wiring import plan_of  # noqa: PLC0415

    return tuple(
        KeptLoad(name=load.name, driver=load.driver_name, options=load.options)
        for load in plan_of(config).loads
    )
