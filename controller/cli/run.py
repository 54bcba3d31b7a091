"""``coldpin run``: the control process."""

from __future__ import annotations

from pathlib import Path

import click

from controller.cli.logs import set_up_logs
from controller.domain.places import state_directory
from controller.probes.protocol import SampleSource
from controller.service.notify import Notifier
from controller.service.output_bank import OutputBank
from controller.service.run import Service
from controller.service.sources import open_source
from controller.settings.load import Settings


@click.command()
@click.argument("config", type=click.Path(path_type=Path))
def run(config: Path) -> None:
    """Control the chamber of CONFIG until stopped.

    Ends with every output off. Simulated probes measure a simulated chamber in real time.
    """
    set_up_logs()
    notifier = Notifier.from_environment()
    Service(config, state_directory(config), notifier=notifier, source=_open_any_source).run()


def _open_any_source(settings: Settings, outputs: OutputBank, folder: Path) -> SampleSource:
    if settings.probes.air.kind != "simulated":
        return open_source(settings, outputs, folder)
    # only a simulated chamber needs the physics; the service on a Pi never loads it
    from controller.rehearsal.live import open_live_chamber  # noqa: PLC0415

    return open_live_chamber(settings, outputs)
