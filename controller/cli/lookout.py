"""``coldpin lookout``: the page, forecasts and notices, beside the control process."""

from __future__ import annotations

import io
from pathlib import Path

import click

from controller.cli.extras import need
from controller.cli.files import reason_of
from controller.cli.instances import CONFIG
from controller.cli.rights import as_owner_of
from controller.domain.places import SECRET_FILE, state_directory
from controller.errors import RecordError
from controller.settings.load import Settings, read_settings
from controller.settings.lookout_models import OWN_ADDRESSES


@click.command()
@CONFIG
@click.option(
    "--new-password",
    "--new-secret",
    "new_password",
    is_flag=True,
    help="Make a new password for the page, show it once with the page's address, and exit.",
)
def lookout(config: Path, new_password: bool) -> None:
    """Serve the page of CONFIG, with forecasts and notices.

    Reads what the control process records and passes requests on to it; controls nothing itself.
    """
    settings = read_settings(config)  # refuses a broken one before anything is made
    place = state_directory(config)
    if new_password:
        make_password(config, settings, place)
        return
    need("lookout", what="coldpin lookout")
    from controller.cli.logs import set_up_logs  # noqa: PLC0415
    from controller.lookout.run import run_lookout  # noqa: PLC0415

    set_up_logs()
    run_lookout(config, place)


def may_serve(settings: Settings, place: Path) -> bool:
    """Return whether the page may start: for this machine alone, or with a password.

    Args:
        settings: The configuration.
        place: The chamber's state directory.
    """
    return settings.lookout.address in OWN_ADDRESSES or (place / SECRET_FILE).exists()


def make_password(config: Path, settings: Settings, place: Path) -> None:
    """Make a new password of the page and show it once, with the address and its QR code.

    Args:
        config: The chamber's configuration.
        settings: What it says.
        place: The chamber's state directory.

    Raises:
        RecordError: It cannot be kept.
    """
    from controller.lookout.page.access import new_secret  # noqa: PLC0415

    try:
        with as_owner_of(place):
            password = new_secret(place)
    except OSError as error:
        raise RecordError(f"No password was made: {reason_of(error)}") from None
    click.echo(f"Password: {password}")
    click.echo("It is not shown again; whoever has it can act on the chamber.")
    if settings.lookout.address in OWN_ADDRESSES or not settings.lookout.names:
        click.echo(
            f"The page is at http://localhost:{settings.lookout.port}/, for this machine only. For "
            'the phones of the house write [lookout] address = "0.0.0.0" and names = ["NAME.local"]'
            f" into {config}, then: sudo systemctl restart coldpin-lookout@{config.stem}"
        )
        return
    address = f"http://{settings.lookout.names[0]}:{settings.lookout.port}/"
    click.echo(f"Address: {address}")
    if (picture := qr_code(address)) is not None:
        click.echo(picture)


def qr_code(text: str) -> str | None:
    """Return a text as a QR code of block characters, None where the package is not there.

    Two modules stand above each other in a character, dark ones as blanks, for the dark ground that
    most terminals have; cameras read either.
    """
    try:
        import segno  # noqa: PLC0415 - the page's packages need not be there
    except ImportError:
        return None
    drawn = io.StringIO()
    segno.make(text, error="m", micro=False).terminal(drawn, compact=True, border=2)
    return drawn.getvalue().rstrip("\n")
