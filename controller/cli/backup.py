"""``coldpin backup`` and ``coldpin restore``: a dead card costs an evening, not the history."""

from __future__ import annotations

from pathlib import Path

import click

from controller.cli.instances import CONFIG
from controller.commissioning.backup import Target, pack, put_in_place, targets_of, unpacked
from controller.domain.places import state_directory
from controller.errors import ControllerError, SettingsError
from controller.service.locks import lock_instance


@click.command()
@CONFIG
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--with-secrets",
    is_flag=True,
    help="The page's password, the addresses of notices and the broker's password too; keep such a "
    "file to yourself.",
)
def backup(config: Path, file: Path, with_secrets: bool) -> None:
    """Write CONFIG, its records and requests to FILE, while it runs."""
    try:
        parts = pack(config, state_directory(config), file, with_secrets=with_secrets)
    except ControllerError:
        raise
    except OSError as error:
        raise SettingsError(str(config), (f"no backup was made: {error}",)) from None
    click.echo(f"{', '.join(parts)} into {file}")


@click.command()
@CONFIG
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False, exists=True))
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
    try:
        targets = _restored(config, file, replace=replace, dry_run=dry_run, outside=outside)
    except ControllerError:
        raise
    except OSError as error:
        raise SettingsError(str(config), (f"restored in part, or not at all: {error}",)) from None
    if dry_run:
        return
    for target in targets:
        if target.outside:
            click.echo(f"written outside: {target.path}")
    names = ", ".join(target.name for target in targets)
    click.echo(f"{names} from {file}; look at them with coldpin check {config}")


def _restored(
    config: Path, file: Path, *, replace: bool, dry_run: bool, outside: bool
) -> tuple[Target, ...]:
    place = state_directory(config)
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
            f"found {', '.join(strayed)} in the archive's configuration, outside its folders; "
            "allowed: --outside, if you know who made the archive"
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
            ("outside the folders of this chamber", target.outside),
            ("for its owner's eyes only", target.secret),
        )
        if holds
    ]
    return f" ({', '.join(remarks)})" if remarks else ""
