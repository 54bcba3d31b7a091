"""The room around the chamber over a day."""

from __future__ import annotations

import math
from datetime import datetime

from controller.thermal.specs import RoomSpec

WARMEST_HOUR = 16.5
"""Local hour at which a house is warmest; common practice, no source."""


def room_c(room: RoomSpec, local: datetime, shift_k: float = 0.0) -> float:
    """Return the room's temperature [°C]: a cosine between its night and its day.

    Args:
        room: Warmest and coolest of an ordinary day.
        local: Local time.
        shift_k: How much warmer than ordinary this day is [K].
    """
    hour = local.hour + local.minute / 60 + local.second / 3600
    wave = math.cos(2 * math.pi * (hour - WARMEST_HOUR) / 24)
    return (room.day_c + room.night_c) / 2 + (room.day_c - room.night_c) / 2 * wave + shift_k
