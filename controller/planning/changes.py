"""What to change first: things to buy or to do, each rehearsed, best first.

Only what can help is tried: ways to widen what binds, and ways to lessen the heat. Each is compared
with the build as it is, on the same days; what brings little is not listed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from controller.planning.build import DAYS, Build
from controller.planning.design_hour import conditions_at, warmest_hour
from controller.planning.verdict import (
    Judgement,
    Limit,
    Verdict,
    deciding_days,
    freezer_rated_kg,
    in_band,
    scaled_coil,
    too_often,
)
from controller.rehearsal.hot_day_counter import HOURS
from controller.rehearsal.hot_day_figures import HotDays
from controller.thermal.freezing import freezer_kg_per_day
from controller.thermal.heat_load import steady_hour
from controller.thermal.specs import FreezerSpec

FOAM_M = 0.025
FOAM_W_MK = 0.029
"""Extruded polystyrene. Source: R-5 an inch, trade tables; ASHRAE material table 0.026 to 0.029."""
MOST_LISTED = 5
WORTH_HOURS = 0.25
"""A change that brings less time in band than this a day is not listed [h]."""
WORTH_PACKS = 0.05
"""Of a build that holds: share of the ice a day that a change must save to be listed."""
FLAT_MM = 30.0
COOLER_K = 3.0
MUCH_FRESH_AIR = 3.0
TIMES = {2.0: "twice", 3.0: "three times", 4.0: "four times"}
"""Larger freezers, and how they are said."""
FREEZER_SPARE = 1.2
"""A freezer is bought with this share of what is needed [-]. Own choice."""
EASY_DUTY = 0.7
"""Share of the warmest hour in which a coil of the right size runs [-]. Own choice."""
SETTLED_DAYS = 0.5
"""Before a day that shows what a change saves: air, walls and crop have settled [d]."""
NO_MATTER = 0.005
"""Changes that bring as much within this share of a day bring the same."""
MORE_OF_THE_SAME: Mapping[str, str] = {
    "one-more-set": "larger-freezer",
    "no-food": "larger-freezer",
}
"""Changes, and the one that does the same and more: a larger freezer comes with one more set, and
freezes at least as much as one that is emptied."""
PARTS = {0.5: "half", 0.25: "a quarter of", 0.125: "an eighth of"}
"""Smaller cores, and how they are said."""


class Effort(StrEnum):
    """What a change costs, roughly."""

    DO = "costs nothing"
    SMALL = "a small purchase"
    WORK = "an afternoon of work"
    LARGE = "a large purchase"


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing to buy or to do, and what it brings."""

    key: str
    """Names it for `with_changes`."""
    what: str
    effort: Effort
    before: float
    after: float
    unit: str
    gain: float
    """Of a build that does not hold: share of the day more in band. Of one that holds: share of
    the ice a day that is saved."""
    holds: bool
    """Whether the build holds with it."""


@dataclass(frozen=True, slots=True)
class Applied:
    """One change that was made to a build."""

    key: str
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Idea:
    key: str
    what: str
    effort: Effort
    before: float
    after: float
    unit: str
    build: Build
    widens: Limit | None = None
    """What limit it moves; None: it lessens the heat."""


def best_changes(judgement: Judgement) -> tuple[Change, ...]:
    """Return the changes that bring most, best first, at most `MOST_LISTED`.

    Of a build that does not hold each is judged by the spell that judged the build. Of one that
    holds a day shows what a change saves.

    Raises:
        PhysicsError: A figure outside the range of the formulas.
    """
    if judgement.verdict is Verdict.NEEDS_HEAT:
        return ()
    # the same day each day, also where the room has a course of its own
    build = replace(judgement.build, room=None)
    if judgement.holds:
        before = judgement.days if judgement.build.room is None else one_day(build)
    else:
        before = judgement.days if judgement.build.room is None else deciding_days(build)
    changes: list[Change] = []
    for idea in _ideas_for(build):
        if not _may_help(idea, judgement) or _is_hopeless(idea, changes):
            continue
        if judgement.holds:
            after = one_day(idea.build)
        else:
            after = deciding_days(idea.build, most_out_h=_most_out_h(before, changes))
        changes.append(_change(idea, before, after, judgement))
    useful = [change for change in changes if change.gain > _worth(judgement)]
    return tuple(sorted(useful, key=_rank)[:MOST_LISTED])


