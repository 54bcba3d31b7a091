"""``coldpin import``: a history from a CSV file, put into the records of a stopped instance."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

import click

from controller.cli.instances import CONFIG
from controller.cli.requests import who_asks
from controller.domain.places import records_path, state_directory
from controller.errors import InputFileError, ProbeError, SettingsError
from controller.history.importing import add_history, reading_at
from controller.probes.recorded import RecordedRow, read_rows
from controller.records.reader import RecordedReading
from controller.records.requests import REQUESTS, log_past_swap, swaps
from controller.service.locks import lock_instance
from controller.settings.load import read_settings

MOST_TOLD = 20


@click.command("import")
@CONFIG
@click.option(
    "--csv",
    "csv_file",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False, exists=True),
    help="What to read, gzip too.",
)
def import_(config: Path, csv_file: Path) -> None:
    """Add a CSV file to the records of CONFIG, which must be stopped.

    A bad row is named by its line and left out; rows of a time that the records tell of already
    are left out too, so that the same file can be given twice.
    """
    settings = read_settings(config)
    place = state_directory(config)
    problems: list[str] = []
    swapped: list[RecordedRow] = []
    with lock_instance(place):
        try:
            taken = add_history(
                records_path(settings.records.path, place),
                _readings(csv_file, problems, swapped),
                name=f"import-{hashlib.sha256(csv_file.read_bytes()).hexdigest()[:16]}",
                chamber=settings.chamber.name,
            )
            noted = _note_swaps(place / REQUESTS, swapped)
        except ProbeError as error:
            raise InputFileError(str(csv_file), tuple(str(error).splitlines())) from None
        except OSError as error:
            raise SettingsError(str(config), (f"nothing was imported: {error}",)) from None
    for problem in problems[:MOST_TOLD]:
        click.echo(problem, err=True)
    if len(problems) > MOST_TOLD:
        click.echo(f"… and {len(problems) - MOST_TOLD} more rows left out", err=True)
    click.echo(
        f"{taken.rows} rows and {noted} swaps from {csv_file}; {len(problems)} bad rows left out, "
        f"{taken.covered} already there"
    )


def _readings(
    path: Path, problems: list[str], swapped: list[RecordedRow]
) -> Iterator[RecordedReading]:
    for row in read_rows(path, on_problem=problems.append):
        if row.swap_packs:
            swapped.append(row)
        celsius = (row.air_c, row.reservoir_c, row.room_c, row.coil_outlet_c)
        if any(value is not None for value in celsius) or row.pump is not None:
            yield reading_at(row.at, celsius, pump=bool(row.pump), fan=bool(row.fan))


def _note_swaps(path: Path, swapped: list[RecordedRow]) -> int:
    """Note the swaps that are not noted yet, and return how many."""
    known = {(swap.at, swap.packs) for swap in swaps(path)}
    noted = 0
    for row in swapped:
        packs = row.swap_packs or 0
        if (row.at, packs) not in known:
            log_past_swap(path, at=row.at, packs=packs, who=who_asks())
            noted += 1
    return noted
