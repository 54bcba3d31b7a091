"""``coldpin import``: a history from a CSV file, put into the records of a stopped instance."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from datetime import tzinfo
from itertools import accumulate
from pathlib import Path

import click

from controller.cli.files import reason_of, require_readable
from controller.cli.instances import CONFIG
from controller.cli.rights import as_owner_of, give_to_owner
from controller.domain.places import records_path, state_directory
from controller.domain.requests import SAME_CHANGE, LoggedSwap
from controller.domain.zones import local_time
from controller.errors import InputFileError, ProbeError, RecordError
from controller.history.importing import (
    add_history,
    keep_without_readings,
    past_imports,
    reading_at,
    take_back,
)
from controller.pictures.words import counted, dated
from controller.probes.recorded import RecordedRow, read_rows
from controller.probes.recorded_check import file_problems
from controller.records.reader import RecordedReading
from controller.records.requests_file import REQUESTS, forget_past_swaps, log_past_swap, swaps
from controller.service.locks import lock_instance
from controller.settings.load import Settings, read_settings

MOST_SHOWN = 20


@click.command("import")
@CONFIG
@click.option(
    "--csv",
    "csv_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The file to read; may be gzipped.",
)
@click.option(
    "--local-times",
    is_flag=True,
    help="Times without an offset are in the zone of [site] time_zone.",
)
@click.option("--undo", is_flag=True, help="Remove the last import from the records.")
def import_(config: Path, csv_file: Path | None, local_times: bool, undo: bool) -> None:
    """Add a CSV file to the records of CONFIG, which must be stopped.

    A bad row is left out, and its line is named. Rows for a time that already has readings are
    left out too: the same file can be imported twice, and a second file fills the gaps of the
    first. A file may lack pump and fan, but the forecast cannot learn from it.
    """
    if undo is (csv_file is not None):
        raise click.UsageError("give --csv FILE to import it, or --undo to take the last one back")
    if csv_file is not None:
        require_readable(csv_file)
    settings = read_settings(config)
    place = state_directory(config)
    with lock_instance(place):
        try:
            if csv_file is None:
                with as_owner_of(place):
                    records = records_path(settings.records.path, place)
                    _undo(records, place / REQUESTS, settings.site.zone())
            else:
                try:
                    _import(settings, place, csv_file, local_times=local_times)
                finally:
                    give_to_owner(place, records_path(settings.records.path, place))
        except ProbeError as error:
            problems = (line.removeprefix(f"{csv_file}: ") for line in str(error).splitlines())
            raise InputFileError(str(csv_file), tuple(problems)) from None
        except OSError as error:
            raise RecordError(f"Nothing was changed: {reason_of(error)}") from None


def _import(settings: Settings, place: Path, csv_file: Path, *, local_times: bool) -> None:
    zone = _zone(settings, csv_file) if local_times else None
    unusable = file_problems(csv_file, zone=zone)
    if unusable:
        raise InputFileError(str(csv_file), unusable)
    problems: list[str] = []
    swapped: list[RecordedRow] = []
    name = f"import-{hashlib.sha256(csv_file.read_bytes()).hexdigest()[:16]}"
    records = records_path(settings.records.path, place)
    result = add_history(
        records,
        _readings(csv_file, problems, swapped, zone),
        name=name,
        chamber=settings.chamber.name,
        source=csv_file.name,
    )
    new = _not_logged_yet(swapped, swaps(place / REQUESTS))
    if new and not result.rows:
        keep_without_readings(
            records, at=new[0].at, name=name, chamber=settings.chamber.name, source=csv_file.name
        )
    for row in new:
        log_past_swap(place / REQUESTS, at=row.at, packs=row.swap_packs or 0, who=name)
    for problem in problems[:MOST_SHOWN]:
        click.echo(problem, err=True)
    if len(problems) > MOST_SHOWN:
        click.echo(f"… and {len(problems) - MOST_SHOWN} more rows left out", err=True)
    click.echo(
        f"{counted(result.rows, 'row')} and {counted(len(new), 'pack change')} from {csv_file}; "
        f"{counted(len(problems), 'bad row')} left out, {result.covered} already there"
    )
    if result.without_switches:
        click.echo(
            f"{counted(result.without_switches, 'row')} without pump and fan: what ran then is "
            "not known, so forecast and fit cannot learn from that time."
        )


def _undo(records: Path, requests: Path, zone: tzinfo | None) -> None:
    imports = past_imports(records)
    if not imports:
        raise RecordError("There is no import to take back.")
    last = imports[-1]
    rows = take_back(records, last.name)
    logged = forget_past_swaps(requests, who=last.name)
    click.echo(
        f"Taken back: {counted(rows, 'row')} and {counted(logged, 'pack change')} "
        f"from {last.source or last.name}, imported {dated(local_time(last.imported, zone))}"
    )


def _zone(settings: Settings, csv_file: Path) -> tzinfo:
    zone = settings.site.zone()
    if zone is None:
        raise InputFileError(
            str(csv_file),
            ("--local-times needs the zone of the chamber: set [site] time_zone",),
        )
    return zone


def _readings(
    path: Path, problems: list[str], swapped: list[RecordedRow], zone: tzinfo | None
) -> Iterator[RecordedReading]:
    for row in read_rows(path, on_problem=problems.append, zone=zone):
        if row.swap_packs:
            swapped.append(row)
        celsius = (row.air_c, row.reservoir_c, row.room_c, row.coil_outlet_c)
        if any(value is not None for value in celsius) or row.pump is not None:
            yield reading_at(row.at, celsius, pump=row.pump, fan=row.fan)


def _not_logged_yet(
    swapped: Sequence[RecordedRow], logged: Sequence[LoggedSwap]
) -> list[RecordedRow]:
    """Return the rows with a pack change that nobody has logged.

    An export puts what was logged since the row before into one row, a little later than it was:
    what was logged about then is the same, one change of it or the nearest together.
    """

    def is_known(row: RecordedRow) -> bool:
        about_then = sorted((abs(swap.at - row.at), swap.packs) for swap in logged)
        packs = [packs for apart, packs in about_then if apart <= SAME_CHANGE]
        return row.swap_packs in {*packs, *accumulate(packs)}

    return [row for row in swapped if not is_known(row)]