def one_day(build: Build) -> HotDays | None:
    """Return a hot day that shows the heat of a build that holds, the packs frozen before it."""
    return build.days(1.0, settling_days=SETTLED_DAYS)


def _worth(judgement: Judgement) -> float:
    return WORTH_PACKS if judgement.holds else WORTH_HOURS / 24.0


def _rank(change: Change) -> tuple[float, int]:
    """Return what sorts changes: what they bring, and where that is much the same the effort."""
    return -round(change.gain, 2), list(Effort).index(change.effort)


def _is_hopeless(idea: _Idea, tried: Sequence[Change]) -> bool:
    """Return whether a change that does the same and more was tried and brings nothing."""
    more = MORE_OF_THE_SAME.get(idea.key)
    return any(each.key == more and each.gain <= 0.0 for each in tried)


def _most_out_h(before: HotDays | None, tried: Sequence[Change]) -> float:
    """Return how long days may be out of band that are to be listed [h]."""
    gains = sorted((change.gain for change in tried), reverse=True)
    least = gains[MOST_LISTED - 1] - NO_MATTER if len(gains) >= MOST_LISTED else 0.0
    least_share = _share(before) + max(WORTH_HOURS / 24.0, least)
    return (1.0 - least_share) * HOURS * DAYS + 1e-6


def with_changes(build: Build, keys: Iterable[str]) -> tuple[Build, tuple[Applied, ...]]:
    """Return a build with changes made to it, and those that were made.

    Args:
        build: As it is.
        keys: Keys of changes in the order in which they are made; one that does not apply to the
            build, or that changes people and not equipment, is passed over.

    Raises:
        PhysicsError: A figure outside the range of the formulas.
    """
    applied: list[Applied] = []
    for key in keys:
        idea = next((each for each in _ideas_for(build) if each.key == key), None)
        if idea is not None and not idea.build.always_awake:
            build = idea.build
            applied.append(Applied(idea.key, idea.what))
    return build, tuple(applied)


def _may_help(idea: _Idea, judgement: Judgement) -> bool:
    if judgement.holds:
        return idea.widens is None
    if judgement.limit in {Limit.NEVER_FROZEN, Limit.OVERSHOOT}:
        return idea.widens is judgement.limit  # less heat helps neither
    return idea.widens is None or idea.widens is judgement.limit


def _change(
    idea: _Idea, before: HotDays | None, after: HotDays | None, judgement: Judgement
) -> Change:
    if judgement.holds:
        gain = _saved(judgement.build, before, idea.build, after)
    else:
        gain = _share(after) - _share(before)
    return Change(
        key=idea.key,
        what=idea.what,
        effort=idea.effort,
        before=idea.before,
        after=idea.after,
        unit=idea.unit,
        gain=gain,
        holds=after is not None
        and in_band(after)
        and not too_often(after)
        # ten days show by themselves whether the freezer does; one day does not
        and (not judgement.holds or idea.build.keeps_up(after)),
    )


def _share(days: HotDays | None) -> float:
    return 0.0 if days is None else days.in_band_share


def _saved(build: Build, before: HotDays | None, changed: Build, after: HotDays | None) -> float:
    """Return the share of the reservoir's heat that a change saves; 0 if it holds no more."""
    if before is None or after is None or not in_band(after):
        return 0.0
    now_kj = build.reservoir_kj(before) / before.days
    return 1.0 - changed.reservoir_kj(after) / after.days / now_kj if now_kj > 0.0 else 0.0


def _ideas_for(build: Build) -> Iterator[_Idea]:
    yield from _less_heat(build)
    yield from _more_cold(build)


def _inch(build: Build) -> str:
    return "1 in" if build.settings.display.unit == "F" else f"{1000.0 * FOAM_M:g} mm"


