"""A chamber as the lookout sees it: settings, a state directory and a status file."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from controller.records.boot import boot_id, boottime
from controller.records.snapshot import Snapshot
from controller.records.status_file import STATUS
from controller.settings.load import Settings, read_settings
from controller.settings.shipped import shipped_config

NOW = datetime(2026, 7, 14, 14, 0, tzinfo=UTC)


def settings_with(folder: Path, more: str = "") -> Settings:
    """Return the laptop's settings with more tables."""
    text = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")
    path = folder / "c.toml"
    path.write_text(f"{text}\n{more}", encoding="utf-8")
    return read_settings(path)


def status(**changes: Any) -> dict[str, Any]:
    """Return a status document of a chamber that is well."""
    return {
        "as_of": NOW.isoformat(),
        "boot_id": boot_id(),
        "boottime_s": boottime(),
        "tick_s": 5.0,
        "chamber": "hall shelf",
        "stage": "cropping",
        "phase": "rest",
        "reason": "no call",
        "pump": False,
        "fan": False,
        "cut_in_c": 17.0,
        "cut_out_c": 15.5,
        "probes": {
            "air": {"reading_c": 16.2, "lost": None},
            "reservoir": {"reading_c": 4.4, "lost": None},
        },
        "timers_left": {},
        "alarms": [],
        **changes,
    }


def alarm(name: str, about: str = "", *, acknowledged: bool = False) -> dict[str, Any]:
    """Return an alarm as the status has it."""
    return {"name": name, "about": about, "acknowledged": acknowledged}


def put_status(place: Path, document: dict[str, Any]) -> None:
    """Write what the control process would."""
    (place / STATUS).write_text(json.dumps(document), encoding="utf-8")


def snapshot(
    at: datetime = NOW,
    *,
    silent: bool = False,
    forecast: dict[str, Any] | None = None,
    **changes: Any,
) -> Snapshot:
    """Return a snapshot of a chamber that is well, with changes to its status."""
    return Snapshot(
        taken_utc=at,
        status=status(**changes),
        age_s=400.0 if silent else 2.0,
        silent=silent,
        last_swap=(NOW - timedelta(hours=5), 4),
        forecast=forecast,
    )


def forecast(
    early: datetime, *, swapped: datetime = NOW - timedelta(hours=5), **changes: Any
) -> dict[str, Any]:
    """Return a forecast by its early bound; due an hour later, late two."""
    return {
        "as_of": NOW.isoformat(),
        "swap_due": (early + timedelta(hours=1)).isoformat(),
        "early": early.isoformat(),
        "late": (early + timedelta(hours=2)).isoformat(),
        "reserve_kj": 900.0,
        "reserve_early_kj": 700.0,
        "reserve_late_kj": 1100.0,
        "taken_up_kj": 600.0,
        "cycles_learned": 4,
        "basis": "learned",
        "swapped_at": swapped.isoformat(),
        "swap_logged": True,
        "notes": [],
        "plan": [
            {
                "at": (early - timedelta(minutes=30)).isoformat(),
                "packs": 4,
                "why": "the cold may run out",
                "degree_hours_above": 0.0,
            }
        ],
        "freezer_keeps_up": True,
        "degree_hours_above": 0.0,
        **changes,
    }
