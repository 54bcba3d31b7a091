"""A chamber as the lookout sees it: settings, a state directory and a status file."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from controller.domain.alarms import Alarm
from controller.domain.published_forecast import PlannedChange, PublishedForecast
from controller.domain.requests import LoggedSwap
from controller.domain.status import ProbesStatus, ProbeStatus, Status
from controller.lookout.headline import AlarmLimits
from controller.records.boot import boot_id, boottime
from controller.records.snapshot import Snapshot
from controller.records.status_file import STATUS, write_status
from controller.settings.load import Settings, read_settings
from controller.settings.shipped import shipped_config

NOW = datetime(2026, 7, 14, 14, 0, tzinfo=UTC)
LIMITS = AlarmLimits(
    air_high_c=19.0, air_low_c=12.0, reservoir_warm_c=12.0, reservoir_freezing_c=-0.25, unit="C"
)


def settings_with(folder: Path, more: str = "") -> Settings:
    """Return the laptop's settings with more tables."""
    text = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")
    path = folder / "c.toml"
    path.write_text(f"{text}\n{more}", encoding="utf-8")
    return read_settings(path)


def status(**changes: Any) -> Status:
    """Return the status of a chamber that is well."""
    well = Status(
        as_of=NOW,
        boot_id=boot_id(),
        boottime_s=boottime(),
        tick_s=5.0,
        chamber="hall shelf",
        stage="fruiting",
        phase="rest",
        reason="no call",
        pump=False,
        fan=False,
        cut_in_c=17.0,
        cut_out_c=15.5,
        probes=probes(),
    )
    if "alarms" in changes:
        changes["alarms"] = tuple(changes["alarms"])
    return replace(well, **changes)


def probes(
    air_c: float | None = 16.2, reservoir_c: float | None = 4.4, *, lost: str = "no answer"
) -> ProbesStatus:
    """Return two probes; None: that one is lost."""
    air, reservoir = (
        ProbeStatus(reading_c=value_c, lost=None if value_c is not None else lost)
        for value_c in (air_c, reservoir_c)
    )
    return ProbesStatus(air=air, reservoir=reservoir)


def alarm(name: str, about: str = "", *, acknowledged: bool = False) -> Alarm:
    """Return an alarm as the status has it."""
    return Alarm(name=name, about=about, acknowledged=acknowledged)


def put_status(place: Path, status: Status) -> None:
    """Write what the control process would."""
    write_status(place / STATUS, status)


def snapshot(
    at: datetime = NOW,
    *,
    silent: bool = False,
    forecast: PublishedForecast | None = None,
    **changes: Any,
) -> Snapshot:
    """Return a snapshot of a chamber that is well, with changes to its status."""
    swapped = NOW - timedelta(hours=5)
    return Snapshot(
        at_utc=at,
        status=status(**changes),
        age_s=400.0 if silent else 2.0,
        silent=silent,
        last_swap=LoggedSwap(at=swapped, packs=4, logged_at=swapped, frozen_through=None),
        forecast=forecast,
    )


def forecast(
    early: datetime, *, swapped: datetime = NOW - timedelta(hours=5), **changes: Any
) -> PublishedForecast:
    """Return a forecast by its early bound; due an hour later, late two."""
    learned = PublishedForecast(
        as_of=NOW,
        swap_due=early + timedelta(hours=1),
        early=early,
        late=early + timedelta(hours=2),
        reserve_kj=900.0,
        reserve_early_kj=700.0,
        reserve_late_kj=1100.0,
        taken_up_kj=600.0,
        cycles_learned=4,
        basis="learned",
        swapped_at=swapped,
        swap_logged=True,
        plan=(
            PlannedChange(at=early - timedelta(minutes=30), packs=4, why="the cold may run out"),
        ),
    )
    return replace(learned, **changes)
