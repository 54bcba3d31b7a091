"""A configuration that a person wrote: which answers its keys come to.

Where an answer says what a key says, within a few per cent, that answer is taken; where none does,
the answer is "as in your file", with the figure. Either way the figure itself stays in force until
the question is answered otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from pathlib import Path

from controller.domain import measures
from controller.planning import parts_list
from controller.planning.answers import AS_IN_FILE, GivenAnswer, Origin, OwnFile, answer_to
from controller.planning.configuration import temperature_text
from controller.planning.question import AnswerKind, Known, Option, Question, Value
from controller.planning.questions import every_question
from controller.settings.load import Settings
from controller.settings.species import kind_of, read_species
from controller.thermal.specs import PlantSpec

NEAR = 0.06
"""A figure within this share of an answer's is what the answer says; the answers are no better."""
PLACEHOLDER = {"species": "pearl-oyster", "stage": "fruiting", "place": "room"}
"""What stands for an answer of which a file says nothing; no figure is taken from it."""


def own_file(
    content: str, folder: Path, settings: Settings, hints: Mapping[str, str] | None = None
) -> OwnFile:
    """Return a file with the answers that it comes to.

    Args:
        content: The text of the file.
        folder: Where files that it names are looked for.
        settings: What it says.
        hints: Answers that it may have been made from; each is taken where it still says the same.
    """
    of_settings = dict(_answers(settings))
    known: dict[str, Value] = {}
    answers: dict[str, GivenAnswer] = {}
    for question in every_question():
        if not question.applies(known):
            continue
        answer = of_settings[question.key]
        hint = (hints or {}).get(question.key)
        if hint is not None:
            answer = _hinted(question, hint, known, answer)
        known[question.key] = answer.value
        answers[question.key] = answer
    return OwnFile(content=content, folder=folder, settings=settings, answers=answers)


def _hinted(question: Question, hint: str, known: Known, answer: GivenAnswer) -> GivenAnswer:
    """Return an earlier answer in the person's own words where it says what the file says."""
    try:
        earlier = answer_to(question, hint, known)
    except ValueError:
        return answer
    if not _same(earlier.value, answer.value) and question.key != "place":
        return answer
    return GivenAnswer(earlier.text, earlier.value, Origin.FILE)


def _same(one: Value, other: Value) -> bool:
    if isinstance(one, int | float) and isinstance(other, int | float):
        return math.isclose(one, other, rel_tol=0.01, abs_tol=0.06)
    if isinstance(one, tuple) and isinstance(other, tuple):
        return all(math.isclose(a, b, rel_tol=0.01) for a, b in zip(one, other, strict=True))
    return one == other


def _fitting(text: str, value: Value) -> GivenAnswer:
    return GivenAnswer(text, value, Origin.FILE)


def _other(words: str, nearest: Value) -> GivenAnswer:
    return GivenAnswer(f"{AS_IN_FILE}{words}"[:80], nearest, Origin.FILE, fits=False)


