"""What people ask of the control process: swap, stage, pause, resume, ack, reset."""

from __future__ import annotations

import getpass
import os
import time
from datetime import UTC, datetime
from pathlib import Path

import click

from controller.cli.files import reason_of
from controller.cli.instances import CONFIG, config_and_rest, only_instance
from controller.cli.instants import instant
from controller.cli.rights import as_owner_of
from controller.domain.alarms import AlarmName
from controller.domain.places import runtime_directory, state_directory, why_not_allowed
from controller.domain.requests import (
    LONGEST_PAUSE_S,
    SAME_CHANGE,
    SWAP_AHEAD,
    Acknowledge,
    FrozenThrough,
    LoggedSwap,
    LogSwap,
    Pause,
    Payload,
    Reset,
    Resume,
    SetStage,
    Withdraw,
)
from controller.domain.units import parse_duration
from controller.domain.zones import local_time
from controller.errors import (
    ControllerError,
    NoAnswerError,
    NotDoneError,
    RecordError,
    SettingsError,
)
from controller.pictures.request_answers import answer_words
from controller.pictures.words import dated, moment, pack_count
from controller.records.boot import boot_id, boottime
from controller.records.requests_file import REQUESTS, ask, request_of, swaps
from controller.records.requests_place import in_use, why_unseen
from controller.records.status_file import STATUS, is_silent, read_status
from controller.settings.brief import zone_named_in

PATIENCE_TICKS = 3


@click.command()
@CONFIG
@click.option(
    "--packs", type=click.IntRange(1, 1000), help="How many went in; default: a full set."
)
@click.option("--at", "at_text", help="When, ISO 8601; default: now.")
@click.option("--note", help="Anything worth remembering.")
@click.option(
    "--frozen-through",
    type=click.Choice(["yes", "no", "unknown"]),
    help="Were they frozen through? Default: unknown.",
)
@click.option("--undo", is_flag=True, help="Undo the change that was logged last.")
@click.option(
    "--correct",
    is_flag=True,
    help="Correct what the other options name of the change that was logged last.",
)
def swap(
    config: Path,
    packs: int | None,
    at_text: str | None,
    note: str | None,
    frozen_through: str | None,
    undo: bool,
    correct: bool,
) -> None:
    """Log a pack change: spent packs out, frozen ones in.

    A change that is undone or corrected stays in the records; forecast and report leave it out.
    """
    named = any(each is not None for each in (packs, at_text, note, frozen_through))
    if undo and (correct or named):
        raise click.UsageError("found --undo with something else, allowed: --undo alone")
    if correct and not named:
        raise click.UsageError(
            "found --correct alone, allowed: with what is to be corrected: --packs, --at, --note "
            "or --frozen-through"
        )
    zone = zone_named_in(config)
    now = local_time(datetime.now(UTC), zone)
    at = None
    if at_text is not None:
        at = instant(at_text, option="--at", zone=zone).replace(microsecond=0)
    if at is not None and at.astimezone(UTC) - now > SWAP_AHEAD:
        raise click.BadParameter(
            f'found "{at_text}", allowed: up to now, which is {dated(now)}; log a change '
            "when it is done",
            param_hint="--at",
        )
    # the physics takes longer to load than the rest of these commands do, and only a swap needs it
    from controller.settings.pack_counts import read_pack_counts  # noqa: PLC0415

    known = read_pack_counts(config)
    if packs is not None and packs > known.count:
        raise click.BadParameter(
            f"found {packs}, allowed: up to {known.count}, as many as [plant.packs] count says "
            "there are",
            param_hint="--packs",
        )
    wrong = _last_logged(config) if undo or correct else None
    if undo and wrong is not None:
        _request(config, Withdraw(request=wrong.request), done=f"Taken back: {_of(wrong, now)}.")
        return
    if wrong is not None:
        packs, at = packs or wrong.packs, at or wrong.at
        note = wrong.note if note is None else note
        frozen_through = frozen_through or FrozenThrough.of(wrong.frozen_through).value
    payload = LogSwap(
        packs=known.in_reservoir if packs is None else packs,
        at=(now if at is None else at).astimezone(UTC).replace(microsecond=0),
        note=note or "",
        frozen_through=FrozenThrough(frozen_through or "unknown"),
    )
    words = f"{pack_count(payload.packs)} at {moment(payload.at, now, far=False)}"
    near = None if wrong is not None else _logged_near(config, payload.at)
    _request(config, payload, kept=f"Logged all the same: {words}.", instead_of=wrong)
    if near is not None:
        click.echo(
            f"Logged before: {_of(near, now)}. If that is the same change, it counts twice now; to "
            f"take this one back: coldpin swap {config} --undo"
        )


