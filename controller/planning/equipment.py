"""From a grower's answers to the figures of the equipment."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from controller.domain.measures import box_area_m2, box_volume_m3
from controller.domain.units import fahrenheit_to_celsius
from controller.planning import parts_list
from controller.planning.answers import Answers, OwnFile
from controller.settings.species import band_of, read_species
from controller.thermal.specs import (
    ChamberSpec,
    CoilSpec,
    FreezerSpec,
    PackSpec,
    PlantSpec,
    ReservoirSpec,
    RoomSpec,
)

USUAL_RH = 0.88


def equipment_of(answers: Answers) -> PlantSpec:
    """Return the equipment that the answers describe, before any change is applied.

    With a person's own file it is that of the file, but for the figures of which an answer was
    moved.

    Raises:
        PhysicsError: A figure outside its range.
    """
    if answers.own is None:
        return _described(answers)
    return _moved(answers, answers.own)


def _described(answers: Answers) -> PlantSpec:
    packs = _packs(answers)
    return PlantSpec(
        chamber=_chamber(answers),
        coil=_coil(answers),
        reservoir=_reservoir(answers, packs),
        packs=packs,
        freezer=_freezer(answers),
        room=_room(answers),
    )


GOVERNED: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "chamber": {
        "volume_m3": ("size",),
        "wall_area_m2": ("size",),
        "wall_u_w_m2k": ("walls",),
        "air_changes_per_h": ("fresh_air",),
        "rh": ("species", "stage"),
        "lights_w": ("lights",),
        "fans_w": ("core", "fan", "fans"),
        "crop_kg": ("blocks",),
        "crop_w_per_kg": ("species",),
        "humidifier_kg_per_h": ("humidifier",),
    },
    "coil": {
        "ua_air_w_k": ("core", "fan", "fans", "rating", "rated_air", "rated_water"),
        "ua_water_w_k": ("core", "rating", "rated_air", "rated_water"),
        "air_kg_s": ("core", "fan", "fans"),
        "water_kg_s": ("pump",),
    },
    "reservoir": {
        "litres": ("cooler_volume",),
        "ua_w_k": ("cooler", "cooler_volume"),
        "pump_w": ("pump",),
    },
    "packs": {
        "count": ("packs",),
        "in_reservoir": ("packs_in_water",),
        "kg": ("pack",),
        "fill": ("pack",),
        "shape": ("pack",),
        "thickness_mm": ("pack",),
    },
    "freezer": {
        "litres": ("freezer", "freezer_volume"),
        "stars": ("freezer",),
        "food": ("food",),
    },
    "room": {"day_c": ("day",), "night_c": ("night",), "rh": ("humidity",)},
}
"""Which answers a figure of a person's file follows."""
REPLACED: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "chamber": {"wall": ("walls",)},
    "packs": {
        "plateau_c": ("pack",),
        "latent_kj_kg": ("pack",),
        "refreeze_h": ("pack", "freezer"),
    },
    "freezer": {"kg_per_day": ("freezer", "freezer_volume")},
}
"""Figures that hold no more once an answer says something else of the same thing."""


def _moved(answers: Answers, own: OwnFile) -> PlantSpec:
    """Return the equipment of a person's file with the figures of moved answers replaced."""
    plant = own.settings.plant_spec()
    described, before = _described(answers), _described(Answers(own.answers))
    parts: dict[str, Any] = {}
    for name, governed in GOVERNED.items():
        part = getattr(plant, name)
        figures: dict[str, Any] = {
            key: None for key, keys in REPLACED.get(name, {}).items() if answers.moved(*keys)
        }
        for key, keys in governed.items():
            if not answers.moved(*keys):
                continue
            value = getattr(getattr(described, name), key)
            usual = getattr(getattr(before, name), key)
            if any(not answers.of[each].fits for each in keys if each in answers.of) and usual:
                # one answer was moved, of the other the file knows better: in proportion
                value = float(f"{getattr(part, key) * value / usual:.4g}")
            figures[key] = value
        parts[name] = replace(part, **figures) if figures else part
    return replace(plant, **parts)


def _chamber(answers: Answers) -> ChamberSpec:
    size_m = answers.size_m()
    volume_m3 = box_volume_m3(size_m)
    changes_per_h = parts_list.AIR_CHANGES[answers.text("fresh_air")][1]
    if answers.text("fresh_air") == "always":
        changes_per_h = min(
            parts_list.MOST_CHANGES_PER_H, parts_list.DUCT_FAN_M3_H / max(volume_m3, 0.01)
        )
    species = answers.text("species")
    return ChamberSpec(
        volume_m3=round(volume_m3, 4),
        wall_area_m2=round(box_area_m2(size_m), 3),
        wall_u_w_m2k=round(parts_list.WALL[answers.text("walls")].u_w_m2k, 3),
        air_changes_per_h=round(changes_per_h, 2),
        rh=humidity_of(species, answers.text("stage")),
        lights_w=answers.number("lights"),
        fans_w=_figures_of_coil(answers).fans_w,
        crop_kg=answers.number("blocks"),
        crop_w_per_kg=parts_list.CROP_W_PER_KG.get(species, parts_list.CROP_USUAL_W_PER_KG),
        humidifier_kg_per_h=parts_list.HUMIDIFIERS[answers.text("humidifier")][1],
    )


