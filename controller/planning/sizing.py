"""Will this coil, this reservoir and these packs hold this crop through the hottest day?

Every figure comes from running the model of the plant: each hour of the design day as its steady
average (`load.steady_hour`) at several reservoir temperatures, and the reservoir with its packs
stepped through the day on that table. A change is judged by running all of it again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from controller.errors import PhysicsError
from controller.thermal.bath import Bath
from controller.thermal.coil import CoilDuty
from controller.thermal.equations import Equations
from controller.thermal.freezing import FREEZER_C, refreeze_h
from controller.thermal.load import (
    Conditions,
    SteadyHour,
    coil_capacity,
    daily_room_c,
    steady_hour,
    usable_kj_kg,
    warmest_reservoir_c,
)
from controller.thermal.packs import melted_share
from controller.thermal.specs import PlantSpec

HOURS = 24
STEP_S = 300.0
LONGEST_SET_H = 240.0
"""A set that lasts longer than ten days is not worth following further."""
SETTLING_DAYS = 2
COUNTED_DAYS = 4
NIGHT_H = 8.0
"""A set must last while the grower sleeps; common practice, no source."""
COIL_RESERVOIR_C = (2.0, 4.0, 6.0, 8.0, 10.0, 12.0, 14.0)
_TABLE_STEP_K = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """What the chamber's air is held between [°C]."""

    cut_in_c: float
    cut_out_c: float
    margin_k: float = 2.0
    """The reservoir must be this much colder than the air to be of use [K]."""

    def __post_init__(self) -> None:
        if not self.cut_out_c < self.cut_in_c:
            raise PhysicsError(
                f"cut-out {self.cut_out_c} °C must be below cut-in {self.cut_in_c} °C"
            )

    @property
    def middle_c(self) -> float:
        """Where the air is on average [°C]."""
        return 0.5 * (self.cut_in_c + self.cut_out_c)


