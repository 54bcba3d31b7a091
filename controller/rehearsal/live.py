"""A simulated chamber in real time, so that the whole service can be tried on a laptop."""

from __future__ import annotations

import time
from datetime import datetime

from controller.domain.daytime import hour_of
from controller.probes.protocol import SampleSource
from controller.rehearsal.plant_probes import PlantProbes
from controller.rehearsal.plants import build_chamber
from controller.rehearsal.room import room_c
from controller.service.output_bank import OutputBank
from controller.settings.foresight_of import lights_to_plan_by
from controller.settings.load import Settings


def open_live_chamber(settings: Settings, outputs: OutputBank) -> SampleSource:
    """Return the probes of a chamber that follows the outputs as time really passes."""
    zone = settings.site.zone()
    room = settings.plant_spec().room

    def room_now(_instant: float) -> float:
        return room_c(room, datetime.now(zone))

    lights = lights_to_plan_by(settings)

    def lights_now(_instant: float) -> bool:
        return lights.on(hour_of(datetime.now(zone).time()))

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
