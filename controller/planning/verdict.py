"""Will this build hold this crop through hot days? One pure function, read off rehearsed days."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum

from controller.planning.build import COARSE_DAYS, SUPPLY_DAYS, Build
from controller.planning.design_hour import (
    DesignHour,
    conditions_at,
    design_hour,
    warmest_hour,
)
from controller.rehearsal.hot_day_counter import HOURS, Border
from controller.rehearsal.hot_day_figures import HotDays
from controller.rehearsal.room_file import RoomSeries
from controller.rehearsal.tally import BAND_SLACK_K
from controller.rehearsal.trace_row import TraceRow
from controller.settings.load import Settings
from controller.thermal.freezing import freezer_kg_per_day, refreeze_h
from controller.thermal.heat_load import steady_hour
from controller.thermal.specs import FreezerSpec, PackSpec, PlantSpec

HOLDS_SHARE = 0.96
"""A build holds when the air is in band for this share of the hot days: out of it for no more than
an hour a day, by no more than half a kelvin beyond the switching points. Own choice."""
MOST_ABOVE_K_H = HOURS * COARSE_DAYS * BAND_SLACK_K
"""Short days that are warmer than this are out of band [K·h]: beyond its slack all the time."""
BORDER = Border(HOLDS_SHARE, margin=0.006)
"""So near to where a build begins to hold, days that repeat each other within
`rehearsal.hot_day_counter.SAME_SHARE` may bring it to either side."""
LEAST_SHARE = 0.1
"""Of a build that is in band for less than this share of the last day nothing is said about pack
changes: its packs warm up whatever is done. Own choice."""
LEAST_H = 3.0
"""Nobody goes on changing packs more often than this by day [h]. Own choice."""
NIGHT_H = 8.0
COLD_SPELL_K_H = 4.0
"""Below cut-out by this much a day counts as cold [K·h/day]: a kelvin over four hours."""
SAME_K_H = 0.25
"""Of two limits whose removal leaves so nearly the same warmth that stands which people can do more
about: freezer, set, packs, coil, night [K·h/day]."""
AMPLE_KG_DAY = 1000.0
NO_TIME_H = 0.1


class Verdict(StrEnum):
    """What rehearsed hot days say of a build."""

    HOLDS = "holds"
    SHORT = "short"
    """Something runs out that packs, freezer or a person could bring."""
    CANNOT = "cannot"
    """No number of packs helps."""
    NEEDS_HEAT = "needs_heat"
    """The room is colder than the band, and nothing here warms it."""


class Limit(StrEnum):
    """What limits a build."""

    COIL = "coil"
    OVERSHOOT = "overshoot"
    FREEZER = "freezer"
    SET = "set"
    FACES = "faces"
    NIGHT = "night"
    NEVER_FROZEN = "never_frozen"
    ROOM = "room"


TIGHTEST = {
    Limit.COIL: "the coil at the hottest hour",
    Limit.FREEZER: "freezing packs fast enough",
    Limit.SET: "how long a set of packs lasts",
}
"""The tightest point of a build that holds, as a phrase."""
RUNS_OUT = {
    Limit.COIL: "the coil takes too little heat at the hottest hour",
    Limit.OVERSHOOT: "each run of the pump cools the air too far: the coil is too strong for so "
    "little heat",
    Limit.FREEZER: "the freezer does not freeze the packs fast enough",
    Limit.SET: "a set of packs is too small to last",
    Limit.FACES: "the packs are too thick to give their cold in time",
    Limit.NIGHT: "nobody changes the packs at night",
    Limit.NEVER_FROZEN: "the packs never freeze in this freezer",
    Limit.ROOM: "the room is colder than the band, and nothing warms the chamber",
}
"""What stops a build that does not hold, as a phrase."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PackSupply:
    """Packs that the days took, and packs that the freezer can give back."""

    ice_kg_per_day: float
    """Fill melted a day, in days that hold where any do [kg/day]."""
    packs_per_day: float | None
    """Packs put in a day, from the first change to the last; over the days where there are fewer
    than two. None, as are the hours of a set: out of band so long that they say nothing."""
    worst_h: float | None
    """Shortest time for which a set kept the water cold enough [h]; None: none ran out."""
    mean_h: float | None
    """Mean time between two changes [h]; None: fewer than two."""
    refreeze_h: float
    """Time one pack takes to freeze [h]; infinite: never in this freezer."""
    limit_kg_per_day: float
    """What the freezer can give back, by its plate and by the time each pack takes [kg/day]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """The whole answer on one build."""

    verdict: Verdict
    limit: Limit | None
    """What binds; of a build that holds, its tightest point. None: nothing needs to be cooled."""
    spare: float | None
    """Of a build that holds: share by which the tightest point exceeds the need; else None."""
    build: Build
    days: HotDays | None
    """The days behind the verdict; None: the chamber grew too hot for them to be worked out."""
    supply: PackSupply
    design: DesignHour

    @property
    def holds(self) -> bool:
        """Whether the build holds."""
        return self.verdict is Verdict.HOLDS

    @property
    def changed_too_often(self) -> bool:
        """Whether the band is held, but by changing packs more often than anybody would."""
        return not self.holds and in_band(self.days)

    @property
    def binding(self) -> str:
        """What limits the build, in one phrase; empty where nothing does."""
        if self.limit is None:
            return ""
        return (TIGHTEST if self.holds else RUNS_OUT)[self.limit]


def judge(
    settings: Settings,
    *,
    plant: PlantSpec | None = None,
    room: RoomSeries | None = None,
    trace: Callable[[TraceRow], None] | None = None,
) -> Judgement:
    """Rehearse hot days of one build and return what they say.

    Args:
        settings: Stage, timers, people, and everything else that *plant* does not replace.
        plant: Equipment to judge; None: that of the settings.
        room: The room over a settling day and the counted ones, in the place of the plant's.
        trace: Is given a row every five minutes of the days behind the verdict.

    Raises:
        PhysicsError: A figure outside the range of the formulas.
    """
    spec = settings.plant_spec() if plant is None else plant
    build = Build(settings=settings, plant=spec, room=room)
    days = deciding_days(build, trace=trace)
    needed = days
    if days is None:
        verdict = Verdict.CANNOT
    elif in_band(days):
        verdict = Verdict.SHORT if too_often(days) else Verdict.HOLDS
    elif _needs_heat(build, days):
        verdict = Verdict.NEEDS_HEAT
    elif _too_cold(days):
        verdict = Verdict.CANNOT
    else:
        ample = _packs_without_end(build).coarse_days(most_above_k_h=MOST_ABOVE_K_H)
        # water that stays at its coldest may take the air below its band: that is no lack of cold
        helped = in_band(ample) or (ample is not None and _too_cold(ample))
        verdict = Verdict.SHORT if helped else Verdict.CANNOT
        needed = ample if helped else days
    supply = supply_of(build, days, needed)
    limit, spare = _limit(build, days, supply, verdict)
    return Judgement(
        verdict=verdict,
        limit=limit,
        spare=spare,
        build=build,
        days=days,
        supply=supply,
        design=design_hour(
            settings, spec, reservoir_c=build.spent_c() if days is None else days.reservoir_mean_c
        ),
    )


def deciding_days(
    build: Build,
    *,
    until_steady: bool = False,
    trace: Callable[[TraceRow], None] | None = None,
    most_out_h: float = math.inf,
) -> HotDays | None:
    """Return the spell by which a build is judged; near `BORDER` more of its days are rehearsed.

    Args:
        build: The build.
        until_steady: As for `hot_days`, where only the time in band is asked for.
        trace: As for `judge`.
        most_out_h: As for `Build.days`.

    Raises:
        PhysicsError: A figure outside the range of the formulas.
    """
    return build.days(until_steady=until_steady, border=BORDER, trace=trace, most_out_h=most_out_h)


def in_band(days: HotDays | None) -> bool:
    """Return whether these days count as held."""
    return days is not None and days.in_band_share >= HOLDS_SHARE


def too_often(days: HotDays | None) -> bool:
    """Return whether packs were changed more often than anybody would."""
    return days is not None and len(days.sets) > 24.0 / LEAST_H * days.days


def too_warm_k_h(days: HotDays | None) -> float:
    """Return the degree-hours above cut-in a day; infinite where the chamber grew far too hot."""
    return math.inf if days is None else days.degree_hours_above / days.days


def is_too_warm(days: HotDays) -> bool:
    """Return whether the warm air of these days alone is enough for a build not to hold."""
    return too_warm_k_h(days) >= (1.0 - HOLDS_SHARE) * HOURS * BAND_SLACK_K


def _too_cold(days: HotDays) -> bool:
    """Return whether days that do not hold fail by cold air: the warm air alone is too little."""
    return not is_too_warm(days) and days.degree_hours_below > days.degree_hours_above


def _needs_heat(build: Build, days: HotDays) -> bool:
    """Return whether the air is too cold because the room is, not because the coil overshoots."""
    if days.degree_hours_below / days.days < COLD_SPELL_K_H:
        return False
    if days.degree_hours_below < days.degree_hours_above:
        return False
    return _room_too_cold(build)


def _room_too_cold(build: Build) -> bool:
    """Return whether the air falls below cut-out in the coldest hour without any cooling."""
    settings, spec = build.settings, build.plant
    stage = settings.stages[settings.chamber.stage]
    coldest = conditions_at(
        settings, spec, (warmest_hour(spec) + 12) % 24, air_c=stage.cut_out / 1000
    )
    return steady_hour(spec, coldest, reservoir_c=0.0).duty <= 0.0


def _packs_without_end(build: Build) -> Build:
    """Return the build with frozen packs always at hand and somebody there at any hour."""
    return replace(_larger_set(_ample_freezer(build)), always_awake=True)


def _ample_freezer(build: Build) -> Build:
    packs = build.plant.packs
    return build.with_plant(
        replace(
            build.plant,
            packs=replace(
                packs,
                count=packs.count + 4 * max(1, packs.in_reservoir),
                refreeze_h=NO_TIME_H,
                freezer_c=None,
            ),
            freezer=FreezerSpec(kg_per_day=AMPLE_KG_DAY),
        )
    )


def _larger_set(build: Build) -> Build:
    packs = build.plant.packs
    in_set = 3 * max(1, packs.in_reservoir)
    first, *others = (
        replace(each, kg_per_day=3.0 * freezer_rated_kg(each)) for each in build.plant.every_freezer
    )
    return build.with_plant(
        replace(
            build.plant,
            packs=replace(
                packs, count=in_set + 3 * (packs.count - packs.in_reservoir), in_reservoir=in_set
            ),
            freezer=first,
            more_freezers=tuple(others),
        )
    )


def freezer_rated_kg(freezer: FreezerSpec) -> float:
    """Return the capacity that a rating plate would have to say for this freezer [kg/day]."""
    if freezer.kg_per_day is not None:
        return freezer.kg_per_day
    packs = PackSpec()
    plated = freezer_kg_per_day(FreezerSpec(kg_per_day=1.0, food=freezer.food), packs)
    return freezer_kg_per_day(freezer, packs) / plated


def _thinner(build: Build) -> Build:
    packs = build.plant.packs
    return build.with_plant(
        replace(
            build.plant,
            packs=replace(packs, shape="slab", thickness_mm=min(15.0, packs.thickness_mm)),
        )
    )


def scaled_coil(build: Build, times: float) -> Build:
    """Return the build with a coil of so many times the area and flow."""
    coil = build.plant.coil
    return build.with_plant(
        replace(
            build.plant,
            coil=replace(
                coil,
                ua_air_w_k=times * coil.ua_air_w_k,
                ua_water_w_k=times * coil.ua_water_w_k,
                air_kg_s=times * coil.air_kg_s,
                water_kg_s=times * coil.water_kg_s,
            ),
        )
    )


def _limit(
    build: Build, days: HotDays | None, supply: PackSupply, verdict: Verdict
) -> tuple[Limit | None, float | None]:
    """Return what binds: of a build that is short, what brings most when it is taken away."""
    if math.isinf(supply.refreeze_h):
        return Limit.NEVER_FROZEN, None
    if verdict is Verdict.NEEDS_HEAT:
        return Limit.ROOM, None
    if days is None:
        return Limit.COIL, None
    if verdict is Verdict.CANNOT:
        if not _too_cold(days):
            return Limit.COIL, None
        return (Limit.ROOM if _room_too_cold(build) else Limit.OVERSHOOT), None
    if verdict is Verdict.HOLDS:
        return _tightest(days, supply)
    removed = {
        Limit.FREEZER: _ample_freezer(build),
        Limit.SET: _larger_set(build),
        Limit.FACES: _thinner(build),
        Limit.COIL: scaled_coil(build, 3.0),
        Limit.NIGHT: replace(build, always_awake=True),
    }
    if in_band(days):  # held, but only by changing packs all day
        removed = {limit: removed[limit] for limit in (Limit.SET, Limit.FACES)}
        changes = {limit: each.coarse_days() for limit, each in removed.items()}
        return min(changes, key=lambda limit: _sets(changes[limit])), None
    limit, least_k_h = Limit.FREEZER, math.inf
    for each, without in removed.items():
        # days that are warmer than the best so far need no end
        to_beat_k_h = least_k_h - SAME_K_H
        if to_beat_k_h <= 0.0:
            break
        left_k_h = too_warm_k_h(
            without.coarse_days(SUPPLY_DAYS, most_above_k_h=to_beat_k_h * SUPPLY_DAYS)
        )
        if left_k_h < to_beat_k_h:
            limit, least_k_h = each, left_k_h
    return limit, None


def _sets(days: HotDays | None) -> float:
    return math.inf if days is None else len(days.sets)


def _tightest(days: HotDays, supply: PackSupply) -> tuple[Limit | None, float | None]:
    """Return what would run out first, and by how much it exceeds the need."""
    if days.duty <= 0.0:
        return None, None
    covers = {Limit.COIL: 1.0 / max(hour.duty for hour in days.cycles)}
    if supply.ice_kg_per_day > 0.0:
        covers[Limit.FREEZER] = supply.limit_kg_per_day / supply.ice_kg_per_day
    if supply.worst_h is not None:
        covers[Limit.SET] = supply.worst_h / NIGHT_H
    tightest = min(covers, key=lambda limit: covers[limit])
    return tightest, max(0.0, covers[tightest] - 1.0)


def _says_nothing_of_packs(days: HotDays | None) -> bool:
    return days is None or days.in_band_by_day[-1] < LEAST_SHARE


def supply_of(build: Build, days: HotDays | None, needed: HotDays | None) -> PackSupply:
    """Return packs taken and packs the freezer can give back.

    Args:
        build: The build.
        days: Its rehearsed days.
        needed: Days that show what is needed, where these do not hold.
    """
    sets = () if days is None or _says_nothing_of_packs(days) else days.sets
    whole = [(each.lasted_h, each.packs) for each in sets if each.lasted_h is not None]
    lasted_h = sum(hours for hours, _ in whole)
    packs_per_day: float | None = 0.0
    if _says_nothing_of_packs(days):
        packs_per_day = None
    elif lasted_h > 0.0:
        packs_per_day = 24.0 * sum(count for _, count in whole) / lasted_h
    elif days is not None:
        packs_per_day = days.packs_used / days.days
    return PackSupply(
        ice_kg_per_day=(
            0.0 if needed is None else max(0.0, needed.ice_melted_kg or 0.0) / needed.days
        ),
        packs_per_day=packs_per_day,
        worst_h=min((each.useful_h for each in sets if each.useful_h is not None), default=None),
        mean_h=lasted_h / len(whole) if whole else None,
        refreeze_h=refreeze_h(build.plant.packs),
        limit_kg_per_day=build.limit_kg_per_day(),
    )
