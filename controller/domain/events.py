"""What happened, as the records keep it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from enum import Enum

BAND, STAGE, REFUSED = "band", "stage", "refused"
"""Kinds of event that are no decision: the band in force (name: cut-out and cut-in [m°C]), the
stage (name: the stage), and readings that were refused (name: the probe; how many, and why)."""
_POINTS = re.compile(r"(-?\d{1,6}) (-?\d{1,6})", re.ASCII)


class EventKind(Enum):
    """What can happen that is worth keeping."""

    SWITCH = "switch"
    PHASE = "phase"
    TRIP = "trip"
    RAISED = "alarm_raised"
    CLEARED = "alarm_cleared"
    ACKNOWLEDGED = "alarm_acknowledged"


@dataclass(frozen=True, slots=True, kw_only=True)
class BandPoints:
    """The switching points of a band [m°C]."""

    cut_out_mc: int
    cut_in_mc: int

    @property
    def text(self) -> str:
        """As the records keep it, in the place of an event's name."""
        return f"{self.cut_out_mc} {self.cut_in_mc}"


@dataclass(frozen=True, slots=True, kw_only=True)
class InForce:
    """The stage and the switching points of a time."""

    stage: str
    cut_out_mc: int
    """[m°C], as the next."""
    cut_in_mc: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedEvent:
    """An alarm raised or cleared, a trip, a phase, a stage or band put in force."""

    at: datetime
    """Aware, UTC."""
    kind: str
    name: str
    """The load, phase, trip, alarm or stage; of a band its points, for which there is `band`."""
    detail: str

    @property
    def band(self) -> BandPoints | None:
        """The band that was put in force; None where this is no such event."""
        return band_points(self.kind, self.name)


def band_points(kind: str, name: str) -> BandPoints | None:
    """Return the band that an event put in force; None where it is none, or cannot be read."""
    match = _POINTS.fullmatch(name) if kind == BAND else None
    return None if match is None else BandPoints(cut_out_mc=int(match[1]), cut_in_mc=int(match[2]))
