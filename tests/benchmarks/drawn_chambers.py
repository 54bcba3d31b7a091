"""Chambers, weather, growers and probes drawn at random, and what their probes recorded.

The plant is the simulated chamber of `thermal`, which the forecast does not use: it has nodes for
fabric, crop and humidity, a wet coil by effectiveness and NTU, and packs with a moving front. The
forecast sees samples only. Truth is the plant's own: the first instant, after the air has come back
to cut-in, from which an ideal probe with the same offset stays above cut-in + 0.5 K for 20 minutes
if nobody swaps; where somebody did, the plant is run on from just before without it.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from random import Random

from controller.foresight.band import SPENT_BY_K, SPENT_FOR_S, HeldBand
from controller.foresight.bins import RecordedSample
from controller.foresight.sized import Sized, sized_from
from controller.foresight.swaps import Logged
from controller.thermal.plant import Plant
from controller.thermal.plant_state import PlantState
from controller.thermal.specs import (
    ChamberSpec,
    CoilSpec,
    FineSpec,
    PackSpec,
    PlantSpec,
    ReservoirSpec,
    RoomSpec,
)

DAY_S = 86_400.0
STEP_S = 20.0
MINIMUM_RUN_S, ANTI_SHORT_CYCLE_S = 120.0, 300.0
LOW_BY_K = 2.0
FARTHEST_S = 24 * 3600.0
MOST_APART = 0.15
"""How far the packs of a set differ in what they hold, at most: standard deviation as a share [-].
Bottles differ by some 5 % in mass, and by more in how far they froze; common practice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """One chamber with its people and weather, and what its owner believes of it."""

    number: int
    spec: PlantSpec
    believed: Sized
    band: HeldBand
    room_probe: bool
    habit: str
    wakes_h: float
    sleeps_h: float
    forgets_to_log: float
    logs_late: float
    day_sd_k: float
    heat_wave_day: int | None
    air_lag_s: float
    water_lag_s: float
    offsets_k: tuple[float, float, float]
    seed: int


def draw(number: int, *, seed: int) -> Drawn:
    """Return a chamber whose sets of packs last 4 to 36 hours, by a rough reckoning."""
    random = Random(f"{seed}/{number}")
    while True:
        drawn = _draw(random, number)
        if drawn is not None:
            return drawn


