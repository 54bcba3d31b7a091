"""``coldpin run``: the control process."""

from __future__ import annotations

import os
from pathlib import Path

import click

from controller.cli.instances import CONFIG
from controller.cli.logs import set_up_logs
from controller.domain.places import state_directory
from controller.log import Logger
from controller.probes.samples import SampleSource
from controller.service.boot_memory import memory_of_configuration
from controller.service.output_bank import OutputBank
from controller.service.serve import DriverHangsError, serve
from controller.service.sources import open_source
from controller.service_manager import Notifier
from controller.settings.load import Settings

_log = Logger("coldpin")


@click.command()
@CONFIG
def run(config: Path) -> None:
    """Control the chamber of CONFIG until stopped.

    Ends with every output off. Simulated probes measure a simulated chamber in real time.
    """
    logs = set_up_logs()
    try:
        let_go = serve(
            config,
            _place_of(config),
            notifier=Notifier.from_environment(),
            source=_open_any_source,
        )
    except DriverHangsError as error:
        _log.error("driver_hangs", error=str(error))
        logs.flush()
        os._exit(os.EX_UNAVAILABLE)  # it would hold up an ordinary exit
    finally:
        logs.flush()
    if not let_go:
        os._exit(0)  # a driver that hangs would hold up an ordinary exit


def _place_of(config: Path) -> Path:
    """Return the state directory, or a folder in memory where it cannot be made."""
    try:
        return state_directory(config)
    except OSError as error:
        place = memory_of_configuration(config)
        _log.error(
            "no_state_directory",
            error=str(error),
            instead=str(place),
            effect="cooling goes on; nothing is kept over a power cut",
        )
        return place


def _open_any_source(settings: Settings, outputs: OutputBank, folder: Path) -> SampleSource:
    if settings.probes.air.kind != "simulated":
        return open_source(settings, outputs, folder)
    # only a simulated chamber needs the physics; the service on a Pi never loads it
    from controller.rehearsal.live import open_live_chamber  # noqa: PLC0415

    return open_live_chamber(settings, outputs)
