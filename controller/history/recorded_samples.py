"""What was recorded, as the forecast and the fit take it."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from controller.domain.requests import LoggedSwap
from controller.foresight.bins import RecordedSample
from controller.foresight.swaps import Logged
from controller.records.reader import RecordedReading


def sample_of(row: RecordedReading) -> RecordedSample:
    """Return a recorded reading as the forecast sees it."""
    return RecordedSample(
        row.at.timestamp(),
        _celsius(row.air_mc),
        _celsius(row.reservoir_mc),
        _celsius(row.room_mc),
        (row.pump and row.fan) if row.switches_known else None,
    )


def logged_swaps(noted: Iterable[LoggedSwap], as_of: datetime) -> list[Logged]:
    """Return the swaps that had been noted by an instant."""
    return [
        Logged(at_s=swap.at.timestamp(), packs=swap.packs, through=swap.frozen_through)
        for swap in noted
        if swap.logged_at <= as_of
    ]


def _celsius(value_mc: int | None) -> float | None:
    return None if value_mc is None else value_mc / 1000