def _draw(random: Random, number: int) -> Drawn | None:
    uniform = random.uniform
    cut_in_c = uniform(12.5, 18.0)
    band = HeldBand(cut_in_c=cut_in_c, cut_out_c=cut_in_c - uniform(0.6, 1.5))
    room_c = uniform(21.0, 28.0)
    swing_k = uniform(1.0, 3.5)
    volume = math.exp(uniform(math.log(0.2), math.log(1.7)))
    area = 5.2 * volume ** (2.0 / 3.0) * uniform(0.95, 1.2)
    packs, kg = random.randint(2, 8), uniform(0.5, 2.5)
    spec = PlantSpec(
        chamber=ChamberSpec(
            volume_m3=volume,
            wall_area_m2=area,
            wall_u_w_m2k=min(8.0, uniform(2.0, 12.0) / area),
            air_changes_per_h=uniform(1.0, 5.0),
            rh=uniform(0.85, 0.95),
            lights_w=0.0,
            fans_w=uniform(1.5, 5.0),
            crop_kg=uniform(1.0, 12.0),
            humidifier_kg_per_h=uniform(0.05, 0.3),
        ),
        coil=CoilSpec(
            ua_air_w_k=uniform(12.0, 45.0),
            air_kg_s=uniform(0.012, 0.035),
            water_kg_s=uniform(0.01, 0.03),
        ),
        reservoir=ReservoirSpec(
            litres=uniform(10.0, 60.0), ua_w_k=uniform(0.3, 1.2), pump_w=uniform(3.0, 9.0)
        ),
        packs=PackSpec(
            count=2 * packs, in_reservoir=packs, kg=kg, thickness_mm=uniform(25.0, 50.0)
        ),
        room=RoomSpec(day_c=room_c + swing_k, night_c=room_c - swing_k, rh=uniform(0.4, 0.6)),
        fine=FineSpec(
            # skin and shelves grow with the chamber; the film is that of `FineSpec`
            fabric_kj_k=12.0 * area / 4.08 * uniform(0.6, 2.0),
            fabric_w_k=8.29 * (area + 2.0 * area / 4.08) * uniform(0.75, 1.25),
            pack_film_w_m2k=uniform(60.0, 200.0), humidistat_band=uniform(0.04, 0.1),
        ),
    )  # fmt: skip
    middle_c = band.middle_c(12.0)
    sized = sized_from(spec, air_c=middle_c)
    hottest_w = sized.load_w + sized.load_w_k * (room_c + swing_k - middle_c - 8.0)
    mean_w = sized.load_w + sized.load_w_k * (room_c - middle_c - 8.0)
    lasts_h = sized.packs_kj / 3.6 / (mean_w + sized.leak_w_k * 18.0 + 0.3 * sized.pump_w)
    if mean_w < 8.0 or not 4.0 < lasts_h < 36.0:
        return None
    if 1.5 * sized.coil_dry_w_k * (middle_c - 5.0) < 1.25 * hottest_w:
        return None

    def off(share: float = 0.3) -> float:
        return 1.0 + uniform(-share, share)

    inner = off()
    believed = replace(
        sized,
        coil_dry_w_k=sized.coil_dry_w_k * off(),
        leak_w_k=sized.leak_w_k * off(),
        packs_w_k=sized.packs_w_k * off(),
        litres=sized.litres * off(0.07),
        packs_kj=sized.packs_kj * (1.0 + uniform(-0.06, 0.03)),
        load_w=sized.load_w * inner,
        load_w_k=sized.load_w_k * off(),
        air_kj_k=sized.air_kj_k * off(),
        crop_w_k=sized.crop_w_k * off(),
        room_mean_c=sized.room_mean_c + uniform(-1.0, 1.0),
    )
    careless = random.random() < 0.3
    return Drawn(
        number=number,
        spec=spec,
        believed=believed,
        band=band,
        room_probe=random.random() < 0.75,
        habit=random.choice(("attentive", "habit", "late")),
        wakes_h=uniform(6.0, 8.0),
        sleeps_h=uniform(22.0, 23.9),
        forgets_to_log=0.06 if careless else 0.0,
        logs_late=0.10 if careless else 0.0,
        day_sd_k=uniform(0.5, 1.8),
        heat_wave_day=4 if random.random() < 0.25 else None,
        air_lag_s=uniform(40.0, 150.0),
        water_lag_s=uniform(15.0, 60.0),
        offsets_k=(random.gauss(0, 0.15), random.gauss(0, 0.15), random.gauss(0, 0.15)),
        seed=random.getrandbits(32),
    )


@dataclass(slots=True)
class Cycle:
    """A set of packs as it truly was."""

    swapped_s: float
    frozen: float
    due_s: float | None = None
    samples_after: list[RecordedSample] = field(default_factory=list)
    """What the probes would have shown had nobody swapped, from the next swap on."""
    ended_s: float | None = None
    """When it was swapped out."""


@dataclass(slots=True)
class PlayedChamber:
    """What a chamber recorded, and the truth beside it."""

    drawn: Drawn
    samples: list[RecordedSample]
    logged: list[tuple[float, Logged]]
    """When it was logged, and the log."""
    cycles: list[Cycle]


class Weather:
    """Room by the minute: a day's wave, days that differ, noise of two hours, a heat wave."""

    def __init__(self, drawn: Drawn, days: float) -> None:
        random = Random(drawn.seed)
        self._drawn = drawn
        self._days: list[float] = []
        level = 0.0
        for day in range(int(days) + 3):
            level = 0.7 * level + random.gauss(0.0, drawn.day_sd_k * 0.7)
            wave = 4.0 if drawn.heat_wave_day is not None and day >= drawn.heat_wave_day else 0.0
            self._days.append(level + wave)
        self._noise: list[float] = []
        noise, keep = 0.0, math.exp(-60.0 / 7200.0)
        for _ in range(int((days + 2) * 1440)):
            noise = keep * noise + random.gauss(0.0, 0.25 * math.sqrt(1.0 - keep * keep))
            self._noise.append(noise)

    def level_k(self, t_s: float) -> float:
        """Return how far the day is off a usual one [K]."""
        day, rest = divmod(t_s / DAY_S, 1.0)
        index = int(day)
        return (1.0 - rest) * self._days[index] + rest * self._days[index + 1]

    def room_c(self, t_s: float) -> float:
        """Return the room [°C]."""
        room = self._drawn.spec.room
        rest = t_s / DAY_S % 1.0
        level = self.level_k(t_s)
        wave = math.cos((rest * 24.0 - 16.5) * math.pi / 12.0)
        noise = self._noise[min(int(t_s / 60.0), len(self._noise) - 1)]
        return (
            0.5 * (room.day_c + room.night_c)
            + 0.5 * (room.day_c - room.night_c) * wave
            + level
            + noise
        )