def _flat(build: Build) -> str:
    return "1¼ in" if build.settings.display.unit == "F" else f"{FLAT_MM:g} mm"


def _cooler(build: Build) -> str:
    return f"{1.8 * COOLER_K:.0f} °F" if build.settings.display.unit == "F" else f"{COOLER_K:g} °C"


def _less_heat(build: Build) -> Iterator[_Idea]:
    plant = build.plant
    chamber, box, room = plant.chamber, plant.reservoir, plant.room
    u_before = chamber.envelope_w_k / chamber.wall_area_m2
    u_after = 1.0 / (1.0 / u_before + FOAM_M / FOAM_W_MK)
    yield _Idea(
        key="foam",
        what=f"tape {_inch(build)} of foam board on every wall and the door",
        effort=Effort.WORK,
        before=u_before,
        after=u_after,
        unit="W/(m²·K)",
        build=build.with_plant(
            replace(plant, chamber=replace(chamber, wall=None, wall_u_w_m2k=u_after))
        ),
    )
    yield _Idea(
        key="cooler-place",
        what=f"move the chamber to a place {_cooler(build)} cooler",
        effort=Effort.DO,
        before=room.day_c,
        after=room.day_c - COOLER_K,
        unit="°C",
        build=build.with_plant(
            replace(
                plant,
                room=replace(room, day_c=room.day_c - COOLER_K, night_c=room.night_c - COOLER_K),
            )
        ),
    )
    if chamber.lights_w >= 5.0:
        yield _Idea(
            key="half-lights",
            what="lights of half the watts, or their driver outside",
            effort=Effort.SMALL,
            before=chamber.lights_w,
            after=0.5 * chamber.lights_w,
            unit="W",
            build=build.with_plant(
                replace(plant, chamber=replace(chamber, lights_w=0.5 * chamber.lights_w))
            ),
        )
    if chamber.air_changes_per_h > MUCH_FRESH_AIR:
        yield _Idea(
            key="half-air",
            what="half the fresh air, if the crop bears it",
            effort=Effort.DO,
            before=chamber.air_changes_per_h,
            after=0.5 * chamber.air_changes_per_h,
            unit="1/h",
            build=build.with_plant(
                replace(
                    plant,
                    chamber=replace(chamber, air_changes_per_h=0.5 * chamber.air_changes_per_h),
                )
            ),
        )
    yield _Idea(
        key="insulate-box",
        what=f"insulate the box and the tubes: {_inch(build)} of foam around and on the lid",
        effort=Effort.WORK,
        before=box.ua_w_k,
        after=0.6 * box.ua_w_k,
        unit="W/K",
        build=build.with_plant(
            replace(
                plant,
                reservoir=replace(box, ua_w_k=0.6 * box.ua_w_k),
                fine=replace(plant.fine, tubing_w_k=0.6 * plant.fine.tubing_w_k),
            )
        ),
    )