def _answers(settings: Settings) -> Iterator[tuple[str, GivenAnswer]]:
    plant, us = settings.plant_spec(), settings.display.unit == "F"
    unit = "F" if us else "C"
    yield "units", _fitting("us" if us else "metric", "us" if us else "metric")
    yield "species", _species(settings)
    yield "stage", _stage(settings)
    yield "walls", _walls(settings, plant, us=us)
    yield "size", _size(settings, plant, us=us)
    chamber, room = plant.chamber, plant.room
    yield "blocks", _fitting(measures.weight_text(chamber.crop_kg, unit), chamber.crop_kg)
    yield "lights", _fitting(f"{chamber.lights_w:g} W", chamber.lights_w)
    changes = {key: row[1] for key, row in parts_list.AIR_CHANGES.items() if row[1] > 0.0}
    yield (
        "fresh_air",
        _nearest(changes, chamber.air_changes_per_h, f"{chamber.air_changes_per_h:g} changes/h"),
    )
    water = {key: row[1] for key, row in parts_list.HUMIDIFIERS.items()}
    kg_h = chamber.humidifier_kg_per_h
    yield (
        "humidifier",
        _nearest(water, kg_h, f"{kg_h / 0.4535924:.2g} lb/h" if us else f"{kg_h:g} kg/h"),
    )
    yield "place", _other("the temperatures below", PLACEHOLDER["place"])
    yield "day", _fitting(temperature_text(room.day_c, unit), room.day_c)
    yield "night", _fitting(temperature_text(room.night_c, unit), room.night_c)
    damp = {key: row[1] for key, row in parts_list.HUMIDITIES.items()}
    yield "humidity", _nearest(damp, room.rh, f"{room.rh:.0%}")
    yield from _cooler(plant, us=us)
    yield from _packs(plant, us=us)
    yield from _freezer(plant, us=us)
    yield from _coil(settings, plant, us=us)
    yield "sleeps", _fitting(f"{settings.people.sleeps:%H:%M}", settings.people.sleeps)
    yield "wakes", _fitting(f"{settings.people.wakes:%H:%M}", settings.people.wakes)
    yield "name", _fitting(settings.chamber.name, settings.chamber.name)


def _nearest(figures: Mapping[str, float], figure: float, words: str) -> GivenAnswer:
    """Return the answer whose figure is nearest, and whether it is the same."""

    def distance(key: str) -> float:
        other = figures[key]
        if other == figure:
            return 0.0
        least = 1e-6
        return abs(math.log(max(other, least) / max(figure, least)))

    key = min(figures, key=distance)
    return _fitting(key, key) if distance(key) <= NEAR else _other(words, key)


def _species(settings: Settings) -> GivenAnswer:
    named = settings.chamber.species
    if named in read_species():
        assert named is not None
        return _fitting(named, named)
    return _other(named or "none is named", PLACEHOLDER["species"])


def _stage(settings: Settings) -> GivenAnswer:
    stage = settings.chamber.stage
    for key in ("fruiting", "pinning"):
        if kind_of(stage) == kind_of(key):
            return _fitting(key, key)
    return _other(stage, PLACEHOLDER["stage"])


def _walls(settings: Settings, plant: PlantSpec, *, us: bool) -> GivenAnswer:
    u_w_m2k = plant.chamber.envelope_w_k / plant.chamber.wall_area_m2
    walls = {key: wall.u_w_m2k for key, wall in parts_list.WALL.items()}
    named = settings.plant.chamber.wall
    # R-value of the trade: ft²·°F·h/BTU, 5.678 of which are 1 m²·K/W
    words = f"R-{5.678 / u_w_m2k:.1f}" if us else f"{u_w_m2k:.2g} W/(m²·K)"
    return _nearest(walls, u_w_m2k, str(named or words))


def _size(settings: Settings, plant: PlantSpec, *, us: bool) -> GivenAnswer:
    volume_m3, area_m2 = plant.chamber.volume_m3, plant.chamber.wall_area_m2
    box_m = _box_m(volume_m3, area_m2)
    written = settings.plant.chamber.size
    if written is not None:
        size_m = measures.parse_size(written)
        return _fitting(written, size_m)
    if us:
        return _other(f"{volume_m3 / 0.02831685:.3g} ft³, {area_m2 / 0.09290304:.3g} ft²", box_m)
    return _other(f"{volume_m3:.3g} m³, {area_m2:.3g} m² of walls", box_m)


def _box_m(volume_m3: float, area_m2: float) -> tuple[float, float, float]:
    """Return an upright box of this volume and about this area, its floor a square."""
    cube_m = volume_m3 ** (1.0 / 3.0)
    low_m, high_m = 0.2 * cube_m, cube_m  # the narrower, the more wall
    for _ in range(40):
        side_m = 0.5 * (low_m + high_m)
        if 2.0 * side_m**2 + 4.0 * volume_m3 / side_m > area_m2:
            low_m = side_m
        else:
            high_m = side_m
    return side_m, side_m, volume_m3 / side_m**2


