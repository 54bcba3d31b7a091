"""Where probes hang, and the layout of their readings in a CSV file that can be played back."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

PROBE_NAMES = ("air", "reservoir", "room", "coil_outlet")
"""Every place a probe can hang, the two compulsory ones first."""
TIME = "time"
SWITCHES = ("pump", "fan")
SWAP_PACKS = "swap_packs"
COLUMNS = (TIME, *(f"{name}_c" for name in PROBE_NAMES), *SWITCHES, SWAP_PACKS)


def place_words(probe: str) -> str:
    """Return where a probe hangs, as people say it: "coil outlet"."""
    return probe.replace("_", " ")


def cells_of(
    at: datetime,
    *,
    milliseconds: bool = False,
    readings_mc: Mapping[str, int | None] | None = None,
    pump: bool | None = None,
    fan: bool | None = None,
    swap_packs: int | None = None,
) -> tuple[str, ...]:
    """Return the cells of a row, in the order of `COLUMNS`; what is None has an empty one.

    Args:
        at: Aware.
        milliseconds: Whether the time is written to the millisecond; otherwise to the second.
        readings_mc: By probe name [m°C]; a name that is missing has no reading.
        pump: Whether it ran; None: not known.
        fan: Likewise.
        swap_packs: Packs put in at this row.
    """
    readings = readings_mc or {}
    return (
        at.isoformat(timespec="milliseconds" if milliseconds else "seconds"),
        *(_temperature(readings.get(name)) for name in PROBE_NAMES),
        *("" if is_on is None else str(int(is_on)) for is_on in (pump, fan)),
        "" if swap_packs is None else str(swap_packs),
    )


def _temperature(value_mc: int | None) -> str:
    return "" if value_mc is None else f"{value_mc / 1000:g}"
