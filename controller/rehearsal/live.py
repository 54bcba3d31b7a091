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


def open_live_chamber(settings: Settings, outputs: OutputBank) -> SampleSource:
    """Return the probes of a chamber that follows the outputs as time really passes."""
    zone = settings.site.zone()
    room = settings.plant_spec().room

    def hour_now() -> float:
        return hour_of(datetime.now(zone).time())

    def room_now(_instant: float) -> float:
        return daily_room_c(room, hour_now())

    lights = lights_to_plan_by(settings)

    def lights_now(_instant: float) -> bool:
        return lights.on(hour_now())

    return PlantProbes(
        build_chamber(settings, room_now(0.0)),
        probes=tuple(settings.probes.fitted()),
        simulation=settings.simulation,
        every_s=settings.readings.every,
        running=lambda: (outputs.is_on("pump"), outputs.is_on("fan")),
        room_at=room_now,
        lights_at=lights_now,
        now=time.monotonic(),
        seed=settings.simulation.seed,
    )