def _cooler(plant: PlantSpec, *, us: bool) -> Iterator[tuple[str, GivenAnswer]]:
    water, packs = plant.reservoir, plant.packs
    litres = (water.litres + packs.in_reservoir * packs.kg) / parts_list.COOLER_FILLED
    leaks = {key: parts_list.cooler_w_k(key, litres) for key in parts_list.COOLERS}
    words = f"loses {water.ua_w_k / 1.8:.2g} W/°F" if us else f"loses {water.ua_w_k:.3g} W/K"
    yield "cooler", _nearest(leaks, water.ua_w_k, words)
    yield (
        "cooler_volume",
        _fitting(measures.volume_text(litres, "F" if us else "C"), round(litres, 2)),
    )


def _packs(plant: PlantSpec, *, us: bool) -> Iterator[tuple[str, GivenAnswer]]:
    packs = plant.packs
    kinds = parts_list.PACKS

    def distance(key: str) -> float:
        kind = kinds[key]
        same = kind.shape == packs.shape and kind.fill == packs.fill and packs.plateau_c is None
        thick = abs(math.log(kind.thickness_mm / packs.thickness_mm))
        return max(abs(math.log(kind.kg / packs.kg)), thick) + (0.0 if same else 1.0)

    key = min(kinds, key=distance)
    weight = f"{packs.kg / 0.4535924:.2g} lb" if us else f"{packs.kg:.3g} kg"
    thick = f"{packs.thickness_mm / 25.4:.2g} in" if us else f"{packs.thickness_mm:g} mm"
    shape = "bottle" if packs.shape == "bottle" else "flat pack"
    yield (
        "pack",
        _fitting(key, key)
        if distance(key) <= NEAR
        else _other(f"{shape} of {weight}, {thick} thick, {_fill(plant)}", key),
    )
    yield "packs_in_water", _fitting(str(packs.in_reservoir), packs.in_reservoir)
    yield "packs", _fitting(str(packs.count), packs.count)


def _fill(plant: PlantSpec) -> str:
    packs = plant.packs
    return packs.fill if packs.plateau_c is None else "a fill of its own"


def _freezer(plant: PlantSpec, *, us: bool) -> Iterator[tuple[str, GivenAnswer]]:
    freezer, packs = plant.freezer, plant.packs
    if packs.refreeze_h is not None:
        yield "freezer", _other(f"a pack is frozen in {packs.refreeze_h:g} h", "chest")
    elif freezer.kg_per_day is not None:
        a_day = f"{freezer.kg_per_day / 0.4535924:.3g} lb" if us else f"{freezer.kg_per_day:.3g} kg"
        yield "freezer", _other(f"its plate says {a_day} a day", "chest")
    else:
        yield "freezer", _freezer_kind(freezer.stars, freezer.litres)
    litres = freezer.litres
    text = f"{litres / 28.31685:.3g} cu ft" if us else f"{litres:.0f} L"
    yield "freezer_volume", _fitting(text, litres)
    yield "food", _fitting(freezer.food, freezer.food)


def _freezer_kind(stars: int, litres: float) -> GivenAnswer:
    for key, (_, its_stars, its_litres) in parts_list.FREEZERS.items():
        if its_stars == stars and its_litres == litres:
            return _fitting(key, key)
    if stars == parts_list.FREEZERS["chest"][1]:
        return _fitting("chest", "chest")
    return _other(f"{stars} {'star' if stars == 1 else 'stars'}", "chest")


