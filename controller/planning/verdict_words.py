"""A judgement in words a grower can act on; every command that judges a build uses these."""

from __future__ import annotations

import math

from controller.domain.measures import weight_text
from controller.pictures.words import pack_count
from controller.planning.changes import WORTH_HOURS, Change
from controller.planning.verdict import Judgement, Verdict
from controller.thermal.specs import PlantSpec

KEY_FIGURES = (
    "plant.chamber.wall_area_m2",
    "plant.packs.count",
    "plant.packs.in_reservoir",
    "plant.packs.kg",
    "plant.room.day_c",
)
"""Without most of these a verdict is on somebody else's chamber."""
TOO_MANY_UNKNOWN = 3
MOST_SPARE = 2.0
"""More to spare than this is called plenty: nobody buys by it."""


def too_little_known(assumed_keys: set[str]) -> bool:
    """Return whether so much was assumed that no percentage should be given."""
    return sum(key in assumed_keys for key in KEY_FIGURES) >= TOO_MANY_UNKNOWN


def verdict_sentence(judgement: Judgement, *, by_figures: bool = True) -> str:
    """Return the answer and what it rests on.

    Args:
        judgement: What the rehearsed days said.
        by_figures: Whether to give a percentage; not where too much was assumed.
    """
    days, binding = judgement.days, judgement.binding
    if judgement.verdict is Verdict.NEEDS_HEAT:
        return f"Needs heat, not cold: {binding}."
    if judgement.verdict is Verdict.HOLDS:
        spare = _spare(judgement) if by_figures else ""
        tightest = f" The tightest point: {binding}." if binding else " Nothing needs cooling."
        return f"Works{spare}.{tightest}"
    reason = f"What stops it: {binding}."
    if days is None:
        return f"Cannot hold this band: the chamber grows far too hot. {reason}"
    if judgement.changed_too_often:
        often = f"{len(days.sets) / days.days:.0f} times a day"
        return f"Runs short: the packs must be changed {often}. {reason}"
    out_h = 24.0 * (1.0 - days.in_band_share)
    out = f", out of band {out_h:.0f} h of a hot day" if by_figures else ""
    begins = "Runs short" if judgement.verdict is Verdict.SHORT else "Cannot hold this band"
    return f"{begins}{out}. {reason}"


def _spare(judgement: Judgement) -> str:
    if judgement.spare is None:
        return ""
    if judgement.spare > MOST_SPARE:
        return ", with plenty to spare"
    return f", with {judgement.spare:.0%} to spare" if judgement.spare >= 0.01 else ", just"


def supply_sentence(judgement: Judgement) -> str:
    """Return how often to change how many packs."""
    supply, packs = judgement.supply, judgement.build.plant.packs
    unit = judgement.build.settings.display.unit
    can_freeze = freezers_can_freeze(judgement.build.plant)
    if judgement.verdict is Verdict.NEEDS_HEAT:
        return "No pack is needed."
    if judgement.days is None:
        return "How many packs it would take cannot be said."
    if math.isinf(supply.refreeze_h):
        return "These packs never freeze in this freezer."
    # of a build that no packs help nobody knows what it would take
    takes = "it would take" if judgement.verdict is Verdict.SHORT else "the packs give"
    if supply.packs_per_day is None:
        return (
            f"The water is too warm nearly all day. On a hot day {takes} "
            f"{weight_text(supply.ice_kg_per_day, unit)} of ice; {can_freeze} "
            f"{weight_text(supply.limit_kg_per_day, unit)}."
        )
    if supply.mean_h is None:
        if supply.packs_per_day <= 0.0:
            return "On a hot day no pack needs to be changed."
        return f"A set of {pack_count(packs.in_reservoir)} lasts longer than a day."
    if not judgement.holds:
        return (
            f"A set of {pack_count(packs.in_reservoir)} lasts about {supply.mean_h:.0f} h. On a "
            f"hot day {takes} {weight_text(supply.ice_kg_per_day, unit)} of ice; "
            f"{can_freeze} {weight_text(supply.limit_kg_per_day, unit)}."
        )
    # before bed a set that is half used may be changed in part
    all_whole = 24.0 / supply.mean_h * packs.in_reservoir
    up_to = "" if round(supply.packs_per_day) == round(all_whole) else "up to "
    return (
        f"On a hot day change {up_to}{pack_count(packs.in_reservoir)} about every "
        f"{supply.mean_h:.0f} h: "
        f"{pack_count(round(supply.packs_per_day))} a day, "
        f"{weight_text(supply.ice_kg_per_day, unit)} of ice melted; "
        f"{can_freeze} {weight_text(supply.limit_kg_per_day, unit)} a day."
    )


def freezers_can_freeze(plant: PlantSpec) -> str:
    """Return the subject of the sentence on what all freezers do in a day."""
    count = len(plant.every_freezer)
    return "the freezer can freeze" if count == 1 else f"your {count} freezers together can freeze"


def change_sentence(change: Change, *, holds_already: bool) -> str:
    """Return one change and what it brings."""
    return f"{change.what}: {brings_words(change, holds_already=holds_already)}"


def brings_words(change: Change, *, holds_already: bool) -> str:
    """Return what a change brings."""
    if holds_already:
        return f"{change.gain:.0%} less ice"
    works = ", and it works" if change.holds else ""
    hours = 24.0 * change.gain
    if change.holds and hours < WORTH_HOURS:
        return "packs change less often, and it works"
    brings = f"{hours:.0f} h" if hours >= 1.5 else f"{10 * round(6.0 * hours)} min"
    return f"{brings} a day more in band{works}"


def changes_heading(*, holds_already: bool) -> str:
    """Return what stands above the changes."""
    return "What would save ice" if holds_already else "What to change first"


HEAT_SOURCES = {
    "envelope": "the walls",
    "air_exchange": "fresh air",
    "lights": "the lights",
    "fans": "the fan",
    "crop": "the crop",
    "humidifier": "the humidifier",
    "pump": "the pump (into the water)",
}
"""Sources of heat by their names in `thermal.heat_load.HeatLoad`, as people call them."""


def no_change_sentence(judgement: Judgement) -> str:
    """Return what to say where no single change is listed for a build that does not hold."""
    load = judgement.design.steady.load
    watts = {name: float(getattr(load, f"{name}_w")) for name in HEAT_SOURCES if name != "pump"}
    largest = max(watts, key=lambda name: watts[name])
    return (
        "No single change that was tried is enough. The largest part of the heat at the warmest "
        f"hour comes from {HEAT_SOURCES[largest]}: {watts[largest]:.0f} W."
    )
