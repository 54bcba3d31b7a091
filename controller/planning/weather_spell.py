"""The hottest days of a published weather year, through the house: a hot spell that happened."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta

from controller.planning.build import DAYS, SETTLING_DAYS
from controller.rehearsal.room_file import RoomSeries, season_series
from controller.settings.load import Settings
from controller.settings.weather_file import COMMON_YEAR, HotWeek, WeatherYear, hottest_days
from controller.thermal.moist_air import pressure_at_altitude_pa, relative_humidity
from controller.thermal.specs import PlantSpec, RoomSpec

DAY_H = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class WeatherSpell:
    """Ten days of a weather year, with the one before them."""

    place: str
    outdoors: HotWeek
    room: RoomSeries
    """From the midnight before the day that is not counted."""
    hottest: RoomSpec
    """The warmest of these days in the room, as the room of the plant gives a day."""

    @property
    def first(self) -> date:
        """The first counted day, of `weather_file.COMMON_YEAR`."""
        return self.outdoors.first

    @property
    def last(self) -> date:
        """The last day."""
        return self.first + timedelta(days=round(DAYS) - 1)

    def plant(self, spec: PlantSpec) -> PlantSpec:
        """Return equipment in this room, for the figures of its warmest hour."""
        return replace(spec, room=self.hottest)


def weather_spell(settings: Settings, year: WeatherYear) -> WeatherSpell:
    """Return the ten days with the warmest outdoor air of a weather year.

    The year does not go round: a spell that begins on 1 January is not found.

    Args:
        settings: The house, its altitude.
        year: The weather.
    """
    settling = timedelta(days=round(SETTLING_DAYS))
    outdoors = hottest_days(
        year, date(COMMON_YEAR, 1, 1) + settling, date(COMMON_YEAR, 12, 31), days=round(DAYS)
    )
    last = outdoors.first + timedelta(days=round(DAYS) - 1)
    room = season_series(settings, year, outdoors.first - settling, last)
    return WeatherSpell(
        place=year.place,
        outdoors=outdoors,
        room=room,
        hottest=hottest_day(room, altitude_m=settings.site.altitude_m),
    )


def hottest_day(room: RoomSeries, *, altitude_m: float) -> RoomSpec:
    """Return the day of a series in which the room is warmest, by its extremes.

    Args:
        room: Hour by hour from a midnight, with the humidity of its air.
        altitude_m: Height above sea level [m].
    """
    begins = range(0, len(room.room_c) - DAY_H, DAY_H)
    at = max(begins, key=lambda hour: max(room.room_c[hour : hour + DAY_H]))
    day_c = room.room_c[at : at + DAY_H + 1]
    pressure_pa = pressure_at_altitude_pa(altitude_m)
    rhs = [
        relative_humidity(air_c=air_c, ratio=ratio, pressure_pa=pressure_pa)
        for air_c, ratio in zip(day_c, room.ratio[at : at + DAY_H + 1], strict=True)
    ]
    return RoomSpec(
        day_c=max(day_c), night_c=min(day_c), rh=min(1.0, max(0.0, sum(rhs) / len(rhs)))
    )
