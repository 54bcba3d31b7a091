"""``coldpin export``: the records as a CSV file for other tools, which can be played back."""

from __future__ import annotations

import csv
from collections import deque
from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import groupby
from operator import itemgetter
from pathlib import Path

import click

from controller.cli.files import OutputFile, reason_of
from controller.cli.instances import CONFIG
from controller.domain.places import records_path, state_directory
from controller.domain.reading_rows import COLUMNS, PROBE_NAMES, cells_of
from controller.errors import RecordError
from controller.pictures.words import counted
from controller.records.reader import RecordedReading, read_readings
from controller.records.requests_file import REQUESTS, swaps
from controller.settings.load import read_settings

FOLLOWS_WITHIN = timedelta(minutes=10)
"""A pack change is written at the next reading if that comes so soon; older readings are kept five
minutes apart."""


@click.command()
@CONFIG
@click.option(
    "--csv",
    "csv_file",
    required=True,
    type=OutputFile(),
    help="The file to write.",
)
def export(config: Path, csv_file: Path) -> None:
    """Write readings, switching and pack changes to a CSV file."""
    settings = read_settings(config)
    place = state_directory(config)
    zone = settings.site.zone()
    try:
        noted = [(swap.at, swap.packs) for swap in swaps(place / REQUESTS)]
        rows = read_readings(records_path(settings.records.path, place))
        with csv_file.open("w", encoding="utf-8", newline="") as file:
            out = csv.writer(file, lineterminator="\n")
            out.writerow(COLUMNS)
            written = 0
            for at, reading, packs in _with_swaps(rows, noted):
                out.writerow(_cells(at.astimezone(zone), reading, packs or None))
                written += 1
    except OSError as error:
        raise RecordError(f"No export: {reason_of(error)}") from None
    click.echo(f"{counted(written, 'row')} to {csv_file}")


def _cells(at: datetime, reading: RecordedReading | None, packs: int | None) -> tuple[str, ...]:
    if reading is None:
        return cells_of(at, milliseconds=True, swap_packs=packs)
    return cells_of(
        at,
        milliseconds=True,
        readings_mc={name: getattr(reading, f"{name}_mc") for name in PROBE_NAMES},
        pump=reading.pump if reading.switches_known else None,
        fan=reading.fan if reading.switches_known else None,
        swap_packs=packs,
    )


def _with_swaps(
    rows: Iterator[RecordedReading], noted: list[tuple[datetime, int]]
) -> Iterator[tuple[datetime, RecordedReading | None, int]]:
    """Yield each reading with the packs put in just before; a swap that none follows stands alone.

    So it keeps its time where nothing was recorded, in a gap or after the last reading.
    """
    waiting = deque(
        (at, sum(packs for _, packs in same))
        for at, same in groupby(sorted(noted), key=itemgetter(0))
    )
    for reading in rows:
        packs = 0
        while waiting and waiting[0][0] <= reading.at:
            at, put_in = waiting.popleft()
            if reading.at - at > FOLLOWS_WITHIN:
                yield at, None, put_in
            else:
                packs += put_in
        yield reading.at, reading, packs
    for at, packs in waiting:
        yield at, None, packs
