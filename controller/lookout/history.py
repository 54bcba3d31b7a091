"""What the page's figure shows: readings, swaps and alarms of a span."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta, tzinfo
from enum import Enum
from pathlib import Path

from controller.core.state import EventKind
from controller.lookout.snapshot import Snapshot
from controller.pictures.figures import History, Moment
from controller.records.reader import RecordedReading, read_events, read_readings
from controller.records.requests import swaps


class Span(Enum):
    """How far back a figure goes."""

    DAY = "day"
    WEEK = "week"
    CROP = "crop"

    @property
    def length(self) -> timedelta:
        """How far."""
        return timedelta(days={"day": 1, "week": 7, "crop": 90}[self.value])

    @property
    def words(self) -> str:
        """What the page calls it."""
        return {"day": "last day", "week": "last week", "crop": "crop, 90 days"}[self.value]


def history_of(
    records: Path, requests: Path, *, snapshot: Snapshot, span: Span, unit: str, zone: tzinfo | None
) -> History:
    """Return what a figure shows; what cannot be read is left out.

    Args:
        records: The records database.
        requests: The requests file.
        snapshot: How the chamber is now.
        span: How far back.
        unit: ``C`` or ``F``.
        zone: The chamber's zone.
    """
    since = snapshot.taken_utc - span.length
    try:
        moments = moments_of(read_readings(records, since=since))
        raised = [
            event
            for event in read_events(records, since=since)
            if event.kind == EventKind.RAISED.value
        ]
    except OSError:
        moments, raised = [], []
    try:
        noted = [swap for swap in swaps(requests) if swap.at >= since]
    except OSError:
        noted = []
    status = snapshot.status or {}
    band = None
    if "cut_in_c" in status:
        band = (float(status["cut_out_c"]), float(status["cut_in_c"]))
    return History(
        moments=moments,
        band_c=band,
        swaps=[(swap.at.timestamp(), f"{swap.packs} packs") for swap in noted],
        alarms=[(event.at.timestamp(), event.name.replace("_", " ")) for event in raised],
        due_s=_due(snapshot),
        unit=unit,
        zone=zone,
    )


def moments_of(rows: Iterable[RecordedReading]) -> list[Moment]:
    """Return recorded readings as a figure shows them, five minutes as their lowest and highest."""
    moments: list[Moment] = []
    for row in rows:
        if row.air_min_mc is None or row.air_max_mc is None:
            moments.append(_moment(row, row.air_mc, 0.0))
        else:
            moments.append(_moment(row, row.air_min_mc, -60.0))
            moments.append(_moment(row, row.air_max_mc, 60.0))
    return moments


def _moment(row: RecordedReading, air_mc: int | None, shift_s: float) -> Moment:
    air, reservoir, room, outlet = (
        None if value is None else value / 1000
        for value in (air_mc, row.reservoir_mc, row.room_mc, row.coil_outlet_mc)
    )
    return Moment(
        at_s=row.at.timestamp() + shift_s,
        air_c=air,
        reservoir_c=reservoir,
        room_c=room,
        coil_outlet_c=outlet,
        pump=row.pump,
        fan=row.fan,
    )


def _due(snapshot: Snapshot) -> tuple[float, float, float] | None:
    forecast = snapshot.forecast
    if forecast is None:
        return None
    texts = [forecast[key] for key in ("early", "swap_due", "late")]
    if None in texts:
        return None
    early, due, late = (datetime.fromisoformat(text).timestamp() for text in texts)
    return early, due, late
