"""``coldpin install`` and ``coldpin uninstall``: the same as systemd/install in a clone."""

from __future__ import annotations

from pathlib import Path

import click

from controller.commissioning.installation import command

DRY_RUN = click.option("--dry-run", is_flag=True, help="Only print what it would do.")


@click.command()
@DRY_RUN
@click.option("--write-boot-lines", is_flag=True, help="Add what the boot settings lack.")
@click.option("--watchdog", is_flag=True, help="Have the hardware restart a hung machine.")
@click.option("--bulk-read", is_flag=True, help="Let all probes of a bus convert at once.")
@click.option(
    "--mains-is-wired", is_flag=True, help="Confirm that an electrician wired the mains loads."
)
@click.option("--wheel", type=click.Path(path_type=Path), help="Install this wheel.")
def install(wheel: Path | None, **flags: bool) -> int:
    """Install as a service on this machine; run it with sudo.

    Run it again as often as you like: it leaves alone what is in place, mends what is not, and
    replaces the version that runs by a newer one.
    """
    options = [f"--{name.replace('_', '-')}" for name, wanted in flags.items() if wanted]
    return command.main([*options, *(["--wheel", str(wheel)] if wheel else [])])


@click.command()
@DRY_RUN
def uninstall(dry_run: bool) -> int:
    """Switch the outputs off and remove the service.

    Configurations and records stay.
    """
    return command.main(["--uninstall", *(["--dry-run"] if dry_run else [])])