@dataclass(frozen=True, slots=True, kw_only=True)
class Life:
    """How long sets of packs last, and what they take."""

    worst_h: float
    """Shortest life of a set, whatever the hour at which it goes in [h]; 0: it never serves."""
    mean_h: float
    """Mean life over days of swaps as soon as a set is spent [h]."""
    ice_kg_per_day: float
    reservoir_mean_c: float
    reservoir_w: float
    """Heat into the reservoir on average [W]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cover:
    """How much of what is needed there is, one figure for each thing that can run short.

    1 means just enough.
    """

    coil: float
    """What the coil takes with water as cold as it gets, over the load of the hottest hour."""
    rotation: float
    """Packs that the freezer gives back a day over packs that the day needs."""
    night: float
    """Life of a set that goes in at bedtime over the night, of two where the night is split."""

    @property
    def least(self) -> float:
        """The scarcest of the three."""
        return min(self.coil, self.rotation, self.night)

    @property
    def binding(self) -> str:
        """What runs short first, in one phrase."""
        phrases = {
            "coil": "the coil at the hottest hour",
            "rotation": "packs frozen in time",
            "night": "a set of packs does not last the night",
        }
        # a coil that cannot hold the hottest hour comes first: nothing else mends that
        scarcest = min(phrases, key=lambda name: float(getattr(self, name)))
        return phrases["coil" if self.coil < 1.0 else scarcest]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing to do, and what it brings."""

    what: str
    before: float
    after: float
    unit: str
    gain: float
    """Increase of the scarcest cover [-]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizing:
    """The whole answer."""

    hour: int
    conditions: Conditions
    hottest: SteadyHour
    coil: tuple[tuple[float, CoilDuty], ...]
    useful_reservoir_max_c: float | None
    life: Life
    kj_per_pack: float
    refreeze_h: float
    """Time to freeze one pack [h]; infinite: never in this freezer."""
    limit_kg_per_day: float
    cover: Cover

    @property
    def verdict(self) -> str:
        """``holds``, ``short`` (something runs out) or ``cannot`` (no number of packs helps)."""
        if self.cover.coil < 1.0 or math.isinf(self.refreeze_h) or self.life.worst_h <= 0.0:
            return "cannot"
        return "holds" if self.cover.least >= 1.0 else "short"

    @property
    def binding(self) -> str:
        """What limits the plant, in one phrase."""
        if math.isinf(self.refreeze_h):
            return "the packs never freeze in this freezer"
        return self.cover.binding


class _DesignDay:
    """Duty and heat into the reservoir by hour of day and reservoir temperature."""

    def __init__(self, spec: PlantSpec, band: Band) -> None:
        self.spec = spec
        self.band = band
        self.hottest = max(range(HOURS), key=lambda hour: daily_room_c(spec.room, hour))
        self.conditions = [
            Conditions(
                room_c=daily_room_c(spec.room, hour),
                room_rh=spec.room.rh,
                air_c=band.middle_c,
                air_rh=spec.chamber.rh,
            )
            for hour in range(HOURS)
        ]
        warmest_c = self.warmest_c = max(band.cut_in_c - band.margin_k, _TABLE_STEP_K)
        steps = max(1, math.ceil(warmest_c / _TABLE_STEP_K))
        self._grid_c = [warmest_c * step / steps for step in range(steps + 1)]
        # the day rises and falls alike around its hottest hour: each room is worked out once
        rows: dict[float, list[tuple[float, float]]] = {}
        for conditions in self.conditions:
            key = round(conditions.room_c, 6)
            if key not in rows:
                rows[key] = [
                    (hour.duty, hour.reservoir_w)
                    for water_c in self._grid_c
                    for hour in (steady_hour(spec, conditions, reservoir_c=water_c),)
                ]
        self._rows = [rows[round(conditions.room_c, 6)] for conditions in self.conditions]

    def at(self, hour: float, water_c: float) -> tuple[float, float]:
        """Return (duty, heat into the reservoir [W]) between the knots of the table."""
        row = self._rows[int(hour) % HOURS]
        step = self._grid_c[1] - self._grid_c[0]
        place = min(max(water_c / step, 0.0), len(row) - 1.000001)
        left = int(place)
        share = place - left
        (duty_a, heat_a), (duty_b, heat_b) = row[left], row[left + 1]
        return duty_a + share * (duty_b - duty_a), heat_a + share * (heat_b - heat_a)

    def useful(self, hour: float, water_c: float) -> bool:
        """Return whether water this warm still holds the chamber at this hour."""
        return water_c < self.warmest_c and self.at(hour, water_c)[0] <= 1.0


class _Reservoir:
    """Water and packs through the day; swaps are the caller's."""

    def __init__(self, day: _DesignDay) -> None:
        self._day = day
        spec = day.spec
        equations = Equations(spec)
        self._packs = equations.packs
        self._water_kj_k = 4.19 * spec.reservoir.litres
        self._set = spec.packs.in_reservoir
        freezer_c = FREEZER_C if spec.packs.freezer_c is None else spec.packs.freezer_c
        self._fresh = self._packs.group(
            packs=self._set,
            frozen_share=1.0,
            pack_c=min(freezer_c, self._packs.fill.plateau_c),
        )
        # a set goes in when the last one is spent, so it has to cool the water first
        self.water_c = day.warmest_c
        self.heat_kj = 0.0
        self.swap()

    def swap(self) -> None:
        """Put a whole fresh set in."""
        groups = (self._fresh,) if self._set else ()
        self._bath = self._packs.stride(
            Bath(groups=groups),
            seconds=0.0,
            kelvin_s=0.0,
            water_c=self.water_c,
            stride_s=STEP_S,
        )

    def step(self, hour: float) -> None:
        """Move on by `STEP_S`, the packs' heat linear in the water over the step."""
        _, load_w = self._day.at(hour, self.water_c)
        load_kw = load_w / 1000
        bath = self._bath
        before_c = self.water_c
        half = 0.5 * STEP_S / self._water_kj_k
        middle_c = (before_c + half * (load_kw + bath.kw)) / (1.0 + half * bath.kw_k)
        # plain water with plain ice in it does not go below 0 °C; water too warm to be of use is
        # not pumped any more, and how far it warms then is of no interest here
        after_c = min(2.0 * middle_c - before_c, self._day.warmest_c)
        self.water_c = max(after_c, min(0.0, before_c))
        self.heat_kj += load_kw * STEP_S
        self._bath = self._packs.stride(
            bath,
            seconds=STEP_S,
            kelvin_s=middle_c * STEP_S,
            water_c=self.water_c,
            stride_s=STEP_S,
        )

    def spent(self, hour: float) -> bool:
        """Return whether the water no longer holds the chamber, its packs being on the way out."""
        return not self._day.useful(hour, self.water_c) and self._half_melted()

    def _half_melted(self) -> bool:
        # right after a swap the water is still warm; that is no reason to swap again
        groups = self._bath.groups
        return not groups or all(
            melted_share(self._packs.fill, group.kj_kg) > 0.5 for group in groups
        )


