"""``coldpin lookout``: the page, forecasts and notices, beside the control process."""

from __future__ import annotations

from pathlib import Path

import click

from controller.cli.extras import need
from controller.cli.instances import CONFIG
from controller.domain.places import state_directory
from controller.errors import SettingsError
from controller.settings.load import read_settings


@click.command()
@CONFIG
@click.option(
    "--new-secret", is_flag=True, help="Make the secret that acting needs, show it once, and end."
)
def lookout(config: Path, new_secret: bool) -> None:
    """Serve the page of CONFIG, with forecasts and notices.

    Reads what the control process records and passes requests on to it; controls nothing itself.
    """
    read_settings(config)  # what is wrong with it is said before anything is made
    place = state_directory(config)
    if new_secret:
        from controller.lookout.page.access import new_secret as make  # noqa: PLC0415

        try:
            secret = make(place)
        except OSError as error:
            raise SettingsError(str(config), (f"no secret was made: {error}",)) from None
        click.echo(f"The secret is: {secret}")
        click.echo("It is not shown again; whoever has it can act on the chamber.")
        return
    need("lookout", what="coldpin lookout")
    from controller.cli.logs import set_up_logs  # noqa: PLC0415
    from controller.lookout.run import run_lookout  # noqa: PLC0415

    set_up_logs()
    run_lookout(config, place)
