"""What to change first: each change is made to the plant and the whole sizing is run again."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from controller.planning.sizing import Band, Change, Cover, size
from controller.thermal.specs import PlantSpec

FOAM_M = 0.025
FOAM_W_MK = 0.029
"""Extruded polystyrene. Source: R-5 an inch, trade tables; ASHRAE material table 0.026 to 0.029."""
TOLD = 5
AMPLE = 3.0
"""Three times what is needed counts as plenty; more of it is no gain."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Idea:
    what: str
    before: float
    after: float
    unit: str
    spec: PlantSpec
    band: Band
    night_swap: bool = False


def best_changes(spec: PlantSpec, band: Band) -> tuple[Change, ...]:
    """Return the changes that help most, best first, at most `TOLD`.

    The gain is what the scarcest of coil, packs and night improves by; a change that only moves a
    figure that was not scarce is not told.

    Raises:
        PhysicsError: A figure outside the range of the formulas.
    """
    now = _measure(size(spec, band).cover)
    changes = [
        Change(
            what=idea.what,
            before=idea.before,
            after=idea.after,
            unit=idea.unit,
            gain=_measure(size(idea.spec, idea.band, night_swap=idea.night_swap).cover) - now,
        )
        for idea in _ideas(spec, band)
    ]
    helpful = [change for change in changes if change.gain > 0.005]
    return tuple(sorted(helpful, key=lambda change: -change.gain)[:TOLD])


def _measure(cover: Cover) -> float:
    least = cover.least
    return AMPLE if math.isinf(least) else min(AMPLE, least)


def _ideas(spec: PlantSpec, band: Band) -> Iterator[_Idea]:
    chamber, coil, packs = spec.chamber, spec.coil, spec.packs
    u_before = spec.chamber.envelope_w_k / chamber.wall_area_m2
    u_after = 1 / (1 / u_before + FOAM_M / FOAM_W_MK)

    def idea(what: str, before: float, after: float, unit: str, changed: PlantSpec) -> _Idea:
        return _Idea(what=what, before=before, after=after, unit=unit, spec=changed, band=band)

    yield idea(
        "25 mm more foam board on every wall",
        u_before,
        u_after,
        "W/(m²·K)",
        replace(spec, chamber=replace(chamber, wall=None, wall_u_w_m2k=u_after)),
    )
    yield idea(
        "a coil with half as much again of area and air",
        coil.ua_air_w_k,
        1.5 * coil.ua_air_w_k,
        "W/K",
        replace(
            spec,
            coil=replace(coil, ua_air_w_k=1.5 * coil.ua_air_w_k, air_kg_s=1.5 * coil.air_kg_s),
        ),
    )
    yield idea(
        "twice the water flow",
        coil.water_kg_s,
        2 * coil.water_kg_s,
        "kg/s",
        replace(spec, coil=replace(coil, water_kg_s=2 * coil.water_kg_s)),
    )
    one_set = max(1, packs.in_reservoir)
    yield idea(
        "one more set of packs in the freezer",
        packs.count,
        packs.count + one_set,
        "packs",
        replace(spec, packs=replace(packs, count=packs.count + one_set)),
    )
    yield idea(
        "one more pack in every set",
        packs.in_reservoir,
        packs.in_reservoir + 1,
        "packs",
        replace(
            spec, packs=replace(packs, count=packs.count + 2, in_reservoir=packs.in_reservoir + 1)
        ),
    )
    if packs.refreeze_h is not None:
        faster_h = 0.7 * packs.refreeze_h
        yield idea(
            "packs on edge in moving air in the freezer",
            packs.refreeze_h,
            faster_h,
            "h",
            replace(spec, packs=replace(packs, refreeze_h=faster_h)),
        )
    box = spec.reservoir
    yield idea(
        "a better insulated box",
        box.ua_w_k,
        0.6 * box.ua_w_k,
        "W/K",
        replace(spec, reservoir=replace(box, ua_w_k=0.6 * box.ua_w_k)),
    )
    yield idea(
        "a pump of half the watts",
        box.pump_w,
        0.5 * box.pump_w,
        "W",
        replace(spec, reservoir=replace(box, pump_w=0.5 * box.pump_w)),
    )
    yield idea(
        "lights of half the watts",
        chamber.lights_w,
        0.5 * chamber.lights_w,
        "W",
        replace(spec, chamber=replace(chamber, lights_w=0.5 * chamber.lights_w)),
    )
    yield _Idea(
        what="cut-in half a kelvin higher",
        before=band.cut_in_c,
        after=band.cut_in_c + 0.5,
        unit="°C",
        spec=spec,
        band=replace(band, cut_in_c=band.cut_in_c + 0.5),
    )
    yield _Idea(
        what="one swap in the middle of the night",
        before=0,
        after=1,
        unit="swaps",
        spec=spec,
        band=band,
        night_swap=True,
    )