def _life_from(day: _DesignDay, hour: float) -> float:
    """Return how long a fresh set lasts when it goes in at *hour* [h]."""
    reservoir = _Reservoir(day)
    for step in range(int(LONGEST_SET_H * 3600 / STEP_S)):
        at = hour + step * STEP_S / 3600
        if reservoir.spent(at):
            return step * STEP_S / 3600
        reservoir.step(at)
    return LONGEST_SET_H


def _lives(day: _DesignDay) -> Life:
    """Follow days of swaps, each as soon as a set is spent."""
    reservoir = _Reservoir(day)
    counted_from_s = SETTLING_DAYS * HOURS * 3600
    ends_s = counted_from_s + COUNTED_DAYS * HOURS * 3600
    steps = int(ends_s / STEP_S)
    first_counted = int(counted_from_s / STEP_S)
    water_cs = heat_before_kj = 0.0
    for step in range(steps):
        at = step * STEP_S / 3600
        if step == first_counted:
            heat_before_kj = reservoir.heat_kj
        if reservoir.spent(at):
            reservoir.swap()
        reservoir.step(at)
        if step >= first_counted:
            water_cs += reservoir.water_c
    counted_h = COUNTED_DAYS * HOURS
    mean_c = water_cs / (steps - first_counted)
    load_w = (reservoir.heat_kj - heat_before_kj) / counted_h / 3.6
    spec = day.spec
    kj_kg = _usable_kj_kg(spec, mean_c)
    ice_kg = max(0.0, load_w) * 86.4 / kj_kg
    set_kg = spec.packs.in_reservoir * spec.packs.kg
    mean_h = min(LONGEST_SET_H, 24 * set_kg / ice_kg) if ice_kg > 0 else LONGEST_SET_H
    worst_h = min(_life_from(day, hour) for hour in range(0, HOURS, 3))
    return Life(
        worst_h=worst_h,
        mean_h=mean_h,
        ice_kg_per_day=ice_kg,
        reservoir_mean_c=mean_c,
        reservoir_w=load_w,
    )


def _usable_kj_kg(spec: PlantSpec, out_c: float) -> float:
    fill = spec.packs.filling
    freezer_c = FREEZER_C if spec.packs.freezer_c is None else spec.packs.freezer_c
    return usable_kj_kg(fill, in_c=min(freezer_c, fill.plateau_c), out_c=max(out_c, fill.plateau_c))


def size(spec: PlantSpec, band: Band, *, night_swap: bool = False) -> Sizing:
    """Return what the plant can hold.

    Args:
        spec: The plant; its room is the design day.
        band: What the air is to be held between.
        night_swap: The grower gets up once to swap.

    Raises:
        PhysicsError: A figure outside the range of the formulas.
    """
    day = _DesignDay(spec, band)
    hour = day.hottest
    conditions = day.conditions[hour]
    life = _lives(day)
    coldest_c = max(0.0, spec.packs.filling.plateau_c)
    hottest = steady_hour(
        spec, conditions, reservoir_c=min(life.reservoir_mean_c, band.cut_in_c - band.margin_k)
    )
    freeze_h = refreeze_h(spec.packs)
    resting = spec.packs.count - spec.packs.in_reservoir
    limit_kg = 0.0 if math.isinf(freeze_h) else resting * spec.packs.kg * 24 / freeze_h
    duty_cold = steady_hour(spec, conditions, reservoir_c=coldest_c).duty
    night_h = NIGHT_H / (2 if night_swap else 1)
    return Sizing(
        hour=hour,
        conditions=conditions,
        hottest=hottest,
        coil=tuple(
            (
                water_c,
                coil_capacity(
                    spec, air_c=band.middle_c, air_rh=spec.chamber.rh, reservoir_c=water_c
                ),
            )
            for water_c in COIL_RESERVOIR_C
        ),
        useful_reservoir_max_c=_useful_max_c(spec, conditions, band),
        life=life,
        kj_per_pack=_usable_kj_kg(spec, life.reservoir_mean_c) * spec.packs.kg,
        refreeze_h=freeze_h,
        limit_kg_per_day=limit_kg,
        cover=Cover(
            coil=math.inf if duty_cold <= 0 else 1.0 / duty_cold,
            rotation=math.inf if life.ice_kg_per_day <= 0 else limit_kg / life.ice_kg_per_day,
            night=_life_from(day, 22.0) / night_h,
        ),
    )


def _useful_max_c(spec: PlantSpec, conditions: Conditions, band: Band) -> float | None:
    by_load_c = warmest_reservoir_c(spec, conditions)
    return None if by_load_c is None else min(by_load_c, band.cut_in_c - band.margin_k)