def _coil(settings: Settings, plant: PlantSpec, *, us: bool) -> Iterator[tuple[str, GivenAnswer]]:
    coil, fans_w = plant.coil, plant.chamber.fans_w

    def distance(pair: tuple[str, str]) -> float:
        figures = parts_list.coil_figures(*pair)
        return max(
            abs(math.log(figures.ua_air_w_k / coil.ua_air_w_k)),
            abs(math.log(figures.ua_water_w_k / coil.ua_water_w_k)),
            abs(math.log(figures.air_kg_s / coil.air_kg_s)),
            abs(math.log(figures.fans_w / fans_w)) if fans_w > 0.0 else 9.0,
        )

    core, fan = min(
        ((core, fan) for core in parts_list.CORES for fan in parts_list.FANS), key=distance
    )
    if distance((core, fan)) <= NEAR:
        yield "core", _fitting(core, core)
        yield "fan", _fitting(fan, fan)
    elif settings.plant.coil.rated_w_per_k is not None and settings.plant.fitted is None:
        yield from _rated(settings, plant, us=us)
    else:
        per = f"{coil.ua_air_w_k / 1.8:.3g} W/°F" if us else f"{coil.ua_air_w_k:.3g} W/K"
        yield "core", _other(f"takes {per} from the air", core)
        yield "fan", _other(_fans_words(plant, us=us), fan)
    flow_l_h = coil.water_kg_s * 3600.0 / parts_list.PUMP_SHARE
    text = f"{flow_l_h / 3.785412:.3g} gph" if us else f"{flow_l_h:.3g} L/h"
    yield "pump", _fitting(text, flow_l_h)


def _rated(settings: Settings, plant: PlantSpec, *, us: bool) -> Iterator[tuple[str, GivenAnswer]]:
    """Yield the answers on a core of which the file says what its label does."""
    coil, fans_w = settings.plant.coil, plant.chamber.fans_w
    w_per_k, m3_h, l_h = coil.rated_w_per_k, coil.rated_air_m3_h, 60.0 * coil.rated_l_min
    air = f"{m3_h / measures.AIR_FLOWS_M3_H['cfm']:.3g} cfm" if us else f"{m3_h:.4g} m3/h"
    water = f"{l_h / measures.FLOWS_L_H['gpm']:.3g} gpm" if us else f"{l_h / 60.0:.4g} L/min"
    at = "18 F" if us else "10 K"
    yield "core", _fitting(parts_list.RATED, parts_list.RATED)
    yield "rating", _fitting(f"{10.0 * w_per_k:.4g} W at {at}", w_per_k)
    yield "rated_air", _fitting(air, m3_h)
    yield "rated_water", _fitting(water, l_h)
    cfm = plant.coil.air_kg_s / parts_list.KG_S_PER_CFM

    def distance(pair: tuple[str, int]) -> float:
        _, one_cfm, one_w = parts_list.FANS[pair[0]]
        watts = abs(math.log(pair[1] * one_w / fans_w)) if fans_w > 0.0 else 9.0
        return max(abs(math.log(pair[1] * one_cfm / cfm)), watts)

    fan, fans = min(((fan, fans) for fan in parts_list.FANS for fans in (1, 2, 3, 4)), key=distance)
    yield "fans", _fitting(str(fans), fans)
    if distance((fan, fans)) <= NEAR:
        yield "fan", _fitting(fan, fan)
    else:
        yield "fan", _other(_fans_words(plant, us=us), fan)


def _fans_words(plant: PlantSpec, *, us: bool) -> str:
    coil = plant.coil
    cfm = coil.air_kg_s / parts_list.KG_S_PER_CFM
    air = f"{cfm:.3g} cu ft" if us else f"{coil.air_kg_s / 1.2 * 3600:.3g} m³"
    return f"{air} {'a minute' if us else 'an hour'}, {plant.chamber.fans_w:g} W"


def option_of(answer: GivenAnswer, question: Question) -> tuple[Option, ...]:
    """Return the choice that stands for a person's own figure, none where a usual one says it."""
    if answer.fits or question.kind is not AnswerKind.CHOICE:
        return ()
    return (Option(answer.text, answer.text),)
