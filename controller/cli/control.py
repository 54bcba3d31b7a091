"""``coldpin run`` and ``coldpin off``."""

from __future__ import annotations

from pathlib import Path

import click

from controller.cli.logs import set_up_logs
from controller.errors import OutputError
from controller.outputs.registry import find_driver
from controller.service.notify import Notifier
from controller.service.places import state_directory
from controller.service.run import Service
from controller.service.wiring import plan_of

CONFIG = click.argument("config", type=click.Path(path_type=Path))


@click.command()
@CONFIG
def run(config: Path) -> None:
    """Control the chamber of CONFIG until told to stop. Ends with every output off."""
    set_up_logs()
    notifier = Notifier.from_environment()
    Service(config, state_directory(config), notifier=notifier).run()


@click.command()
@CONFIG
def off(config: Path) -> None:
    """Put every output of CONFIG off, and leave it off. For after the service has ended."""
    failed: list[str] = []
    for load in plan_of(config).loads:
        try:
            find_driver(load.driver_name).open(load.options).close()
        except OutputError as error:
            failed.append(f"{load.name}: {error}")
        else:
            click.echo(f"{load.name}: off ({load.wiring})")
    if failed:
        raise OutputError("\n".join(failed))
