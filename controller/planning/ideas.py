"""Things to buy or to do about a build: ways to lessen the heat, and ways to widen what binds."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum

from controller.planning.build import Build
from controller.planning.design_hour import conditions_at, warmest_hour
from controller.planning.verdict import Limit, freezer_rated_kg, scaled_coil
from controller.thermal.freezing import freezer_kg_per_day, freezers_kg_per_day
from controller.thermal.heat_load import steady_hour
from controller.thermal.specs import FreezerSpec

FOAM_M = 0.025
FOAM_W_MK = 0.029
"""Extruded polystyrene. Source: R-5 an inch, trade tables; ASHRAE material table 0.026 to 0.029."""
FLAT_MM = 30.0
COOLER_K = 3.0
LEAST_LIGHTS_W = 5.0
MUCH_FRESH_AIR = 3.0
INSULATED = 0.6
"""Share of its leak that a box with foam around it keeps [-]. Own choice."""
TIMES = {2.0: "twice", 3.0: "three times", 4.0: "four times"}
"""Larger freezers, and how they are said."""
FREEZER_SPARE = 1.2
"""A freezer is bought with this share of what is needed [-]. Own choice."""
EASY_DUTY = 0.7
"""Share of the warmest hour in which a coil of the right size runs [-]. Own choice."""
PARTS = {0.5: "half", 0.25: "a quarter of", 0.125: "an eighth of"}
"""Smaller cores, and how they are said."""


class Effort(StrEnum):
    """What a change costs, roughly."""

    DO = "costs nothing"
    SMALL = "a small purchase"
    WORK = "an afternoon of work"
    LARGE = "a large purchase"


@dataclass(frozen=True, slots=True, kw_only=True)
class Idea:
    """One thing to buy or to do, and the build with it."""

    key: str
    what: str
    effort: Effort
    before: float
    after: float
    unit: str
    build: Build
    widens: Limit | None = None
    """What limit it moves; None: it lessens the heat."""


def ideas_for(build: Build) -> Iterator[Idea]:
    """Yield what could be done; each at most once for one limit.

    Raises:
        PhysicsError: A figure outside the range of the formulas.
    """
    yield _foam(build)
    yield _cooler_place(build)
    yield from _half_lights(build)
    yield from _half_air(build)
    yield _insulated_box(build)
    yield _second_core(build)
    yield _smaller_core(build)
    # the larger freezer first: where it brings nothing, what does less of the same is not tried
    yield _larger_freezer(build)
    yield _one_more_set(build)
    yield from _no_food(build)
    yield from _larger_set(build)
    yield from _flat_packs(build)
    yield _night_shift(build)
    yield from _plain_packs(build)


def _changed(build: Build, part: str, **figures: object) -> Build:
    """Return a build with figures of one part of its equipment changed."""
    plant = build.plant
    # the names are those of PlantSpec and its parts
    changed = {part: replace(getattr(plant, part), **figures)}
    return build.with_plant(replace(plant, **changed))


def _is_us(build: Build) -> bool:
    return build.settings.display.unit == "F"


def _inch(build: Build) -> str:
    return "1 in" if _is_us(build) else f"{1000.0 * FOAM_M:g} mm"


def _foam(build: Build) -> Idea:
    chamber = build.plant.chamber
    u_before = chamber.envelope_w_k / chamber.wall_area_m2
    u_after = 1.0 / (1.0 / u_before + FOAM_M / FOAM_W_MK)
    return Idea(
        key="foam",
        what=f"tape {_inch(build)} of foam board on every wall and the door",
        effort=Effort.WORK,
        before=u_before,
        after=u_after,
        unit="W/(m²·K)",
        build=_changed(build, "chamber", wall=None, wall_u_w_m2k=u_after),
    )


def _cooler_place(build: Build) -> Idea:
    room = build.plant.room
    cooler = f"{1.8 * COOLER_K:.0f} °F" if _is_us(build) else f"{COOLER_K:g} °C"
    day_c, night_c = room.day_c - COOLER_K, room.night_c - COOLER_K
    return Idea(
        key="cooler-place",
        what=f"move the chamber to a place {cooler} cooler",
        effort=Effort.DO,
        before=room.day_c,
        after=day_c,
        unit="°C",
        build=_changed(build, "room", day_c=day_c, night_c=night_c),
    )


def _half_lights(build: Build) -> Iterator[Idea]:
    lights_w = build.plant.chamber.lights_w
    if lights_w >= LEAST_LIGHTS_W:
        yield Idea(
            key="half-lights",
            what="lights of half the watts, or their driver outside",
            effort=Effort.SMALL,
            before=lights_w,
            after=0.5 * lights_w,
            unit="W",
            build=_changed(build, "chamber", lights_w=0.5 * lights_w),
        )


def _half_air(build: Build) -> Iterator[Idea]:
    per_h = build.plant.chamber.air_changes_per_h
    if per_h > MUCH_FRESH_AIR:
        yield Idea(
            key="half-air",
            what="half the fresh air, if the crop bears it",
            effort=Effort.DO,
            before=per_h,
            after=0.5 * per_h,
            unit="1/h",
            build=_changed(build, "chamber", air_changes_per_h=0.5 * per_h),
        )


def _insulated_box(build: Build) -> Idea:
    box_w_k, tubing_w_k = build.plant.reservoir.ua_w_k, build.plant.fine.tubing_w_k
    insulated = _changed(build, "reservoir", ua_w_k=INSULATED * box_w_k)
    return Idea(
        key="insulate-box",
        what=f"insulate the box and the tubes: {_inch(build)} of foam around and on the lid",
        effort=Effort.WORK,
        before=box_w_k,
        after=INSULATED * box_w_k,
        unit="W/K",
        build=_changed(insulated, "fine", tubing_w_k=INSULATED * tubing_w_k),
    )


def _scaled_core(build: Build, times: float) -> Build:
    """Return the build with so many times the core and its fans, on the same pump."""
    plant = build.plant
    scaled = scaled_coil(build, times)
    same_pump = _changed(scaled, "coil", water_kg_s=plant.coil.water_kg_s)
    return _changed(same_pump, "chamber", fans_w=times * plant.chamber.fans_w)


def _second_core(build: Build) -> Idea:
    w_k = build.plant.coil.ua_air_w_k
    return Idea(
        key="second-core",
        what="a second core with its fan beside the first, or one of twice the face",
        effort=Effort.SMALL,
        before=w_k,
        after=2.0 * w_k,
        unit="W/K",
        build=_scaled_core(build, 2.0),
        widens=Limit.COIL,
    )


def _enough_of_core(build: Build) -> float:
    """Return which part of the core, halved again and again, carries the warmest hour easily."""
    plant = build.plant
    duty = steady_hour(
        plant,
        conditions_at(build.settings, plant, warmest_hour(plant)),
        reservoir_c=0.5 * build.spent_c(),
    ).duty
    fitting = [share for share in PARTS if duty <= EASY_DUTY * share]
    return min(fitting, default=max(PARTS))


def _smaller_core(build: Build) -> Idea:
    w_k, share = build.plant.coil.ua_air_w_k, _enough_of_core(build)
    return Idea(
        key="smaller-core",
        what=f"a core of {PARTS[share]} the face, with {PARTS[share]} the air through it",
        effort=Effort.SMALL,
        before=w_k,
        after=share * w_k,
        unit="W/K",
        build=_scaled_core(build, share),
        widens=Limit.OVERSHOOT,
    )


def _one_set(build: Build) -> int:
    return max(1, build.plant.packs.in_reservoir)


def _times_the_freezer(build: Build) -> float:
    """Return how many times the freezer gives back what a hot day takes, by its plate."""
    gives_kg = freezers_kg_per_day(build.plant)
    needed_kg = FREEZER_SPARE * build.needed_kg_per_day()
    return next((times for times in TIMES if times * gives_kg >= needed_kg), max(TIMES))


def _larger_freezer(build: Build) -> Idea:
    plant, packs, freezer = build.plant, build.plant.packs, build.plant.freezer
    rated_kg, times = freezer_rated_kg(freezer), _times_the_freezer(build)
    # of several, the first one makes up for what they all lack together
    own_kg, all_kg = freezer_kg_per_day(freezer, packs), freezers_kg_per_day(plant)
    larger_kg = rated_kg * (own_kg + (times - 1.0) * all_kg) / own_kg
    larger = replace(
        plant,
        packs=replace(packs, count=packs.count + _one_set(build)),
        freezer=FreezerSpec(kg_per_day=larger_kg, food=freezer.food),
    )
    freezers = "freezers that together freeze" if plant.more_freezers else "a freezer that freezes"
    plates = "their rating plates" if plant.more_freezers else "its rating plate"
    return Idea(
        key="larger-freezer",
        what=f"{freezers} {TIMES[times]} as much a day (by {plates}), with one more set",
        effort=Effort.LARGE,
        before=rated_kg,
        after=larger_kg,
        unit="kg/day",
        build=build.with_plant(larger),
        widens=Limit.FREEZER,
    )


def _one_more_set(build: Build) -> Idea:
    count = build.plant.packs.count
    return Idea(
        key="one-more-set",
        what="one more set of packs in the freezer",
        effort=Effort.SMALL,
        before=count,
        after=count + _one_set(build),
        unit="packs",
        build=_changed(build, "packs", count=count + _one_set(build)),
        widens=Limit.FREEZER,
    )


def _no_food(build: Build) -> Iterator[Idea]:
    plant = build.plant
    if any(each.food != "none" for each in plant.every_freezer):
        first, *others = (replace(each, food="none") for each in plant.every_freezer)
        yield Idea(
            key="no-food",
            what="freezers without food in them" if others else "a freezer without food in it",
            effort=Effort.DO,
            before=1,
            after=0,
            unit="food",
            build=build.with_plant(replace(plant, freezer=first, more_freezers=tuple(others))),
            widens=Limit.FREEZER,
        )


def _larger_set(build: Build) -> Iterator[Idea]:
    packs = build.plant.packs
    more = max(1, round(0.5 * _one_set(build)))
    sets = max(1, -(-packs.count // _one_set(build)))  # one that is not whole is filled up too
    in_reservoir = packs.in_reservoir + more
    for limit in (Limit.SET, Limit.FACES):
        yield Idea(
            key="larger-set",
            what=f"{more} more {'pack' if more == 1 else 'packs'} in every set",
            effort=Effort.SMALL,
            before=packs.in_reservoir,
            after=in_reservoir,
            unit="packs",
            build=_changed(
                build, "packs", count=packs.count + sets * more, in_reservoir=in_reservoir
            ),
            widens=limit,
        )


def _flat_packs(build: Build) -> Iterator[Idea]:
    packs = build.plant.packs
    if packs.shape != "bottle" and packs.thickness_mm <= FLAT_MM:
        return
    flat = "1¼ in" if _is_us(build) else f"{FLAT_MM:g} mm"
    for limit in (Limit.FACES, Limit.FREEZER):
        yield Idea(
            key="flat-packs",
            what=f"flat packs of {flat}, the same weight in all",
            effort=Effort.SMALL,
            before=packs.thickness_mm,
            after=FLAT_MM,
            unit="mm",
            build=_changed(build, "packs", shape="slab", thickness_mm=FLAT_MM, refreeze_h=None),
            widens=limit,
        )


def _night_shift(build: Build) -> Idea:
    return Idea(
        key="night-shift",
        what="somebody who changes packs at night too",
        effort=Effort.DO,
        before=0,
        after=1,
        unit="person",
        build=replace(build, always_awake=True),
        widens=Limit.NIGHT,
    )


def _plain_packs(build: Build) -> Iterator[Idea]:
    plateau_c = build.plant.packs.filling.plateau_c
    if plateau_c < 0.0:
        yield Idea(
            key="plain-packs",
            what="packs of plain water in the place of these",
            effort=Effort.SMALL,
            before=plateau_c,
            after=0.0,
            unit="°C",
            build=_changed(build, "packs", fill="ice", plateau_c=None, latent_kj_kg=None),
            widens=Limit.NEVER_FROZEN,
        )
