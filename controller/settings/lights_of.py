"""From settings to the hours of the lights."""

from __future__ import annotations

from controller.domain.daytime import hour_of
from controller.foresight.lights import Lights
from controller.settings.load import Settings

LIGHTS_FROM_H, LIGHTS_TO_H = 8.0, 20.0
"""Hours of the lights where the configuration has no [lights]: twelve hours of light suit most
fruiting species. Common practice, no source."""


def lights_to_plan_by(settings: Settings) -> Lights:
    """Return the lights that sizing and rehearsal count: by [lights], else by usual hours."""
    known = lights_of(settings)
    if known is not None:
        return known
    watts = settings.plant_spec().chamber.lights_w
    return Lights(watts=watts, from_h=LIGHTS_FROM_H, to_h=LIGHTS_TO_H)


def lights_of(settings: Settings) -> Lights | None:
    """Return the lights, None where their hours are not known."""
    if settings.lights is None:
        return None
    return Lights(
        watts=settings.plant_spec().chamber.lights_w,
        from_h=hour_of(settings.lights.from_),
        to_h=hour_of(settings.lights.to),
    )
