"""What surrounds the chamber by the time of day: room, lights and band, and when they next change.

Local hours come from one offset to UTC that is looked up once for each hour: daylight saving
changes on whole hours of UTC, and an ordinary conversion at every step would cost more than the
physics.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from controller.core.law import Band
from controller.domain.daytime import hour_of
from controller.foresight.lights import Lights
from controller.rehearsal.room_file import RoomSeries
from controller.rehearsal.simulated_clock import SimulatedClock
from controller.settings.law_of import BandSchedule
from controller.thermal.heat_load import daily_room_c
from controller.thermal.specs import RoomSpec

HOUR_S = 3600.0
DAY_S = 86_400.0


class Surroundings:
    """Room, lights and band at any instant of a run."""

    def __init__(
        self,
        clock: SimulatedClock,
        *,
        room: RoomSpec,
        series: RoomSeries | None,
        warmer_by_k: Sequence[float],
        lights: Lights | None,
        schedule: BandSchedule,
    ) -> None:
        """Join them.

        Args:
            clock: Gives the beginning of the run and its zone.
            room: An ordinary day of the room.
            series: The room from a file, in its place; None: there is none.
            warmer_by_k: How much warmer each day from the first is; the last one goes on.
            lights: When the lights are on; None: never.
            schedule: The bands of the stage.
        """
        self._clock = clock
        self._room = room
        self._series = series
        self._warmer_by_k = tuple(warmer_by_k)
        self._lights = lights
        self._schedule = schedule
        self._begins_utc_s = clock.local_at(clock.origin).timestamp()
        self._offsets_s: dict[int, float] = {}
        marks_h = [] if lights is None else [lights.from_h, lights.to_h]
        if schedule.night is not None:
            marks_h += [hour_of(schedule.night_from), hour_of(schedule.night_to)]
        self._marks_s = tuple(sorted({hour * HOUR_S for hour in marks_h}))
        self._lit, self._lit_from, self._lit_until = False, math.inf, -math.inf
        started = clock.local_at(clock.origin)
        self._since_midnight_s = (started.hour * 60 + started.minute) * 60.0

    def hour(self, instant: float) -> float:
        """Return the local time of day at a monotonic instant [h], 0 to below 24."""
        return self._of_day_s(self._utc_s(instant)) / HOUR_S

    def room_c(self, instant: float) -> float:
        """Return the room at a monotonic instant [°C]."""
        since_s = instant - self._clock.origin
        shift_k = 0.0
        if self._warmer_by_k:
            day = min(int(since_s // DAY_S), len(self._warmer_by_k) - 1)
            shift_k = self._warmer_by_k[day]
        if self._series is not None:
            return self._series.at(self._since_midnight_s + since_s) + shift_k
        return daily_room_c(self._room, self.hour(instant)) + shift_k

    def room_ratio(self, instant: float) -> float | None:
        """Return the humidity ratio of the room's air [kg/kg]; None: the plant's own humidity."""
        if self._series is None:
            return None
        since_s = instant - self._clock.origin
        return self._series.ratio_at(self._since_midnight_s + since_s)

    def lights_on(self, instant: float) -> bool:
        """Return whether the lights are on from a monotonic instant on."""
        if self._lights is None:
            return False
        if not self._lit_from <= instant < self._lit_until:
            self._lit = self._lights.on(self.hour(instant))
            self._lit_from, self._lit_until = instant, self.next_change(instant)
        return self._lit

    def band(self, instant: float) -> Band:
        """Return the band in force from a monotonic instant on."""
        return self._schedule.band_at(self._clock.local_at(instant))

    def next_change(self, instant: float) -> float:
        """Return the next instant at which lights or band may change, after *instant* [s]."""
        utc_s = self._utc_s(instant)
        of_day_s = self._of_day_s(utc_s)
        wait_s = min(
            ((mark_s - of_day_s) % DAY_S or DAY_S for mark_s in self._marks_s), default=DAY_S
        )
        # where the clocks are put forward or back before that, ask again then
        offset_s = self._offset_s(utc_s)
        hour = int(utc_s // HOUR_S) + 1
        while hour * HOUR_S < utc_s + wait_s:
            if self._offset_s(hour * HOUR_S) != offset_s:
                wait_s = hour * HOUR_S - utc_s
                break
            hour += 1
        return instant + wait_s

    def _utc_s(self, instant: float) -> float:
        return self._begins_utc_s + (instant - self._clock.origin)

    def _of_day_s(self, utc_s: float) -> float:
        return (utc_s + self._offset_s(utc_s)) % DAY_S

    def _offset_s(self, utc_s: float) -> float:
        hour = int(utc_s // HOUR_S)
        offset_s = self._offsets_s.get(hour)
        if offset_s is None:
            instant = self._clock.origin + hour * HOUR_S - self._begins_utc_s
            offset = self._clock.local_at(instant).utcoffset()
            assert offset is not None
            offset_s = offset.total_seconds()
            if len(self._offsets_s) > 100:  # a year must not fill the memory
                self._offsets_s.clear()
            self._offsets_s[hour] = offset_s
        return offset_s
