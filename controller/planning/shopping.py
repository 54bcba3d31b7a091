"""What to get for a build, by what each part does."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from controller.domain import measures
from controller.pictures.words import pack_count
from controller.planning import parts_list
from controller.planning.answers import Answers
from controller.thermal.specs import PackSpec, PlantSpec

SPARE_BOARD = 1.1
"""A tenth more board than the walls have, for cuts."""
SUPPLY_SHARE = 0.8
"""Loads take no more of a supply than this."""
VOLTS = 12.0


def shopping_list(
    answers: Answers, plant: PlantSpec, changes: Mapping[str, str]
) -> Iterator[tuple[str, str]]:
    """Yield function and part, for everything but the chamber and the crop.

    Args:
        answers: What was answered.
        plant: The equipment with its changes.
        changes: The changes applied: what each is, by its key.
    """
    unit = answers.unit
    if "foam" in changes or answers.text("walls").endswith(("foam", "25", "50")):
        board_m2 = SPARE_BOARD * plant.chamber.wall_area_m2
        area = f"{board_m2 / 0.09290304:.0f} ft²" if answers.us else f"{board_m2:.1f} m²"
        yield "insulate the chamber", f"{area} of foam board, aluminium tape for the seams"
    volume = measures.volume_text(answers.number("cooler_volume"), unit)
    board = "1 in" if answers.us else "25 mm"
    around = f", {board} of foam around it and on the lid" if "insulate-box" in changes else ""
    yield "hold the cold water", f"a cooler of {volume}: {_words('cooler', answers)}{around}"
    packs = plant.packs
    count = f"{pack_count(packs.count)}, {packs.in_reservoir} in the water"
    yield "carry the cold", f"{count}: {_pack(answers, packs, changes)}"
    yield "freeze the packs", _freezer(answers, plant, changes)
    cores = "two cores" if "second-core" in changes else "a finned core"
    core = _core(answers)
    smaller = f"{changes['smaller-core']}; now " if "smaller-core" in changes else ""
    yield "cool the air", f"{smaller}{cores}, {core}, with fans: {_words('fan', answers)}"
    yield "move the water", f"a 12 V DC pump, {answers.of['pump'].text} on its box"
    yield "join them", "tubing in a foam sleeve, clips, a one-way valve, foam for the two holes"
    yield "feel", "three waterproof 1-Wire probes: air, cold water, room; one 4.7 kΩ resistor"
    yield "switch", "a Raspberry Pi with its supply, and a board with two relays for 12 V DC"
    watts = plant.reservoir.pump_w + plant.chamber.fans_w
    amperes = math.ceil(2.0 * watts / VOLTS / SUPPLY_SHARE) / 2.0
    yield "feed", f"a 12 V DC supply of {amperes:g} A or more, double insulated, and a fuse"


def _pack(answers: Answers, packs: PackSpec, changes: Mapping[str, str]) -> str:
    kind = answers.words("pack", parts_list.PACKS[answers.text("pack")].words)
    if "flat-packs" in changes:
        thick = (
            f"{packs.thickness_mm / 25.4:.2g} in" if answers.us else f"{packs.thickness_mm:g} mm"
        )
        kind = f"flat pack of {measures.weight_text(packs.kg, answers.unit)}, {thick} thick"
    return f"{kind}, filled with plain water" if "plain-packs" in changes else kind


def _freezer(answers: Answers, plant: PlantSpec, changes: Mapping[str, str]) -> str:
    kind = _words("freezer", answers)
    if "larger-freezer" in changes and plant.freezer.kg_per_day is not None:
        a_day = measures.weight_text(plant.freezer.kg_per_day, answers.unit)
        kind = f"a freezer that freezes {a_day} a day by its rating plate"
    return f"{kind}, without food in it" if "no-food" in changes else kind


def _core(answers: Answers) -> str:
    if answers.text("core") == parts_list.RATED and answers.of["core"].fits:
        return f"one that takes {answers.of['rating'].text}"
    return answers.words("core", parts_list.CORES[answers.text("core")].words)


def _words(key: str, answers: Answers) -> str:
    tables: dict[str, str] = {
        "cooler": parts_list.COOLERS[answers.text("cooler")][0],
        "freezer": parts_list.FREEZERS[answers.text("freezer")][0],
        "fan": parts_list.FANS[answers.text("fan")][0],
    }
    return answers.words(key, tables[key])