@dataclass(slots=True)
class _Chamber:
    """Plant, thermostat and probes; copied to run on without a swap."""

    state: PlantState
    on: bool
    since_s: float
    air_probe_c: float
    water_probe_c: float
    call: bool
    came_back: bool = False
    warm_since_s: float | None = None


class _Play:
    """One chamber's days."""

    def __init__(self, drawn: Drawn, days: float) -> None:
        self.drawn = drawn
        self.plant = Plant(drawn.spec)
        self.weather = Weather(drawn, days)
        self.random = Random(drawn.seed + 1)
        self.days = days

    def step(self, chamber: _Chamber, t_s: float, samples: list[RecordedSample]) -> float | None:
        """Move on by a step; return when the cold ran out if that is certain now."""
        drawn, band = self.drawn, self.drawn.band
        room_c = self.weather.room_c(t_s)
        before = chamber.on
        held_s = t_s - chamber.since_s
        seen_c = chamber.air_probe_c + drawn.offsets_k[0]
        if seen_c >= band.cut_in_c:
            chamber.call = True
        elif seen_c <= band.cut_out_c:
            chamber.call = False
        useful = chamber.water_probe_c + drawn.offsets_k[1] <= seen_c - band.margin_k
        want = chamber.call and useful
        if chamber.on and not want and held_s >= MINIMUM_RUN_S:
            chamber.on, chamber.since_s = False, t_s
        elif not chamber.on and want and held_s >= ANTI_SHORT_CYCLE_S:
            chamber.on, chamber.since_s = True, t_s
        if chamber.on is not before or t_s % 60.0 < STEP_S:
            samples.append(self._sample(chamber, t_s, room_c))
        chamber.state = self.plant.step(
            chamber.state, pump=chamber.on, fan=chamber.on, room_c=room_c,
            room_rh=drawn.spec.room.rh, dt_s=STEP_S,
        )  # fmt: skip
        chamber.air_probe_c += (chamber.state.air_c - chamber.air_probe_c) * -math.expm1(
            -STEP_S / drawn.air_lag_s
        )
        chamber.water_probe_c += (chamber.state.reservoir_c - chamber.water_probe_c) * -math.expm1(
            -STEP_S / drawn.water_lag_s
        )
        ideal_c = chamber.state.air_c + drawn.offsets_k[0]
        if ideal_c <= band.cut_in_c:
            chamber.came_back = True
        if chamber.came_back and ideal_c > band.cut_in_c + SPENT_BY_K:
            if chamber.warm_since_s is None:
                chamber.warm_since_s = t_s
            elif t_s - chamber.warm_since_s >= SPENT_FOR_S:
                return chamber.warm_since_s
        else:
            chamber.warm_since_s = None
        return None

    def _sample(self, chamber: _Chamber, t_s: float, room_c: float) -> RecordedSample:
        drawn = self.drawn
        gauss = self.random.gauss

        def shown(value_c: float, index: int) -> float:
            return round((value_c + drawn.offsets_k[index] + gauss(0.0, 0.02)) * 16.0) / 16.0

        return RecordedSample(
            t_s,
            shown(chamber.air_probe_c, 0),
            shown(chamber.water_probe_c, 1),
            shown(room_c, 2) if drawn.room_probe else None,
            chamber.on,
        )


