"""Whether `[timing] start_early_by` is worth its ice, read off the hot days that judge a build."""

from __future__ import annotations

from enum import StrEnum

from controller.pictures.words import difference
from controller.planning.build import Build
from controller.planning.verdict import is_too_warm
from controller.rehearsal.hot_day_figures import HotDays
from controller.settings.species import band_of, species_of

ICE_TO_SPARE = 1.15
"""What the freezer can give back, over what the hot days take, from which on there is ice to spare:
a day may come hotter. Own choice, from rehearsed hot weeks [-]."""
NEVER_RESTS = 0.99
"""An hour in which the pump runs for this share of the time: the coil has nothing to spare then."""
LEAST_OVERSHOOT_K = 0.1
"""Air that goes no further above cut-in is as good as held: no screen shows less [K]."""
CROP_IS_FINE = "; inside the species' band the crop does not need it"
STEP_S = 5.0
"""What is proposed is a multiple of this [s]."""


class EarlyStart(StrEnum):
    """What hot days say of an early start."""

    OFFER = "offer"
    """It is off, the starts take the air above cut-in, and there is cold to spare."""
    LEAVE_OUT = "leave_out"
    """It is on, and cold is short."""


def early_start(build: Build, days: HotDays) -> EarlyStart | None:
    """Return what to do about an early start; None: leave it as it is.

    Args:
        build: The build.
        days: Its rehearsed hot days.
    """
    limit_kg, ice_kg = build.limit_kg_per_day(), (days.ice_melted_kg or 0.0) / days.days
    too_warm = is_too_warm(days)
    if build.settings.timing.start_early_by > 0.0:
        return EarlyStart.LEAVE_OUT if too_warm or ice_kg > limit_kg else None
    busiest = max((hour.duty for hour in days.cycles), default=0.0)
    has_to_spare = not too_warm and ICE_TO_SPARE * ice_kg <= limit_kg and busiest < NEVER_RESTS
    if has_to_spare and overshoot_k(build, days) >= LEAST_OVERSHOOT_K:
        return EarlyStart.OFFER
    return None


def overshoot_k(build: Build, days: HotDays) -> float:
    """Return how far the air of hot days goes above the highest cut-in of the stage [K]."""
    settings = build.settings
    stage = settings.stages[settings.chamber.stage]
    cut_in_mc = stage.cut_in if stage.night is None else max(stage.cut_in, stage.night.cut_in)
    return days.air_max_c - cut_in_mc / 1000


def lead_s(build: Build) -> float:
    """Return an early start that makes up for prime and the lag of the air probe [s]."""
    settings = build.settings
    wanted_s = settings.timing.prime + settings.simulation.air_probe_lag
    return STEP_S * round(wanted_s / STEP_S)


def early_start_sentence(build: Build, days: HotDays) -> str:
    """Return what to do about an early start, and what it costs; empty: leave it as it is.

    Args:
        build: The build.
        days: Its rehearsed hot days.
    """
    settings, advice = build.settings, early_start(build, days)
    if advice is None:
        return ""
    if advice is EarlyStart.LEAVE_OUT:
        return (
            "take start_early_by out of [timing]: it costs ice, and on hot days this chamber has "
            "none to spare"
        )
    species = species_of(settings)
    band = None if species is None else band_of(species, settings.chamber.stage)
    unneeded = band is not None and days.air_max_c <= band.high / 1000
    above = difference(overshoot_k(build, days), settings.display.unit)
    return (
        f"to hold the air closer to your cut_in (up to {above} above it on a hot day): "
        f'start_early_by = "{lead_s(build):g} s" in [timing], for about an eighth more starts'
        f"{CROP_IS_FINE if unneeded else ''}"
    )
