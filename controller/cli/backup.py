"""``coldpin backup`` and ``coldpin restore``: a dead card costs an evening, not the history."""

from __future__ import annotations

import os
from pathlib import Path

import click

from controller.cli.files import OutputFile, reason_of, require_readable
from controller.cli.instances import CONFIG, NEW_CONFIG
from controller.cli.rights import give_to_person
from controller.commissioning.backup import CONFIG as CONFIG_PART
from controller.commissioning.backup import (
    REQUESTS_PART,
    Target,
    pack,
    put_in_place,
    targets_of,
    unpacked,
)
from controller.domain.places import CONFIGURATIONS, RECORDS, STATES, state_directory
from controller.domain.zones import local_time
from controller.errors import ControllerError, RecordError, SettingsError
from controller.pictures.words import dated
from controller.records.reader import last_reading_at
from controller.service.locks import lock_instance
from controller.settings.brief import zone_named_in


@click.command()
@CONFIG
@click.argument("file", type=OutputFile())
@click.option(
    "--with-secrets",
    is_flag=True,
    help="Include the page's password, the addresses of notices and the broker's password; keep "
    "such a file to yourself.",
)
def backup(config: Path, file: Path, with_secrets: bool) -> None:
    """Write CONFIG, its records and requests to FILE, while it runs."""
    try:
        parts = pack(config, state_directory(config), file, with_secrets=with_secrets)
        give_to_person(file)
    except ControllerError:
        raise
    except OSError as error:
        raise RecordError(f"No backup was made: {reason_of(error)}") from None
    click.echo(f"{', '.join(parts)} into {file}")


@click.command()
@NEW_CONFIG
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--replace", is_flag=True, help="Replace the files that are there.")
@click.option("--dry-run", is_flag=True, help="Check FILE and list what would be written; no more.")
@click.option(
    "--outside",
    is_flag=True,
    help="Also write where the configuration in FILE names a place outside the folders of CONFIG "
    "and of its records. Look at --dry-run first.",
)
def restore(config: Path, file: Path, replace: bool, dry_run: bool, outside: bool) -> None:
    """Put the backup FILE in place of CONFIG, which must be stopped."""
    require_readable(file)
    try:
        targets = _restored(config, file, replace=replace, dry_run=dry_run, outside=outside)
    except ControllerError:
        raise
    except OSError as error:
        raise RecordError(f"Restored in part, or not at all: {reason_of(error)}") from None
    if dry_run:
        return
    for target in targets:
        if target.outside:
            click.echo(f"written outside: {target.path}")
    click.echo(_restored_words(config, targets))


def _restored_words(config: Path, targets: tuple[Target, ...]) -> str:
    """Say what was restored, where, up to when, and how to see it."""
    by_name = {target.name: target.path for target in targets}
    what = [f"the configuration to {config}"]
    if (records := by_name.get(RECORDS)) is not None:
        until = last_reading_at(records)
        upto = ", without readings"
        if until is not None:
            upto = f" up to {dated(local_time(until, zone_named_in(config)))}"
        what.append(f"the records{upto} to {records}")
    if (requests := by_name.get(REQUESTS_PART)) is not None:
        what.append(f"pack changes and other requests to {requests}")
    others = [name for name in by_name if name not in {CONFIG_PART, RECORDS, REQUESTS_PART}]
    what += [f"{name} to {by_name[name]}" for name in others]
    chamber = config.stem if config.absolute().parent == CONFIGURATIONS else str(config)
    start = f"; to start it: sudo systemctl enable --now coldpin@{config.stem}"
    return (
        f"Restored {'; '.join(what)}.\nTo see it: coldpin check {chamber}, coldpin report {chamber}"
        + (start if chamber == config.stem else "")
    )


def _require_installed(config: Path, place: Path) -> None:
    """Refuse a restore by root whose files the service could not read.

    Raises:
        SettingsError: The service's folder is root's.
    """
    installed = config.absolute().parent == CONFIGURATIONS or place.is_relative_to(STATES)
    if os.geteuid() == 0 and installed and place.stat().st_uid == 0:
        why = (
            f"{place} belongs to root, so the service could not read what is restored: run "
            "sudo systemd/install (or sudo coldpin install) first, which gives it its owner"
        )
        raise SettingsError(str(config), (why,))


def _restored(
    config: Path, file: Path, *, replace: bool, dry_run: bool, outside: bool
) -> tuple[Target, ...]:
    place = state_directory(config)
    _require_installed(config, place)
    with unpacked(file, place) as archive:
        targets = targets_of(archive, config, place)
        if dry_run:
            click.echo(f"{file}: backup of {archive.chamber}, made {archive.made}")
            for target in targets:
                click.echo(f"  {target.path}{_remarks(target)}")
            click.echo("Nothing was written.")
            return targets
        if problems := _problems(targets, replace=replace, outside=outside):
            raise SettingsError(str(config), problems)
        with lock_instance(place):
            put_in_place(targets, place)
    return targets


def _problems(targets: tuple[Target, ...], *, replace: bool, outside: bool) -> tuple[str, ...]:
    problems = []
    strayed = [str(target.path) for target in targets if target.outside]
    if strayed and not outside:
        problems.append(
            f"found {', '.join(strayed)} in the archive's configuration, outside the folders of "
            "this chamber or not its file; allowed: --outside, if you know who made the archive"
        )
    present = [str(target.path) for target in targets if target.path.exists()]
    if present and not replace:
        problems.append(f"found {', '.join(present)}, which would be lost; allowed: --replace")
    return tuple(problems)


def _remarks(target: Target) -> str:
    remarks = [
        remark
        for remark, holds in (
            ("replaces the file there", target.path.exists()),
            ("outside the folders of this chamber, or not its file", target.outside),
            ("for its owner's eyes only", target.secret),
        )
        if holds
    ]
    return f" ({', '.join(remarks)})" if remarks else ""
