"""Switching points and timers to try, for a chamber whose species is known."""

from __future__ import annotations

from controller.planning.cycle import Hour, Proposal, propose_points
from controller.settings.law_of import law_of
from controller.settings.load import Settings
from controller.settings.species import band_of, species_of
from controller.thermal.specs import PlantSpec

STEADY_MK = 2000
"""No wider than this to either side of the grower's own middle: the fewest starts would else be had
by letting the air wander through the whole band. Common practice, no source."""


def proposal_of(
    settings: Settings,
    reservoir_c: float,
    *,
    tick_s: float | None = None,
    plant: PlantSpec | None = None,
) -> Proposal | None:
    """Return switching points that keep the air in the species' band, None without a species.

    Judged in the hottest hour, and in the mildest with fresh packs: there the minimum run binds,
    and the air swings furthest below cut-out.

    Args:
        settings: Species, stage, timers, plant.
        reservoir_c: Usual temperature of the reservoir [°C].
        tick_s: Beat of the loop [s]; None: that of the settings.
        plant: Equipment in the place of the settings' own.
    """
    species = species_of(settings)
    band = None if species is None else band_of(species, settings.chamber.stage)
    if band is None:
        return None
    spec = settings.plant_spec() if plant is None else plant
    stage = settings.stages[settings.chamber.stage]
    middle_mc = (stage.cut_in + stage.cut_out) / 2
    low_mc, high_mc = max(band.low, middle_mc - STEADY_MK), min(band.high, middle_mc + STEADY_MK)
    if high_mc - low_mc < STEADY_MK / 2:  # the stage lies outside the species' band
        low_mc, high_mc = band.low, band.high
    warm_c = min(reservoir_c, (stage.cut_in - settings.limits.reservoir_margin) / 1000)
    fresh_c = max(0.0, spec.packs.filling.plateau_c) + 1.0
    room = spec.room
    return propose_points(
        spec,
        law_of(settings),
        (
            Hour(when="hottest", room_c=room.day_c, room_rh=room.rh, reservoir_c=warm_c),
            Hour(when="fresh packs", room_c=room.night_c, room_rh=room.rh, reservoir_c=fresh_c),
        ),
        low_c=low_mc / 1000,
        high_c=high_mc / 1000,
        tick_s=settings.timing.tick if tick_s is None else tick_s,
        lag_s=settings.simulation.air_probe_lag,
    )