def humidity_of(species: str, stage: str) -> float:
    """Return the relative humidity to hold: the middle of the species' range [share]."""
    known = read_species().get(species)
    band = None if known is None else band_of(known, stage)
    return USUAL_RH if band is None else round(sum(band.rh) / 200.0, 2)


def _figures_of_coil(answers: Answers) -> parts_list.CoilFigures:
    if answers.text("core") != parts_list.RATED:
        return parts_list.coil_figures(answers.text("core"), answers.text("fan"))
    return parts_list.rated_figures(
        w_per_k=answers.number("rating"),
        rated_m3_h=answers.number("rated_air"),
        rated_l_h=answers.number("rated_water"),
        fan=answers.text("fan"),
        fans=int(answers.number("fans")),
    )


def _coil(answers: Answers) -> CoilSpec:
    figures = _figures_of_coil(answers)
    return CoilSpec(
        ua_air_w_k=figures.ua_air_w_k,
        ua_water_w_k=figures.ua_water_w_k,
        air_kg_s=figures.air_kg_s,
        water_kg_s=round(
            min(
                parts_list.MOST_WATER_KG_S, parts_list.PUMP_SHARE * answers.number("pump") / 3600.0
            ),
            4,
        ),
    )


def _packs(answers: Answers) -> PackSpec:
    kind = parts_list.PACKS[answers.text("pack")]
    in_water = int(answers.number("packs_in_water"))
    return PackSpec(
        count=max(in_water, int(answers.number("packs"))),
        in_reservoir=in_water,
        kg=kind.kg,
        fill=kind.fill,
        shape=kind.shape,
        thickness_mm=kind.thickness_mm,
    )


def _reservoir(answers: Answers, packs: PackSpec) -> ReservoirSpec:
    litres = answers.number("cooler_volume")
    water_l = max(
        parts_list.LEAST_WATER_L,
        parts_list.COOLER_FILLED * litres - packs.in_reservoir * packs.kg,
    )
    return ReservoirSpec(
        litres=round(water_l, 1),
        ua_w_k=round(parts_list.cooler_w_k(answers.text("cooler"), litres), 2),
        pump_w=round(
            parts_list.PUMP_BASE_W + parts_list.PUMP_W_PER_L_H * answers.number("pump"), 1
        ),
    )


def _freezer(answers: Answers) -> FreezerSpec:
    _, stars, litres = parts_list.FREEZERS[answers.text("freezer")]
    food = answers.text("food")
    assert food in {"none", "half", "full"}
    return FreezerSpec(
        litres=answers.number("freezer_volume") if litres is None else litres,
        stars=stars,
        food=food,  # type: ignore[arg-type]  # one of the three, as just asserted
    )


def _room(answers: Answers) -> RoomSpec:
    day_c = answers.number("day")
    return RoomSpec(
        day_c=round(day_c, 2),
        night_c=round(min(day_c, answers.number("night")), 2),
        rh=parts_list.HUMIDITIES[answers.text("humidity")][1],
    )


def cautions_of(answers: Answers, plant: PlantSpec) -> Iterator[str]:
    """Yield what a grower should know of a build, whatever the rehearsal says.

    Args:
        answers: What it was made from.
        plant: The equipment with the changes that were applied.
    """
    packs_l = plant.packs.in_reservoir * plant.packs.kg
    if packs_l > parts_list.MOST_PACKS_SHARE * answers.number("cooler_volume"):
        yield (
            "So many packs fill more than half of the cooler: water must reach all of them and the "
            "lid must close. Take fewer, or a larger cooler."
        )
    if answers.text("fresh_air") == "always" and "half-air" not in answers.changes:
        yield (
            "A duct fan that never stops brings in more heat than all walls. Put it on a timer, or "
            "seal the duct on hot days."
        )
    if answers.text("freezer") == "ice-box" and plant.freezer.kg_per_day is None:
        yield "An ice box inside a fridge freezes hardly any packs; take a real freezer."
    if any(each.food != "none" for each in plant.every_freezer):
        yield (
            "Never lay warm packs on food, and load no more at once than the freezer freezes in a "
            f"day; keep the food below {'10 °F' if answers.us else '-12 °C'}."
        )
    if plant.room.day_c > fahrenheit_to_celsius(104.0):
        yield "So hot a place is hard to hold; look for a cooler one first."
