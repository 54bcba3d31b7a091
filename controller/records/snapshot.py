"""How the chamber is at one moment, as far as another process can see it."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from controller.domain.places import runtime_directory
from controller.domain.published_forecast import PublishedForecast
from controller.domain.requests import LoggedSwap, Request
from controller.domain.status import Status
from controller.records.boot import boot_id, boottime
from controller.records.requests_file import REQUESTS, asked_since, last_swap
from controller.records.status_file import STATUS, is_silent, read_status

RECENT = timedelta(days=1)
"""How far back what people asked for is of interest: who paused it, who has seen an alarm."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """What page, notices, metrics and messages are made from."""

    at_utc: datetime
    status: Status | None
    """The newest, also where it is old; None where there is none."""
    age_s: float | None
    """Age of the status [s]; None where it cannot be known."""
    silent: bool
    """The control process has written nothing for too long: the status is not how things are."""
    last_swap: LoggedSwap | None
    """The newest swap that was logged, by when the packs went in."""
    forecast: PublishedForecast | None
    """The newest; None until there is one."""
    requests: tuple[Request, ...] = ()
    """What people asked for within `RECENT`, oldest first."""


def take_snapshot(
    place: Path, *, at_utc: datetime, forecast: PublishedForecast | None = None
) -> Snapshot:
    """Look at an instance; never raises for what it finds there.

    Args:
        place: The instance's state directory.
        at_utc: Now, aware.
        forecast: The newest forecast.
    """
    boot, boottime_s = boot_id(), boottime()
    status = read_status(runtime_directory(place) / STATUS)
    swap: LoggedSwap | None = None
    requests: tuple[Request, ...] = ()
    with suppress(OSError):
        swap = last_swap(place / REQUESTS)
        requests = tuple(asked_since(place / REQUESTS, at_utc - RECENT))
    return Snapshot(
        at_utc=at_utc,
        status=status,
        age_s=None if status is None else status.age_s(boot_id=boot, boottime_s=boottime_s),
        silent=is_silent(status, boot_id=boot, boottime_s=boottime_s),
        last_swap=swap,
        forecast=forecast,
        requests=requests,
    )