def _logged_near(config: Path, at: datetime) -> LoggedSwap | None:
    """Return a logged change that may be the one of an instant; None where none is, or can be read.

    Args:
        config: The configuration.
        at: When packs were changed, aware.
    """
    try:
        logged = swaps(state_directory(config) / REQUESTS)
    except OSError:
        return None  # the request that follows says what is wrong
    return next((swap for swap in reversed(logged) if abs(swap.at - at) <= SAME_CHANGE), None)


def _last_logged(config: Path) -> LoggedSwap:
    """Return the change that was logged last.

    Raises:
        RecordError: None is logged, or nothing can be read.
    """
    try:
        logged = swaps(state_directory(config) / REQUESTS)
    except OSError as error:
        raise RecordError(f"the logged pack changes cannot be read: {error}") from None
    if not logged:
        raise RecordError("no pack change is logged, so there is none to take back or correct")
    return logged[-1]


def _of(swap: LoggedSwap, now: datetime) -> str:
    by = f", logged by {swap.who}" if swap.who else ""
    return f"{pack_count(swap.packs)} at {moment(swap.at, now, far=False)}{by}"


@click.command()
@click.argument("words", nargs=-1, required=True, metavar="[CONFIG] NAME")
def stage(words: tuple[str, ...]) -> None:
    """Change to the band of the stage NAME."""
    config, (name,) = config_and_rest(words, most=1)
    # so do the models of the settings, which only a stage needs
    from controller.settings.load import read_settings  # noqa: PLC0415

    settings = read_settings(config)
    if name not in settings.stages:
        known = ", ".join(sorted(settings.stages))
        raise click.BadParameter(f'found no stage "{name}", allowed: {known}', param_hint="NAME")
    _request(config, SetStage(name=name, instead_of=settings.chamber.stage))


@click.command()
@CONFIG
@click.option("--for", "for_text", default="15 min", show_default=True, help="How long.")
def pause(config: Path, for_text: str) -> None:
    """Stop pump and fan while hands are in the chamber. The pause ends by itself."""
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
    """Mark ALARM, or every active alarm, as seen.

    This ends its reminders; most alarms stay active until their cause ends.
    """
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
    """End a lockout, once the loop has been checked. Failed tries count from zero again."""
    _request(config, Reset())


def _request(
    config: Path,
    payload: Payload,
    *,
    kept: str = "",
    done: str = "",
    instead_of: LoggedSwap | None = None,
) -> None:
    """Write the request, and wait a few ticks for its answer where the service is running.

    Args:
        config: The configuration.
        payload: What is asked for.
        kept: What holds where the service is not running.
        done: What to say first, once it is written.
        instead_of: A logged change that this one takes the place of.
    """
    if not config.is_file():  # a request for a chamber that nobody controls would wait for ever
        raise SettingsError(str(config), ("found no file; name the configuration of a chamber",))
    place = state_directory(config)
    path = place / REQUESTS
    now = local_time(datetime.now(UTC), zone_named_in(config))
    try:
        with as_owner_of(place):
            wrong = None if instead_of is None else instead_of.request
            number = ask(path, payload, who=who_asks(), instead_of=wrong)
            if instead_of is not None:
                done = f"Corrected: {_of(instead_of, now)}."
            if (why := why_unseen(path, place)) is not None:
                raise RecordError(f"Not done: {why}")
            if done:
                click.echo(done)
                kept = kept or "It counts all the same."
            _wait_for_answer(config, place, number, kept, now)
    except ControllerError:
        raise
    except OSError as error:
        if os.statvfs(place).f_flag & os.ST_RDONLY:
            raise RecordError(
                f"Not done: the card with {place} is read-only, so no request reaches the service. "
                f"To stop pump and fan: sudo systemctl stop coldpin@{config.stem}, or pull their "
                "plug"
            ) from None
        if not os.access(in_use(path).parent, os.W_OK):
            raise RecordError(f"Not done: {why_not_allowed(path)}") from None
        raise RecordError(f"Not done, because it cannot be written: {reason_of(error)}") from None


def _wait_for_answer(config: Path, place: Path, number: int, kept: str, now: datetime) -> None:
    tick_s = _running_tick_s(place)
    if tick_s is None:
        later = kept or "The request waits: it is done when coldpin starts, if it still applies."
        click.echo(f"coldpin is not running on this machine. {later}")
        return
    patience_s = PATIENCE_TICKS * tick_s + 2.0
    ends = time.monotonic() + patience_s
    while time.monotonic() < ends:
        request = request_of(place / REQUESTS, number)
        if request is not None and request.answer is not None:
            words = answer_words(request, now)
            if request.answer.is_refusal:
                raise NotDoneError(words)
            click.echo(words)
            return
        time.sleep(0.1)
    raise NoAnswerError(
        f"The service runs, but has not answered within {patience_s:.0f} s, so do not count on it. "
        f"{kept or 'The request waits.'} Read its log: journalctl -u coldpin@{config.stem} -n 20"
    )


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