def _scaled_core(build: Build, times: float) -> Build:
    """Return the build with so many times the core and its fans, on the same pump."""
    plant = build.plant
    scaled = scaled_coil(build, times)
    return scaled.with_plant(
        replace(
            scaled.plant,
            chamber=replace(plant.chamber, fans_w=times * plant.chamber.fans_w),
            coil=replace(scaled.plant.coil, water_kg_s=plant.coil.water_kg_s),
        )
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


def _times_the_freezer(build: Build) -> float:
    """Return how many times the freezer gives back what a hot day takes, by its plate."""
    plant = build.plant
    gives_kg = freezer_kg_per_day(plant.freezer, plant.packs)
    needed_kg = FREEZER_SPARE * build.needed_kg_per_day()
    return next((times for times in TIMES if times * gives_kg >= needed_kg), max(TIMES))


def _more_cold(build: Build) -> Iterator[_Idea]:
    plant = build.plant
    packs, coil, freezer = plant.packs, plant.coil, plant.freezer
    yield _Idea(
        key="second-core",
        what="a second core with its fan beside the first, or one of twice the face",
        effort=Effort.SMALL,
        before=coil.ua_air_w_k,
        after=2.0 * coil.ua_air_w_k,
        unit="W/K",
        build=_scaled_core(build, 2.0),
        widens=Limit.COIL,
    )
    share = _enough_of_core(build)
    yield _Idea(
        key="smaller-core",
        what=f"a core of {PARTS[share]} the face, with {PARTS[share]} the air through it",
        effort=Effort.SMALL,
        before=coil.ua_air_w_k,
        after=share * coil.ua_air_w_k,
        unit="W/K",
        build=_scaled_core(build, share),
        widens=Limit.OVERSHOOT,
    )
    one_set = max(1, packs.in_reservoir)
    rated_kg = freezer_rated_kg(freezer)
    times = _times_the_freezer(build)
    yield _Idea(
        key="larger-freezer",
        what=f"a freezer that freezes {TIMES[times]} as much a day (by its rating plate), with one "
        "more set",
        effort=Effort.LARGE,
        before=rated_kg,
        after=times * rated_kg,
        unit="kg/day",
        build=build.with_plant(
            replace(
                plant,
                packs=replace(packs, count=packs.count + one_set),
                freezer=FreezerSpec(kg_per_day=times * rated_kg, food=freezer.food),
            )
        ),
        widens=Limit.FREEZER,
    )
    yield _Idea(
        key="one-more-set",
        what="one more set of packs in the freezer",
        effort=Effort.SMALL,
        before=packs.count,
        after=packs.count + one_set,
        unit="packs",
        build=build.with_plant(replace(plant, packs=replace(packs, count=packs.count + one_set))),
        widens=Limit.FREEZER,
    )
    if freezer.food != "none":
        yield _Idea(
            key="no-food",
            what="a freezer without food in it",
            effort=Effort.DO,
            before=1,
            after=0,
            unit="food",
            build=build.with_plant(replace(plant, freezer=replace(freezer, food="none"))),
            widens=Limit.FREEZER,
        )
    more = max(1, round(0.5 * one_set))
    sets = max(1, -(-packs.count // one_set))  # one that is not whole is filled up too
    for limit in (Limit.SET, Limit.FACES):
        yield _Idea(
            key="larger-set",
            what=f"{more} more {'pack' if more == 1 else 'packs'} in every set",
            effort=Effort.SMALL,
            before=packs.in_reservoir,
            after=packs.in_reservoir + more,
            unit="packs",
            build=build.with_plant(
                replace(
                    plant,
                    packs=replace(
                        packs,
                        count=packs.count + sets * more,
                        in_reservoir=packs.in_reservoir + more,
                    ),
                )
            ),
            widens=limit,
        )
    if packs.shape == "bottle" or packs.thickness_mm > FLAT_MM:
        for limit in (Limit.FACES, Limit.FREEZER):
            yield _Idea(
                key="flat-packs",
                what=f"flat packs of {_flat(build)}, the same weight in all",
                effort=Effort.SMALL,
                before=packs.thickness_mm,
                after=FLAT_MM,
                unit="mm",
                build=build.with_plant(
                    replace(
                        plant,
                        packs=replace(packs, shape="slab", thickness_mm=FLAT_MM, refreeze_h=None),
                    )
                ),
                widens=limit,
            )
    yield _Idea(
        key="night-shift",
        what="somebody who changes packs at night too",
        effort=Effort.DO,
        before=0,
        after=1,
        unit="person",
        build=replace(build, always_awake=True),
        widens=Limit.NIGHT,
    )
    if packs.filling.plateau_c < 0.0:
        yield _Idea(
            key="plain-packs",
            what="packs of plain water in the place of these",
            effort=Effort.SMALL,
            before=packs.filling.plateau_c,
            after=0.0,
            unit="°C",
            build=build.with_plant(
                replace(
                    plant,
                    packs=replace(packs, fill="ice", plateau_c=None, latent_kj_kg=None),
                )
            ),
            widens=Limit.NEVER_FROZEN,
        )
