"""From the records to what a fit replays."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from controller.domain.places import records_path
from controller.errors import RecordError
from controller.fit.stretches import Observed, Stretch, stretches_of
from controller.foresight.bins import bins_of
from controller.foresight.swaps import find_swaps
from controller.history.recorded_samples import logged_swaps, sample_of
from controller.records.reader import RecordedReading, read_readings
from controller.records.requests_file import REQUESTS, swaps
from controller.settings.foresight_of import local_hour
from controller.settings.lights_of import lights_of
from controller.settings.load import Settings


def read_stretches(
    settings: Settings, place: Path, *, since: datetime, until: datetime
) -> list[Stretch]:
    """Return what was recorded between two instants, without the holes.

    Args:
        settings: The configuration.
        place: The instance's state directory.
        since: Aware.
        until: Aware.

    Raises:
        OSError: Nothing is recorded, or it cannot be read.
        RecordError: The room was not recorded.
    """
    path = records_path(settings.records.path, place)
    rows = sorted(
        # a mean of five minutes has lost the switches
        (r for r in read_readings(path, since=since, until=until) if r.pump_share is None),
        key=lambda row: row.at,
    )
    lights, zone = lights_of(settings), settings.site.zone()

    def lit(at_s: float) -> bool:
        return lights is not None and lights.on(local_hour(at_s, zone))

    switched = [row for row in rows if row.switches_known]
    if len(rows) > 2 * len(switched):
        raise RecordError(
            "the records do not say when pump and fan ran, and without that nothing tells the coil "
            "from the wall; import a file with the columns pump and fan"
        )
    rows = switched
    seen = [each for row in rows if (each := _seen(row, lit)) is not None]
    if sum(row.room_mc is None for row in rows) > len(seen):
        raise RecordError(
            "the room was not recorded, and without it wall and crop cannot be told apart; "
            "fit a probe in the room ([probes.room]) for a week or more"
        )
    logged = logged_swaps(swaps(place / REQUESTS), until)
    bins = list(bins_of(map(sample_of, rows), until_s=until.timestamp()))
    return list(stretches_of(seen, find_swaps(bins, logged)))


def _seen(row: RecordedReading, lit: Callable[[float], bool]) -> Observed | None:
    if row.air_mc is None or row.reservoir_mc is None or row.room_mc is None:
        return None
    return Observed(
        at_s=row.at.timestamp(),
        air_c=row.air_mc / 1000,
        water_c=row.reservoir_mc / 1000,
        room_c=row.room_mc / 1000,
        pump=row.pump,
        fan=row.fan,
        lights=lit(row.at.timestamp()),
    )
