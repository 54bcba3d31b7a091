"""From a signed first run to a running chamber: service, page's password, first notice."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import click

from controller.cli.extras import missing
from controller.cli.lookout import make_password, may_serve
from controller.commissioning.installation.machine import Runner, run_program
from controller.commissioning.tool_unit import MANAGER
from controller.domain.places import CONFIGURATIONS, state_directory
from controller.settings.load import read_settings
from controller.settings.shipped import shipped_note

USER = "coldpin"


def hand_over(
    config: Path,
    *,
    confirm: Callable[[str], bool] = lambda question: click.confirm(
        question, default=True, err=True
    ),
    say: Callable[[str], object] = lambda text: click.echo(text, err=True),
    run: Runner = run_program,
) -> None:
    """Start what was signed and show the way to it, as far as this user may; else say how.

    Args:
        config: The chamber's configuration.
        confirm: Puts a question that is answered with yes or no.
        say: Takes lines for the person.
        run: Runs programs.
    """
    name = config.stem
    if config.absolute().parent != CONFIGURATIONS:
        return
    if os.geteuid() != 0 or not MANAGER.is_dir():
        say(by_hand(name))
        return
    settings = read_settings(config)
    if not confirm("Start the service now, and at each start of the computer?"):
        say(by_hand(name))
        return
    if not _started(f"coldpin@{name}", say, run):
        return
    if missing("lookout"):
        say("The page's packages are not here, so there is no page: run the installer again.")
        return
    if confirm("Make the page's password now? It is shown once."):
        make_password(config, settings, state_directory(config))
    if not may_serve(settings, state_directory(config)):
        say(
            f"The page was not started: {settings.lookout.address} is open to the house, and there "
            f"is no password yet. sudo coldpin lookout {name} --new-password makes one; then "
            f"sudo systemctl enable --now coldpin-lookout@{name}"
        )
    elif not _started(f"coldpin-lookout@{name}", say, run):
        return
    if settings.notices.addresses is None:
        say(
            f"No notices yet: {shipped_note('page-and-notices.md')} says how to name an address; "
            f"then sudo coldpin notify {name} sends a first one."
        )
    elif confirm("Send a first notice now?"):
        program = "/usr/local/bin/coldpin"
        say(run(["runuser", "-u", USER, "--", program, "notify", str(config)]).output.rstrip())


def _started(unit: str, say: Callable[[str], object], run: Runner) -> bool:
    """Start a unit, anew if it runs: the page reads its password when it starts."""
    for words in (["enable", unit], ["restart", unit]):
        result = run(["systemctl", *words])
        if result.status != 0:
            say(f"{unit} did not start: {result.output.strip()}\nsystemctl status {unit} says why.")
            return False
    say(f"{unit}: started, and starts by itself from now on")
    return True


def by_hand(name: str) -> str:
    """Return how to start a chamber, for who is not asked.

    Args:
        name: The instance.
    """
    return (
        f"Start it: sudo systemctl enable --now coldpin@{name} coldpin-lookout@{name}\n"
        f"The page's password: sudo coldpin lookout {name} --new-password"
    )
