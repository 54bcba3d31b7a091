"""``coldpin notify``: send a notice now, to see whether the services take it."""

from __future__ import annotations

from pathlib import Path

import click

from controller.errors import SettingsError
from controller.settings.load import read_settings


@click.command()
@click.argument("config", type=click.Path(path_type=Path))
@click.option("--text", default="A test: notices arrive.", show_default=True, help="What to send.")
def notify(config: Path, text: str) -> None:
    """Send a notice through every service that CONFIG names, at once."""
    settings = read_settings(config)
    if settings.notices.addresses is None:
        problem = "notices.addresses: found nothing, allowed: a file of addresses, one a line"
        raise SettingsError(str(config), (problem,))
    from controller.lookout.notices import Notice  # noqa: PLC0415
    from controller.lookout.sending import read_addresses, service_for  # noqa: PLC0415

    addresses = read_addresses(config.parent / settings.notices.addresses)
    deliver = service_for(addresses)
    if not deliver(Notice(title=settings.chamber.name, body=text)):
        problem = (
            f"not every one of the {len(addresses)} services took it: is the network there, "
            "and are user and password right?"
        )
        raise SettingsError(str(config), (problem,))
    click.echo(f"Sent to {len(addresses)} service(s).")
