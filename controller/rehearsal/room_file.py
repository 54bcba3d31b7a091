"""The room of a rehearsal from a file: a recording of the room, or weather through a simple house.

The house is a first-order lag: its air follows the outdoor air plus a constant gain with one time
constant. Source: the simplest model that hourly data identify (Bacher and Madsen 2011, Energy and
Buildings 43:1511); exact between two rows for outdoor air that goes straight from one to the next.
"""

from __future__ import annotations

import bisect
import math
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path

from controller.errors import SettingsError
from controller.settings.load import Settings
from controller.settings.temperature_csv import Row, read_temperatures
from controller.settings.weather_file import COMMON_YEAR, WeatherYear, hour_of_year
from controller.thermal.moist_air import humidity_ratio, pressure_at_altitude_pa
from controller.thermal.probe import lagged_c

LONGEST_GAP_S = 2 * 3600.0
LEAST_S = 23 * 3600.0


@dataclass(frozen=True, slots=True)
class RoomSeries:
    """Room temperature over whole days, played again from the start when it ends."""

    seconds: tuple[float, ...]
    """Seconds from the first local midnight."""
    room_c: tuple[float, ...]
    ratio: tuple[float, ...] = ()
    """Humidity ratio of the room's air [kg/kg]; empty: not known."""

    def ratio_at(self, since_midnight_s: float) -> float | None:
        """Return the humidity ratio of the room's air [kg/kg], None where it is not known."""
        if not self.ratio:
            return None
        return self._of(self.ratio, since_midnight_s)

    def at(self, since_midnight_s: float) -> float:
        """Return the room [°C], straight between two rows.

        Args:
            since_midnight_s: Seconds from the midnight before the rehearsal [s].
        """
        return self._of(self.room_c, since_midnight_s)

    def _of(self, values: tuple[float, ...], since_midnight_s: float) -> float:
        whole_days_s = max(86_400.0, self.seconds[-1] // 86_400.0 * 86_400.0)
        at = since_midnight_s % whole_days_s
        right = bisect.bisect_right(self.seconds, at)
        if right == 0:
            return values[0]
        if right == len(self.seconds):
            return values[-1]
        before, after = self.seconds[right - 1], self.seconds[right]
        share = (at - before) / (after - before)
        return values[right - 1] + share * (values[right] - values[right - 1])


def room_series(settings: Settings, folder: Path) -> RoomSeries | None:
    """Return the room that the settings name a file for, None where they name none.

    Args:
        settings: ``[plant.room] csv`` or ``[simulation] weather``.
        folder: Folder that the file is named relative to.

    Raises:
        SettingsError: Both are named, or the file cannot be used; says every line that is wrong.
    """
    recorded, weather = settings.plant.room.csv, settings.simulation.weather
    if recorded and weather:
        problem = "plant.room.csv: found a file beside simulation.weather, allowed: one of the two"
        raise SettingsError("room", (problem,))
    if recorded:
        return _series(_rows(folder / recorded, "room_c"))
    if weather:
        return _series(
            _through_house(
                _rows(folder / weather, "outdoor_c"),
                tau_s=settings.site.house_time_constant,
                gain_k=settings.simulation.house_gain / 1000,
            )
        )
    return None


def season_series(settings: Settings, year: WeatherYear, first: date, last: date) -> RoomSeries:
    """Return the room of a house that stands in published weather, from one date to another.

    The house's temperature follows the outdoor air as in a CSV of weather; its air holds as much
    vapour as the air outdoors, since cooking, washing and people in it are not known. Hours are
    those of the file, local standard time; daylight saving is left aside.

    Args:
        settings: ``[site] house_time_constant`` and ``[simulation] house_gain``.
        year: The weather.
        first: First day, a date of `weather_file.COMMON_YEAR`.
        last: Last day, on or after *first*.
    """
    midnight = datetime(COMMON_YEAR, 1, 1, tzinfo=UTC)
    rows = [(midnight, year.outdoor_c[-1])]
    rows += [
        (midnight + timedelta(hours=hour), outdoor_c)
        for hour, outdoor_c in enumerate(year.outdoor_c, start=1)
    ]
    inside = _through_house(
        rows,
        tau_s=settings.site.house_time_constant,
        gain_k=settings.simulation.house_gain / 1000,
    )
    pressure_pa = pressure_at_altitude_pa(settings.site.altitude_m)
    ratios = [
        humidity_ratio(air_c=outdoor_c, rh=rh, pressure_pa=pressure_pa)
        for outdoor_c, rh in zip(year.outdoor_c, year.outdoor_rh, strict=True)
    ]
    ratios = [ratios[-1], *ratios]
    begins, ends = hour_of_year(first), hour_of_year(last) + 24
    return RoomSeries(
        tuple(3600.0 * hour for hour in range(ends - begins + 1)),
        tuple(room_c for _, room_c in inside[begins : ends + 1]),
        tuple(ratios[begins : ends + 1]),
    )


def _series(rows: list[Row]) -> RoomSeries:
    first = rows[0][0]
    midnight = first.replace(hour=0, minute=0, second=0, microsecond=0)
    next_midnight = midnight + timedelta(days=1)
    if first > midnight and rows[-1][0] - next_midnight >= timedelta(days=1):
        midnight = next_midnight  # begin with the first whole day
        rows = [row for row in rows if row[0] >= midnight]
    return RoomSeries(
        tuple((at - midnight).total_seconds() for at, _ in rows), tuple(c for _, c in rows)
    )


def _through_house(rows: list[Row], *, tau_s: float, gain_k: float) -> list[Row]:
    outdoors = [outdoor_c for _, outdoor_c in rows]
    inside_c = math.fsum(outdoors) / len(outdoors)
    inside = [(rows[0][0], inside_c + gain_k)]
    for (before, before_c), (after, after_c) in pairwise(rows):
        inside_c = lagged_c(
            inside_c,
            before_c=before_c,
            after_c=after_c,
            dt_s=(after - before).total_seconds(),
            tau_s=tau_s,
        )
        inside.append((after, inside_c + gain_k))
    return inside


def _rows(path: Path, column: str) -> list[Row]:
    return read_temperatures(path, column, longest_gap_s=LONGEST_GAP_S, least_s=LEAST_S)
