"""One row of what a rehearsal shows."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceRow:
    """What the probes showed at one instant of a rehearsal [m°C], in the layout of a record."""

    time: datetime
    readings_mc: dict[str, int | None]
    pump: bool
    fan: bool
    swap_packs: int | None
