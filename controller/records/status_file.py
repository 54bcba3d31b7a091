"""How the chamber is, in a file that other processes read; written each tick, never waited for.

It lies in the runtime directory, in memory and not on the card, where there is one. Its age is
judged on the boot-time clock, so that a wall clock that jumps makes nothing look fresh or stale.
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from controller.core.law import Law
from controller.core.state import Inputs, State
from controller.domain.temperatures import Reading, Seen

STATUS = "status.json"
PROBE_STUCK, SUPPLY_FAILS = "probe_stuck", "supply_fails"
RUNTIME = Path("/run/coldpin")
"""Where systemd puts the runtime directories of the instances."""
SILENT_AFTER_TICKS = 3
SILENT_SLACK_S = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """When a status was taken, on every clock that matters."""

    now: float
    """Clock of the control law [s]."""
    local: datetime
    boot_id: str | None
    boottime_s: float


def runtime_directory(state: Path) -> Path:
    """Return where the status file of an instance lies.

    Args:
        state: The instance's state directory, used where there is no runtime directory.
    """
    given = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
    if given:
        return Path(given)
    under_systemd = RUNTIME / state.name
    return under_systemd if under_systemd.is_dir() else state


def status_document(
    state: State,
    inputs: Inputs,
    law: Law,
    moment: Moment,
    *,
    chamber: str,
    stage: str,
    tick_s: float,
    figures: dict[str, Any] | None = None,
    stuck: Sequence[str] = (),
    supply_fails: bool = False,
) -> dict[str, Any]:
    """Return the status as one JSON-able document.

    Args:
        state: Of the control law.
        inputs: What it was last decided from.
        law: In force.
        moment: When.
        chamber: Its name.
        stage: In force.
        tick_s: Time between two ticks [s].
        figures: For monitoring systems.
        stuck: Probes that stand still on a moving plant; told as an alarm of its own, which the
            law does not know: nothing is decided by it.
        supply_fails: Whether the power failed at one start of the pump after another.
    """
    cooling, band, timing = state.cooling, inputs.band, law.timing
    since_s = moment.now - cooling.pump_since
    left = {
        "anti_short_cycle_s": None if cooling.pump else timing.anti_short_cycle_s - since_s,
        "minimum_run_s": timing.minimum_run_s - since_s if cooling.pump else None,
        "pause_s": None if cooling.paused_until is None else cooling.paused_until - moment.now,
    }
    return {
        "as_of": moment.local.isoformat(timespec="seconds"),
        "boot_id": moment.boot_id,
        "boottime_s": round(moment.boottime_s, 3),
        "tick_s": tick_s,
        "chamber": chamber,
        "stage": stage,
        "phase": cooling.phase.value,
        "reason": cooling.reason.value,
        "pump": cooling.pump,
        "fan": cooling.fan,
        "cut_in_c": band.cut_in_mc / 1000,
        "cut_out_c": band.cut_out_mc / 1000,
        "probes": {
            name: _reading(reading)
            for name, reading in (
                ("air", inputs.air),
                ("reservoir", inputs.reservoir),
                ("room", inputs.room),
                ("coil_outlet", inputs.coil_outlet),
            )
            if reading is not None
        },
        "timers_left": {
            name: round(value_s, 1)
            for name, value_s in left.items()
            if value_s is not None and value_s > 0
        },
        "alarms": [
            {"name": alarm.name.value, "about": alarm.about, "acknowledged": alarm.acknowledged}
            for alarm in state.alarms
            if alarm.standing
        ]
        + [{"name": PROBE_STUCK, "about": name, "acknowledged": False} for name in stuck]
        + [{"name": SUPPLY_FAILS, "about": "", "acknowledged": False}] * supply_fails,
        "figures": figures or {},
    }


def write_status(path: Path, document: dict[str, Any]) -> None:
    """Replace the file whole; it need not outlive a power cut.

    Raises:
        OSError: It cannot be written.
    """
    fresh = path.with_name(f"{path.name}.new")
    fresh.write_text(json.dumps(document, ensure_ascii=False), encoding="utf-8")
    fresh.replace(path)


def read_status(path: Path) -> dict[str, Any] | None:
    """Return the document, None where there is none that can be read."""
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return found if isinstance(found, dict) else None


def age_s(document: dict[str, Any], *, boot_id: str | None, boottime_s: float) -> float | None:
    """Return how old a status is [s], None where it is of another boot or tells nothing."""
    taken = document.get("boottime_s")
    if boot_id is None or document.get("boot_id") != boot_id or not isinstance(taken, int | float):
        return None
    return boottime_s - taken


def silent(document: dict[str, Any] | None, *, boot_id: str | None, boottime_s: float) -> bool:
    """Return whether a status is too old to be shown as how things are."""
    if document is None:
        return True
    age = age_s(document, boot_id=boot_id, boottime_s=boottime_s)
    tick_s = document.get("tick_s")
    tick_s = float(tick_s) if isinstance(tick_s, int | float) else 5.0
    return age is None or age > SILENT_AFTER_TICKS * tick_s + SILENT_SLACK_S


def _reading(reading: Reading) -> dict[str, Any]:
    if isinstance(reading, Seen):
        return {"reading_c": reading.value_mc / 1000, "lost": None}
    return {"reading_c": None, "lost": reading.reason}
