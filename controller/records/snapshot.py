"""How the chamber is at one moment, as far as another process can see it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from controller.records.boot import boot_id, boottime
from controller.records.requests import REQUESTS, swaps
from controller.records.status_file import STATUS, age_s, read_status, runtime_directory, silent


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """What page, notices, metrics and messages are made from."""

    taken_utc: datetime
    status: dict[str, Any] | None
    """Newest document of `records.status_file`, also where it is old; None where there is none."""
    age_s: float | None
    """Age of that document [s]; None where it cannot be told."""
    silent: bool
    """The control process has not spoken for too long: nothing here is how things are now."""
    last_swap: tuple[datetime, int] | None
    """When packs were put in last, and how many, as far as it was logged."""
    forecast: dict[str, Any] | None
    """Newest document as ``coldpin forecast --json`` prints it; None until there is one."""


def take_snapshot(
    place: Path, *, taken_utc: datetime, forecast: dict[str, Any] | None = None
) -> Snapshot:
    """Look at an instance; never raises for what it finds there.

    Args:
        place: The instance's state directory.
        taken_utc: Now, aware.
        forecast: The newest forecast.
    """
    boot, boottime_s = boot_id(), boottime()
    status = read_status(runtime_directory(place) / STATUS)
    try:
        logged = [(swap.at, swap.packs) for swap in swaps(place / REQUESTS)]
    except OSError:
        logged = []
    return Snapshot(
        taken_utc=taken_utc,
        status=status,
        age_s=None if status is None else age_s(status, boot_id=boot, boottime_s=boottime_s),
        silent=silent(status, boot_id=boot, boottime_s=boottime_s),
        last_swap=max(logged, default=None),
        forecast=forecast,
    )
