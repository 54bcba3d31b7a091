"""A hot spell that happened: of a published weather year, or of a file that the settings name."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path

from controller.planning.build import DAYS, SETTLING_DAYS
from controller.rehearsal.room_file import RoomSeries, room_series, season_series
from controller.settings.load import Settings
from controller.settings.weather_file import COMMON_YEAR, HotWeek, WeatherYear, hottest_days
from controller.thermal.moist_air import pressure_at_altitude_pa, relative_humidity
from controller.thermal.specs import PlantSpec, RoomSpec

DAY_H = 24
HOUR_S, DAY_S = 3600.0, 86_400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedPlant:
    """Equipment in the room where it stands."""

    plant: PlantSpec
    """Its room is a hot day there."""
    room: RoomSeries | None
    """The room over the settling day and the counted ones; None: that hot day, each day."""


def placed_plant(settings: Settings, folder: Path) -> PlacedPlant:
    """Return the equipment of the settings in their room: of a file where they name one.

    Of a longer file the ten days with the warmest room are taken, and the day before them; a
    shorter one is played again.

    Args:
        settings: ``[plant]``, and ``[plant.room] csv`` or ``[simulation] weather``.
        folder: Folder that the file is named relative to.

    Raises:
        SettingsError: The file cannot be used.
        PhysicsError: A figure of the equipment outside its range.
    """
    plant, series = settings.plant_spec(), room_series(settings, folder)
    if series is None:
        return PlacedPlant(plant=plant, room=None)
    room = hot_spell(series)
    day = hottest_day(room, altitude_m=settings.site.altitude_m, rh=plant.room.rh)
    return PlacedPlant(plant=replace(plant, room=day), room=room)


def hot_spell(series: RoomSeries) -> RoomSeries:
    """Return the ten warmest days of a room with the day before; all of a shorter series."""
    settling, counted = round(SETTLING_DAYS), round(DAYS)
    days = int(series.seconds[-1] // DAY_S)
    if days <= settling + counted:
        return series
    mean_c = [
        sum(series.at(day * DAY_S + hour * HOUR_S) for hour in range(DAY_H)) for day in range(days)
    ]
    begins = max(
        range(settling, days - counted + 1), key=lambda day: sum(mean_c[day : day + counted])
    )
    first_s, last_s = (begins - settling) * DAY_S, (begins + counted) * DAY_S
    inside = [n for n, at_s in enumerate(series.seconds) if first_s <= at_s <= last_s]
    return RoomSeries(
        tuple(series.seconds[n] - first_s for n in inside),
        tuple(series.room_c[n] for n in inside),
        tuple(series.ratio[n] for n in inside) if series.ratio else (),
    )


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


def hottest_day(room: RoomSeries, *, altitude_m: float, rh: float | None = None) -> RoomSpec:
    """Return the day of a series in which the room is warmest, by its extremes.

    Args:
        room: From a midnight.
        altitude_m: Height above sea level [m].
        rh: Relative humidity where the series knows none; None: that of the plant's usual room.
    """
    days = max(1, int(room.seconds[-1] // DAY_S))
    # the last hour of a day is the first of the next; of the last day that may be the first of all
    hours = [[(day * DAY_H + hour) * HOUR_S for hour in range(DAY_H)] for day in range(days)]
    day = max(hours, key=lambda each: max(map(room.at, each)))
    day_c = [room.at(at_s) for at_s in day]
    if room.ratio:
        pressure_pa = pressure_at_altitude_pa(altitude_m)
        rhs = [
            relative_humidity(
                air_c=air_c, ratio=room.ratio_at(at_s) or 0.0, pressure_pa=pressure_pa
            )
            for at_s, air_c in zip(day, day_c, strict=True)
        ]
        rh = min(1.0, max(0.0, sum(rhs) / len(rhs)))
    usual = RoomSpec(day_c=max(day_c), night_c=min(day_c))
    return usual if rh is None else replace(usual, rh=rh)
