"""``coldpin notify``: send a notice now, to see whether the services accept it."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click

from controller.cli import people
from controller.cli.extras import need
from controller.cli.instances import CONFIG
from controller.cli.main import EX_TEMPFAIL
from controller.errors import SettingsError
from controller.settings.load import read_settings


@click.command()
@CONFIG
@click.option("--text", help="What to send; default: a test message.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def notify(config: Path, text: str | None, as_json: bool) -> int:
    """Send a notice now, through every service that CONFIG names.

    Exit status 75: a service did not accept it.
    """
    settings = read_settings(config)
    if settings.notices.addresses is None:
        problem = "notices.addresses: found nothing, allowed: a file of addresses, one per line"
        raise SettingsError(str(config), (problem,))
    need("lookout", what="coldpin notify")
    # what only `coldpin lookout` and this command need, so that nothing else pays for it
    from controller.lookout.notices.message import Notice  # noqa: PLC0415
    from controller.lookout.notices.notice_rules import rules_of  # noqa: PLC0415
    from controller.lookout.notices.sending import TEST_TEXT  # noqa: PLC0415
    from controller.lookout.notices.services import (  # noqa: PLC0415
        delivered,
        read_addresses,
        services_for,
    )

    services = services_for(read_addresses(config.parent / settings.notices.addresses))
    sent_at = datetime.now(UTC).astimezone(settings.site.zone())
    notice = Notice(
        title=settings.chamber.name,
        body=TEST_TEXT if text is None else text,
        link=rules_of(settings).link("headline"),
    )
    outcome = [(service, delivered(service, notice).accepted) for service in services]
    all_accepted = all(accepted for _, accepted in outcome)
    if as_json:
        people.print_json(
            {
                "chamber": settings.chamber.name,
                "sent_at": sent_at.isoformat(timespec="seconds"),
                "services": [
                    {"number": service.number, "kind": service.kind, "taken": accepted}
                    for service, accepted in outcome
                ],
            }
        )
    else:
        for service, accepted in outcome:
            words = (
                "accepted it"
                if accepted
                else "did not accept it: is the network there, and are user and password right?"
            )
            click.echo(f"address {service.number} ({service.kind}): {words}")
    return 0 if all_accepted else EX_TEMPFAIL
