"""A simulated chamber in real time, so that the whole service can be tried on a laptop."""

from __future__ import annotations

import time
from datetime import datetime

from controller.domain.daytime import hour_of
from controller.probes.samples import SampleSource
from controller.rehearsal.plant_probes import PlantProbes
from controller.rehearsal.plants import build_chamber
from controller.service.output_bank import OutputBank
from controller.settings.lights_of import lights_to_plan_by
from controller.settings.load import Settings
from controller.thermal.heat_load import daily_room_c


class HouseNow:
    """The house at this moment by the clock on the wall, whatever instant is asked for."""

    def __init__(self, settings: Settings) -> None:
        """Take the ordinary day of the room, and when the lights are on."""
        self._zone = settings.site.zone()
        self._room = settings.plant_spec().room
        self._lights = lights_to_plan_by(settings)

    def room_c(self, instant: float) -> float:
        """Return the room now [°C]."""
        del instant
        return daily_room_c(self._room, self._hour())

    def room_ratio(self, instant: float) -> float | None:
        """Return None: the room's humidity is the plant's own."""
        del instant
        return None

    def lights_on(self, instant: float) -> bool:
        """Return whether the lights are on now."""
        del instant
        return self._lights.on(self._hour())

    def _hour(self) -> float:
        return hour_of(datetime.now(self._zone).time())


def open_live_chamber(settings: Settings, outputs: OutputBank) -> SampleSource:
    """Return the probes of a chamber that follows the outputs as time really passes."""
    house, now = HouseNow(settings), time.monotonic()
    return PlantProbes(
        build_chamber(settings, house.room_c(now)),
        probes=tuple(settings.probes.fitted()),
        simulation=settings.simulation,
        every_s=settings.readings.every,
        running=lambda: (outputs.is_on("pump"), outputs.is_on("fan")),
        around=house,
        now=now,
        seed=settings.simulation.seed,
    )
