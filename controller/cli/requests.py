"""What people ask of the control process: swap, stage, pause, resume, ack, reset."""

from __future__ import annotations

import getpass
import os
import time
from datetime import datetime
from pathlib import Path

import click

from controller.cli.instances import CONFIG, config_and_rest, only_instance
from controller.cli.instants import instant
from controller.domain.alarms import AlarmName
from controller.domain.places import state_directory
from controller.domain.requests import (
    LONGEST_PAUSE_S,
    Acknowledge,
    FrozenThrough,
    LogSwap,
    Pause,
    Payload,
    Reset,
    Resume,
    SetStage,
    kind_of,
)
from controller.domain.units import parse_duration
from controller.errors import SettingsError
from controller.records.boot import boot_id, boottime
from controller.records.requests import REQUESTS, answer_to, ask_now
from controller.records.status_file import STATUS, is_silent, read_status, runtime_directory
from controller.settings.load import read_settings

PATIENCE_TICKS = 3


@click.command()
@CONFIG
@click.option(
    "--packs", type=click.IntRange(1, 1000), help="How many went in; default: a full set."
)
@click.option("--at", "at_text", help="When, ISO 8601; default: now.")
@click.option("--note", default="", help="Anything worth remembering.")
@click.option(
    "--frozen-through",
    type=click.Choice(["yes", "no", "unknown"]),
    default="unknown",
    help="Were they frozen through?",
)
def swap(
    config: Path, packs: int | None, at_text: str | None, note: str, frozen_through: str
) -> None:
    """Log a pack change: spent packs out, frozen ones in."""
    at = datetime.now().astimezone() if at_text is None else instant(at_text, option="--at")
    if packs is None:
        packs = read_settings(config).plant_spec().packs.in_reservoir
    payload = LogSwap(
        packs=packs,
        at=at.replace(microsecond=0),
        note=note,
        frozen_through=FrozenThrough(frozen_through),
    )
    _request(config, payload, kept="The swap is noted all the same.")


@click.command()
@click.argument("words", nargs=-1, required=True, metavar="[CONFIG] NAME")
def stage(words: tuple[str, ...]) -> None:
    """Change to the band of the stage NAME."""
    config, (name,) = config_and_rest(words, most=1)
    settings = read_settings(config)
    if name not in settings.stages:
        known = ", ".join(sorted(settings.stages))
        raise click.BadParameter(f'found no stage "{name}", allowed: {known}', param_hint="NAME")
    _request(config, SetStage(name=name, instead_of=settings.chamber.stage))


@click.command()
@CONFIG
@click.option("--for", "for_text", default="15 min", show_default=True, help="How long.")
def pause(config: Path, for_text: str) -> None:
    """Stop pump and fan while hands are in the chamber. Ends by itself."""
    try:
        for_s = parse_duration(for_text)
    except ValueError as error:
        raise click.BadParameter(f'found "{for_text}", {error}', param_hint="--for") from None
    if not 0 < for_s <= LONGEST_PAUSE_S:
        raise click.BadParameter(
            f"found {for_text}, allowed: up to {LONGEST_PAUSE_S / 3600:g} h, so that a forgotten "
            "pause cannot cost the crop",
            param_hint="--for",
        )
    _request(config, Pause(for_s=for_s))


@click.command()
@CONFIG
def resume(config: Path) -> None:
    """End a pause."""
    _request(config, Resume())


@click.command()
@click.argument("words", nargs=-1, metavar="[CONFIG] [ALARM]")
def ack(words: tuple[str, ...]) -> None:
    """Mark ALARM, or every active alarm, as seen. It stays until it clears."""
    names = [name.value for name in AlarmName]
    alarm = words[-1] if words and words[-1] in names else None
    if alarm is None and len(words) > 1:
        raise click.UsageError(f'found no alarm "{words[1]}", allowed: {", ".join(names)}')
    chamber = words[:-1] if alarm else words
    config = config_and_rest(chamber, most=0)[0] if chamber else only_instance()
    _request(config, Acknowledge(alarm=alarm))


@click.command()
@CONFIG
def reset(config: Path) -> None:
    """End a lockout, once the loop has been checked. Failed tries are forgotten."""
    _request(config, Reset())


def _request(config: Path, payload: Payload, *, kept: str = "") -> None:
    """Write the request, and wait a few ticks for its answer where the service is running."""
    place = state_directory(config)
    path = place / REQUESTS
    try:
        number = ask_now(path, payload, who=who_asks())
        tick_s = _running_tick_s(place)
        if tick_s is None:
            later = kept or "It will be looked at when the service starts, if it still makes sense."
            click.echo(f"The service is not running. {later}")
            return
        ends = time.monotonic() + PATIENCE_TICKS * tick_s + 2.0
        while time.monotonic() < ends:
            answered = answer_to(path, number)
            if answered is not None:
                click.echo(f"{kind_of(payload).value}: {answered}")
                return
            time.sleep(0.1)
    except OSError as error:
        raise SettingsError(
            str(config),
            (f"the request cannot be written: {error}; run it as the service's user or as root",),
        ) from None
    click.echo("The service has not answered yet; the request waits for it.")


def _running_tick_s(place: Path) -> float | None:
    status = read_status(runtime_directory(place) / STATUS)
    if status is None or is_silent(status, boot_id=boot_id(), boottime_s=boottime()):
        return None
    return status.tick_s


def who_asks() -> str:
    """Return the name of the person at the shell."""
    try:
        return os.environ.get("SUDO_USER") or getpass.getuser()
    except (KeyError, OSError):
        return f"uid {os.getuid()}"