def play(
    drawn: Drawn, *, days: float, share_of: Callable[[int], float] = lambda _set: 1.0
) -> PlayedChamber:
    """Return what one chamber recorded over some days, and the truth.

    Args:
        drawn: The chamber.
        days: Length [d].
        share_of: What part of its usual heat the set of this number holds [-].
    """
    show = _Play(drawn, days)
    random = Random(drawn.seed + 2)
    sets = _Sets(drawn)
    band = drawn.band
    middle_c = band.middle_c(12.0)
    frozen = random.uniform(0.85, 1.0)
    state = show.plant.start(
        air_c=middle_c, reservoir_c=8.0, room_c=drawn.spec.room.night_c, rh=drawn.spec.chamber.rh,
        packs=0,
    )  # fmt: skip
    chamber = _Chamber(state, False, -1e6, middle_c, 8.0, False)
    played = PlayedChamber(drawn, [], [], [])
    cycle: Cycle | None = None
    warm: deque[float] = deque(maxlen=1)
    next_habit_h = drawn.wakes_h + 0.5
    comes_s: float | None = 1800.0
    for index in range(int(days * DAY_S / STEP_S)):
        t_s = index * STEP_S
        due_s = show.step(chamber, t_s, played.samples)
        if cycle is not None and due_s is not None and cycle.due_s is None:
            cycle.due_s = due_s
            warm.append(due_s)
        if t_s % 60.0 >= STEP_S:
            continue
        hour = t_s / 3600.0 % 24.0
        awake = drawn.wakes_h <= hour < drawn.sleeps_h
        if comes_s is None and cycle is not None and t_s - cycle.swapped_s > 2 * 3600.0:
            spent = cycle.due_s is not None
            if drawn.habit == "attentive" and (spent or chamber.water_probe_c > middle_c - 5.0):
                comes_s = t_s + random.uniform(600.0, 5400.0)
            elif drawn.habit == "late" and spent:
                comes_s = t_s + random.uniform(1800.0, 4 * 3600.0)
            elif drawn.habit == "habit" and (
                abs(hour - next_habit_h) < 0.02 or abs(hour - 19.0) < 0.02 or spent
            ):
                comes_s = t_s + random.uniform(0.0, 3600.0)
        if comes_s is None or t_s < comes_s or not awake:
            continue
        comes_s = None
        if cycle is not None:
            cycle.ended_s = t_s
            if cycle.due_s is None:
                _run_on(show, chamber, cycle, t_s)
        frozen = random.uniform(0.85, 1.0) * share_of(len(played.cycles))
        chamber.state = _put_in(show.plant, chamber.state, sets.shares(frozen))
        chamber.came_back, chamber.warm_since_s = False, None
        cycle = Cycle(t_s, frozen)
        played.cycles.append(cycle)
        if random.random() >= drawn.forgets_to_log:
            late_s = random.uniform(600.0, 5400.0) if random.random() < drawn.logs_late else 60.0
            played.logged.append(
                (t_s + late_s, Logged(at_s=t_s + late_s, packs=drawn.spec.packs.in_reservoir))
            )
    if cycle is not None and cycle.due_s is None:
        cycle.ended_s = days * DAY_S
        _run_on(show, chamber, cycle, days * DAY_S)
    return played


class _Sets:
    """How much of each pack of a set is frozen: they do not end together."""

    def __init__(self, drawn: Drawn) -> None:
        self._packs = drawn.spec.packs.in_reservoir
        self._random = Random(drawn.seed + 4)
        self._apart = self._random.uniform(0.0, MOST_APART)

    def shares(self, mean: float) -> list[float]:
        """Return the share of each pack of the next set."""
        gauss, apart = self._random.gauss, self._apart
        return [min(1.0, max(0.1, mean * (1.0 + gauss(0.0, apart)))) for _ in range(self._packs)]


def _put_in(plant: Plant, state: PlantState, shares: list[float]) -> PlantState:
    """Put a set in, each pack with its own share frozen.

    The whole set goes in as frozen as its warmest pack; then one after the other of those, which
    are the most spent ones by then, is changed for a colder one.
    """
    warmest, *colder = sorted(shares)
    state = plant.swap(state, packs=len(shares), frozen_share=warmest, pack_c=-15.0)
    for share in colder:
        state = plant.swap(state, packs=1, frozen_share=share, pack_c=-15.0)
    return state


def _run_on(show: _Play, chamber: _Chamber, cycle: Cycle, t_s: float) -> None:
    """Find when the set would have been spent had nobody swapped."""
    alone = replace(chamber)
    count = int(min(FARTHEST_S, (show.days + 1.9) * DAY_S - t_s) / STEP_S)
    for index in range(count):
        due_s = show.step(alone, t_s + index * STEP_S, cycle.samples_after)
        if due_s is not None:
            cycle.due_s = due_s
            return
