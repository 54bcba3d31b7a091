"""Swap due: what was recorded goes in, the moment by which packs must be changed comes out.

The same bins, logs and instant give the same forecast.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from random import Random
from typing import NamedTuple

from controller.foresight.air_side import Terms
from controller.foresight.algebra import Matrix, Vector, cholesky
from controller.foresight.band import SPENT_FOR_S
from controller.foresight.bins import BIN_S, Bin
from controller.foresight.course import duty_known
from controller.foresight.forward import FARTHEST_S, STEPS, End, run_out
from controller.foresight.learning import Learning
from controller.foresight.situation import Situation
from controller.foresight.swaps import Logged, Swap, find_swaps
from controller.foresight.unknowns import WIDENED, Unknowns, within_range
from controller.foresight.water_side import Water, WaterSide

PAIRS = 24
DISTURBED = 0.08
"""Load that nobody foresees: standard deviation as a share of the mean load [-] …"""
DISTURBANCE_LASTS_S = 6 * 3600.0
"""… and how long it stays [s]."""
NARROWED = 0.6
"""The ensemble is too wide, because its errors partly cancel."""
WIDER_AT_FIRST = (1.2, 1.2, 1.1, 1.0)
"""By the ends seen so far: without any, errors are less known than the ensemble says [-]."""
WIDER_BLIND = 1.2
"""Without a room probe the weather of the hours to come is less known [-]."""
NEAR_S, NEAR_SHARE = 600.0, 0.05
"""What the ensemble does not know of: the last hour's load, doors, the probe's own step [s], and
how that grows with the time to come [-]; from foreign simulated weeks and our own."""
EARLY, LATE = 0.1, 0.9
NOT_WITHIN = 0.98 * FARTHEST_S
SILENT_S = 6 * 3600.0
"""Nothing is said from records that end longer ago than this [s]."""
ENOUGH_DUES = 3


BEFORE_THE_RECORDS = (
    "the pack change that was logged lies before the first reading; the next one starts the "
    "forecast"
)
"""Why there is no forecast where packs went in before anything was recorded."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """What can be said at an instant; times in seconds since 1970, UTC."""

    as_of_s: float
    due_s: float | None = None
    """None: not within sixty hours, or nothing can be said (``basis`` tells which)."""
    early_s: float | None = None
    """One time in ten it is due before this."""
    late_s: float | None = None
    """One time in ten it is due after this."""
    reserve_kj: float | None = None
    """Heat that the reservoir still takes before it stops being useful."""
    reserve_early_kj: float | None = None
    reserve_late_kj: float | None = None
    useful_until_c: float | None = None
    """Reservoir at which the cold has run out, by the load then and by this coil [°C]."""
    taken_up_kj: float | None = None
    """Heat taken up since the swap."""
    cycles_learned: int = 0
    """Sets of packs whose end was seen."""
    basis: str = "unknown"
    """``sized``, ``mixed``, ``learned`` or ``unknown``."""
    situation: Situation | None = None
    """What it starts from."""
    notes: tuple[str, ...] = ()
    """What makes it less sure than it could be, in plain words."""


def make_forecast(
    learning: Learning, bins: Sequence[Bin], logged: Sequence[Logged], *, now_s: float
) -> Forecast:
    """Return the forecast at an instant; *learning* is brought up to it.

    Args:
        learning: What is known of the chamber.
        bins: Without a hole; those that end later are not looked at.
        logged: Swaps that people noted; later ones are not looked at.
        now_s: The instant.
    """
    bins = [each for each in bins if each.end_s <= now_s]
    if not bins or bins[-1].end_s < now_s - SILENT_S:
        return Forecast(as_of_s=now_s, notes=("nothing was recorded lately",))
    swaps = find_swaps(bins, [note for note in logged if note.at_s <= now_s])
    if not swaps:
        before = any(note.at_s < bins[0].start_s for note in logged)
        why = BEFORE_THE_RECORDS if before else "no pack change is known yet"
        return Forecast(as_of_s=now_s, notes=(why,))
    if not duty_known([each for each in bins if each.start_s >= swaps[-1].at_s]):
        return Forecast(
            as_of_s=now_s,
            notes=("the records since the last pack change do not say when pump and fan ran",),
        )
    situation = learning.situation(bins, swaps)
    if situation is None:
        return Forecast(as_of_s=now_s, notes=("the packs have only just gone in",))
    return replace(
        _judged(learning, situation),
        taken_up_kj=_taken_up_kj(situation),
        cycles_learned=learning.dues,
        basis=_basis(learning),
        situation=situation,
        notes=_notes(situation),
    )


def _judged(learning: Learning, situation: Situation) -> Forecast:
    """Return due, bounds and reserve."""
    now_s, start = situation.now_s, situation.start
    if start.came_back and start.too_warm_for_s >= SPENT_FOR_S:
        begun_s = now_s - start.too_warm_for_s
        return Forecast(
            as_of_s=now_s, due_s=begun_s, early_s=begun_s, late_s=begun_s,
            reserve_kj=0.0, reserve_early_kj=0.0, reserve_late_kj=0.0,
        )  # fmt: skip
    plain = run_out(start, situation.water, situation.side, situation.around)
    ends_s, reserves_kj = _ensemble(situation)
    forecast = Forecast(
        as_of_s=now_s,
        reserve_kj=_quantile(reserves_kj, 0.5),
        reserve_early_kj=_quantile(reserves_kj, EARLY),
        reserve_late_kj=_quantile(reserves_kj, LATE),
        useful_until_c=None if plain is None else plain.water_c,
    )
    middle_s = _quantile(ends_s, 0.5)
    early_s = _quantile(ends_s, EARLY)
    ahead_s = 0.5 * (middle_s + (FARTHEST_S if plain is None else plain.ahead_s))
    if ahead_s >= NOT_WITHIN:
        return replace(forecast, early_s=None if early_s >= NOT_WITHIN else now_s + early_s)
    ahead_s = max(0.0, ahead_s - learning.error_s(ahead_s))
    wide = NARROWED * WIDER_AT_FIRST[min(learning.dues, len(WIDER_AT_FIRST) - 1)]
    if not situation.room_probe:
        wide *= WIDER_BLIND
    near_s = NEAR_S + NEAR_SHARE * ahead_s
    before_s = math.hypot(near_s, wide * (middle_s - early_s))
    behind_s = math.hypot(near_s, wide * (_quantile(ends_s, LATE) - middle_s))
    return replace(
        forecast,
        due_s=now_s + ahead_s,
        early_s=now_s + max(0.0, ahead_s - before_s),
        late_s=now_s + ahead_s + behind_s,
    )


class _Draw(NamedTuple):
    """One pair of draws: standard normals for water and load, and a load that wanders."""

    of_water: list[float]
    of_load: list[float]
    wander: list[float]
    """By step, with a standard deviation of one."""


@cache
def _draws() -> tuple[_Draw, ...]:
    """Return the same draws for every forecast, so that one differs from the next by its data."""
    random = Random(1)  # noqa: S311 - repeatable draws, not a secret
    keep = math.exp(-BIN_S / DISTURBANCE_LASTS_S)
    shake = math.sqrt(1.0 - keep * keep)
    draws = []
    for _ in range(PAIRS):
        of_water = [random.gauss(0.0, 1.0) for _ in Unknowns._fields]
        of_load = [random.gauss(0.0, 1.0) for _ in Terms._fields]
        level, wander = 0.0, []
        for _ in range(STEPS):
            level = keep * level + shake * random.gauss(0.0, 1.0)
            wander.append(level)
        draws.append(_Draw(of_water, of_load, wander))
    return tuple(draws)


def _ensemble(situation: Situation) -> tuple[list[float], list[float]]:
    """Return ends [s ahead] and reserves [kJ] under what is not known, each in order."""
    belief, load = situation.fitted.belief, situation.load
    water_root = cholesky([[WIDENED * value for value in row] for row in belief.covariance])
    load_root = cholesky(load.covariance)
    around = situation.around
    ends_s: list[float] = []
    reserves_kj: list[float] = []
    for draw in _draws():
        for sign in (1.0, -1.0):
            values = within_range(_drawn(belief.mean, water_root, draw.of_water, sign))
            side = WaterSide(values, situation.sized)
            water = Water(situation.water.water_c, situation.fitted.groups_at(values))
            drawn = replace(
                around,
                values=Terms(*_drawn(load.mean, load_root, draw.of_load, sign)),
                wander=draw.wander,
                wander_k=sign * DISTURBED * load.typical_k,
            )
            end = run_out(situation.start, water, side, drawn)
            ends_s.append(FARTHEST_S if end is None else end.ahead_s)
            reserves_kj.append(_reserve_kj(side, water, end))
    return sorted(ends_s), sorted(reserves_kj)


def _drawn(mean: Sequence[float], root: Matrix, normals: Vector, sign: float) -> Vector:
    return [
        value + sign * sum(r * z for r, z in zip(row, normals, strict=True))
        for value, row in zip(mean, root, strict=True)
    ]


def _reserve_kj(side: WaterSide, water: Water, end: End | None) -> float:
    """Return the heat that the reservoir still takes before it stops being useful [kJ].

    How warm it may get follows from load and coil: it is what it is when the air begins to stay
    too warm.
    """
    last_c = water.water_c if end is None else end.water_c
    return max(0.0, side.cold_left_j(water, last_c) / 1000.0)


def _taken_up_kj(situation: Situation) -> float:
    side, start, now = situation.side, situation.course.start, situation.water
    spent_j = side.cold_left_j(start, now.water_c) - side.cold_left_j(now, now.water_c)
    return max(0.0, spent_j / 1000.0)


def _basis(learning: Learning) -> str:
    if not learning.sets:
        return "sized"
    return "learned" if learning.dues >= ENOUGH_DUES else "mixed"


def _notes(situation: Situation) -> tuple[str, ...]:
    swap: Swap = situation.swap
    notes = []
    if swap.packs is None:
        notes.append(
            "the reservoir fell as after a swap, and nobody logged one: a full set is supposed"
        )
    if swap.through is False:
        notes.append("the packs were not frozen through: how much they hold shows late")
    if not situation.room_probe:
        notes.append("without a room probe a change of weather is noticed hours late")
    if situation.course.seen_c[-1] is None:
        notes.append("the reservoir probe is lost: its temperature is reckoned, not measured")
    return tuple(notes)


def _quantile(ordered: Sequence[float], share: float) -> float:
    """Return a quantile of values in order, linear between them."""
    at = share * (len(ordered) - 1)
    low = int(at)
    high = min(low + 1, len(ordered) - 1)
    return ordered[low] + (at - low) * (ordered[high] - ordered[low])
