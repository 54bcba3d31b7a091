"""The room around the chamber over a day."""

from __future__ import annotations

from datetime import datetime

from controller.domain.daytime import day_cosine, hour_of
from controller.thermal.specs import RoomSpec


def room_c(room: RoomSpec, local: datetime, shift_k: float = 0.0) -> float:
    """Return the room's temperature at a local time [°C], as `room_at_hour`."""
    return room_at_hour(room, hour_of(local.time()), shift_k)


def room_at_hour(room: RoomSpec, hour: float, shift_k: float = 0.0) -> float:
    """Return the room's temperature [°C]: a cosine between its night and its day.

    Args:
        room: Warmest and coolest of an ordinary day.
        hour: Local time of day [h].
        shift_k: How much warmer than ordinary this day is [K].
    """
    wave = day_cosine(hour)
    return (room.day_c + room.night_c) / 2 + (room.day_c - room.night_c) / 2 * wave + shift_k
