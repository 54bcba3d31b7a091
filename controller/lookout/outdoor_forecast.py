"""The weather to come from a file that somebody renews; a bad one costs a note, no forecast."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from controller.errors import SettingsError
from controller.foresight.outdoors import Outdoors
from controller.settings.load import Settings
from controller.settings.temperature_csv import read_temperatures

LONGEST_GAP_S = 6 * 3600.0
"""Weather services give the far end of a forecast every three or six hours [s]."""
LEAST_S = 12 * 3600.0


class WeatherFile:
    """``[site] outdoor_forecast``, read again whenever it has changed."""

    def __init__(self, settings: Settings, folder: Path) -> None:
        """Read nothing yet.

        Args:
            settings: The configuration.
            folder: The configuration's.
        """
        named = settings.site.outdoor_forecast
        self._path = None if named is None else folder / named
        self._house_time_constant_s = float(settings.site.house_time_constant)
        self._stamp: tuple[int, int] | None = None
        self._outdoors: Outdoors | None = None
        self._until_s = 0.0
        self._note = ""

    def outdoors(
        self, hour_at: Callable[[float], float], *, now_s: float
    ) -> tuple[Outdoors | None, tuple[str, ...]]:
        """Return the weather to come, None where there is none, and what is wrong with the file.

        Args:
            hour_at: Local hour at an instant.
            now_s: The instant of the forecast [s since 1970].
        """
        if self._path is None:
            return None, ()
        try:
            info = self._path.stat()
        except OSError as error:
            self._stamp, self._outdoors = None, None
            return None, (f"the outdoor forecast cannot be read: {error}",)
        stamp = info.st_mtime_ns, info.st_size
        if stamp != self._stamp:
            self._stamp = stamp
            self._read(self._path, hour_at)
        if self._outdoors is not None and self._until_s < now_s:
            return None, ("the outdoor forecast ends in the past and is not used",)
        return self._outdoors, (self._note,) if self._note else ()

    def _read(self, path: Path, hour_at: Callable[[float], float]) -> None:
        self._outdoors, self._note = None, ""
        try:
            rows = read_temperatures(
                path, "outdoor_c", longest_gap_s=LONGEST_GAP_S, least_s=LEAST_S
            )
        except SettingsError as error:
            more = f" (and {len(error.problems) - 1} more)" if len(error.problems) > 1 else ""
            self._note = f"the outdoor forecast is not used: {error.problems[0]}{more}"
            return
        series = [(at.timestamp(), outdoor_c) for at, outdoor_c in rows]
        self._until_s = series[-1][0]
        self._outdoors = Outdoors(
            series, house_time_constant_s=self._house_time_constant_s, hour_at=hour_at
        )
