"""The layout of readings in a CSV file; what is written in it can be played back."""

from __future__ import annotations

COLUMNS = (
    "time",
    "air_c",
    "reservoir_c",
    "room_c",
    "coil_outlet_c",
    "pump",
    "fan",
    "swap_packs",
)


def cell(value_mc: int | None) -> str:
    """Return a temperature as a cell [°C], empty for no reading."""
    return "" if value_mc is None else f"{value_mc / 1000:g}"
