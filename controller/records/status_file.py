"""How the chamber is, in a file that other processes read; written each tick, never waited for.

It lies in the runtime directory, in memory and not on the card, where there is one. Its age is
judged on the boot-time clock, so that a wall clock that jumps makes nothing look fresh or stale.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from controller.domain.alarms import Alarm, AlarmName
from controller.domain.status import (
    STATUS_CODEC,
    LoopFigures,
    ProbesStatus,
    ProbeStatus,
    Status,
    TimersLeft,
)
from controller.domain.temperatures import Reading, Seen

if TYPE_CHECKING:  # whoever only reads the file needs no control law
    from controller.core.law import Law, Timing
    from controller.core.state import Cooling, Inputs, State

STATUS = "status.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Clocks:
    """One instant on every clock that matters to a status."""

    now: float
    """Clock of the control law [s]."""
    local: datetime
    boot_id: str | None
    boottime_s: float


def status_of(
    state: State,
    inputs: Inputs,
    law: Law,
    clocks: Clocks,
    *,
    chamber: str,
    stage: str,
    tick_s: float,
    figures: LoopFigures | None = None,
    stuck: Sequence[str] = (),
    supply_fails: bool = False,
    ids: Mapping[str, str] | None = None,
    stranger: str = "",
    notes: Sequence[str] = (),
) -> Status:
    """Return how the chamber is.

    Args:
        state: Of the control law.
        inputs: What it was last decided from.
        law: In force.
        clocks: When.
        chamber: Its name.
        stage: In force.
        tick_s: Time between two ticks [s].
        figures: For monitoring systems.
        stuck: Probes that stand still while the chamber changes; an alarm of its own, which the
            law does not know: nothing is decided by it.
        supply_fails: Whether the power failed at one start of the pump after another.
        ids: Ids of the probes on the bus, by the name of the probe.
        stranger: What is known of a probe on the bus that belongs to no place of this chamber;
            the note of an alarm that a probe is lost.
        notes: What a person should know beside the alarms.
    """
    cooling, band = state.cooling, inputs.band
    return Status(
        as_of=clocks.local.replace(microsecond=0),
        boot_id=clocks.boot_id,
        boottime_s=round(clocks.boottime_s, 3),
        tick_s=tick_s,
        chamber=chamber,
        stage=stage,
        phase=cooling.phase.value,
        reason=cooling.reason.value,
        pump=cooling.pump,
        fan=cooling.fan,
        cut_in_c=band.cut_in_mc / 1000,
        cut_out_c=band.cut_out_mc / 1000,
        probes=_probes(inputs, ids or {}),
        timers_left=_timers_left(state.cooling, law.timing, clocks.now),
        alarms=(
            *_active_alarms(state, stranger),
            *(Alarm(name=AlarmName.PROBE_STUCK.value, about=name) for name in stuck),
            *((Alarm(name=AlarmName.SUPPLY_FAILS.value),) if supply_fails else ()),
        ),
        figures=figures or LoopFigures(),
        notes=tuple(notes),
    )


def _probes(inputs: Inputs, ids: Mapping[str, str]) -> ProbesStatus:
    return ProbesStatus(
        air=_probe(inputs.air, ids.get("air")),
        reservoir=_probe(inputs.reservoir, ids.get("reservoir")),
        room=_probe(inputs.room, ids.get("room")),
        coil_outlet=_probe(inputs.coil_outlet, ids.get("coil_outlet")),
    )


def _timers_left(cooling: Cooling, timing: Timing, now: float) -> TimersLeft:
    since_s = now - cooling.pump_since
    paused_until = cooling.paused_until
    return TimersLeft(
        anti_short_cycle_s=None if cooling.pump else _left(timing.anti_short_cycle_s - since_s),
        minimum_run_s=_left(timing.minimum_run_s - since_s) if cooling.pump else None,
        pause_s=None if paused_until is None else _left(paused_until - now),
    )


def _active_alarms(state: State, stranger: str) -> list[Alarm]:
    return [
        Alarm(
            name=alarm.name.value,
            about=alarm.about,
            acknowledged=alarm.acknowledged,
            note=stranger if alarm.name is AlarmName.PROBE_LOST else "",
        )
        for alarm in state.alarms
        if alarm.standing
    ]


def write_status(path: Path, status: Status) -> None:
    """Replace the file whole; it need not outlive a power cut.

    Raises:
        OSError: It cannot be written.
    """
    fresh = path.with_name(f"{path.name}.new")
    fresh.write_text(STATUS_CODEC.text(status), encoding="utf-8")
    fresh.replace(path)


def read_status(path: Path) -> Status | None:
    """Return the status, None where there is none that this release can read."""
    try:
        return STATUS_CODEC.read(path.read_bytes())
    except (OSError, ValueError):
        return None


def is_silent(status: Status | None, *, boot_id: str | None, boottime_s: float) -> bool:
    """Return whether there is no status that is fresh enough to say how things are.

    Args:
        status: The newest one, None: there is none.
        boot_id: This boot, None: not known.
        boottime_s: Boot-time clock now [s].
    """
    return status is None or status.is_stale(boot_id=boot_id, boottime_s=boottime_s)


def _left(left_s: float) -> float | None:
    return round(left_s, 1) if left_s > 0 else None


def _probe(reading: Reading | None, probe_id: str | None) -> ProbeStatus | None:
    if reading is None:
        return None
    if isinstance(reading, Seen):
        return ProbeStatus(reading_c=reading.value_mc / 1000, lost=None, id=probe_id)
    return ProbeStatus(reading_c=None, lost=reading.reason, id=probe_id)
