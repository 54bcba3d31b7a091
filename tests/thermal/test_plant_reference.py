"""The plant's stepping against scipy's solution of the same equations, over a day."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace

import pytest

from controller.thermal.equations import Drive
from controller.thermal.plant import (
    FineSpec,
    Plant,
    PlantSpec,
    PlantState,
    SiteSpec,
)
from tests.support.plants import TENT
from tests.thermal.reference import Course, plant_run, scipy_run

SEED = 20_261_125
SETS = 6
TICK_S = 5.0
DAY_TICKS = 17_280
HOLD_TICKS = 360  # the room is held for half an hour at a time, so that scipy sees no steps


@dataclass(frozen=True)
class Case:
    spec: PlantSpec
    course: Course
    start_c: float


def drawn(rng: random.Random) -> Case:
    """Draw a plant, a band and a day: all figures over the range a grower could have."""
    size = rng.uniform(0.4, 1.5)
    skin = size ** (2 / 3)
    spec = replace(
        TENT,
        chamber=replace(
            TENT.chamber,
            volume_m3=size,
            wall_area_m2=rng.uniform(6.5, 8.0) * skin,
            wall=None,
            wall_u_w_m2k=rng.uniform(0.5, 2.0),
            air_changes_per_h=rng.uniform(1.0, 6.0),
            rh=rng.uniform(0.80, 0.95),
            lights_w=rng.uniform(0.0, 20.0),
            fans_w=rng.uniform(2.0, 6.0),
            crop_kg=rng.uniform(5.0, 20.0) * size,
            humidifier_kg_per_h=rng.uniform(0.08, 0.2) * size,
        ),
        coil=replace(
            TENT.coil,
            ua_air_w_k=rng.uniform(14.0, 25.0) * skin,
            ua_water_w_k=rng.uniform(80.0, 200.0),
            air_kg_s=rng.uniform(0.012, 0.020) * skin,
            water_kg_s=rng.uniform(0.01, 0.05),
        ),
        reservoir=replace(
            TENT.reservoir,
            litres=rng.uniform(15.0, 50.0),
            ua_w_k=rng.uniform(0.3, 1.5),
            pump_w=rng.uniform(3, 12),
        ),
        packs=replace(
            TENT.packs,
            count=30,
            in_reservoir=rng.randint(12, 30),
            kg=rng.uniform(0.8, 2.0),
            thickness_mm=rng.uniform(20.0, 50.0),
            fill=rng.choice(("ice", "gel")),
        ),
        site=SiteSpec(altitude_m=rng.uniform(0.0, 2000.0)),
        fine=FineSpec(
            fabric_kj_k=rng.uniform(80.0, 200.0) * size,
            fabric_w_k=rng.uniform(90.0, 160.0) * skin,
        ),
    )
    cut_out_c = rng.uniform(13.0, 16.5)
    cut_in_c = cut_out_c + rng.uniform(1.5, 2.5)
    middle_c, swing_k = rng.uniform(21.0, 27.0), rng.uniform(0.0, 3.0)
    first_light_h = rng.uniform(5.0, 9.0)

    def drive(tick: int) -> Drive:
        hour = (tick // HOLD_TICKS) * HOLD_TICKS * TICK_S / 3600.0
        return Drive(
            pump=False,
            fan=False,
            room_c=middle_c + swing_k * math.sin((hour - 10.0) * math.pi / 12.0),
            room_rh=0.5,
            lights=first_light_h <= hour % 24.0 < first_light_h + 12.0,
        )

    course = Course(
        drive=drive,
        hold=HOLD_TICKS,
        ticks=DAY_TICKS,
        dt_s=TICK_S,
        cut_in_c=cut_in_c,
        cut_out_c=cut_out_c,
    )
    return Case(spec, course, cut_in_c - 0.3)


def cases() -> list[Case]:
    rng = random.Random(SEED)
    return [drawn(rng) for _ in range(SETS)]


def started(case: Case) -> tuple[Plant, PlantState]:
    plant = Plant(case.spec)
    plateau_c = case.spec.packs.filling.plateau_c
    state = plant.start(
        air_c=case.start_c, reservoir_c=7.0, room_c=24.0, rh=0.85, pack_c=plateau_c - 8.0
    )
    return plant, state


@pytest.mark.parametrize("index", range(SETS))
def test_a_day_agrees_with_scipy(index: int) -> None:
    """Air within 0.02 K at every tick of the day; every switching within two ticks.

    The air is compared along the same switchings (scipy's), as a switching a second late would
    show as a difference of no meaning on a steep flank. The switchings are compared with each run
    closing its own loop. Reference: solve_ivp, LSODA, rtol 1e-8, an event at each crossing.
    """
    case = cases()[index]
    plant, state = started(case)
    reference = scipy_run(plant, state, case.course)

    own, _ = plant_run(plant, state, case.course)
    along, end = plant_run(plant, state, case.course, forced_s=reference.switches_s)

    off_k = [abs(a - b) for a, b in zip(along.air_c, reference.air_c, strict=True)]
    worst = off_k.index(max(off_k))
    assert off_k[worst] < 0.02, (SEED, index, worst)
    assert len(own.switches_s) == len(reference.switches_s) > 0
    late_s = [abs(a - b) for a, b in zip(own.switches_s, reference.switches_s, strict=True)]
    assert max(late_s) <= 2 * TICK_S, (SEED, index, max(late_s))
    water_k = abs(along.end[4] - reference.end[4]) / plant.equations.water_kj_k
    assert water_k < 0.02
    assert along.end[5] == pytest.approx(reference.end[5], abs=0.5)  # of some 330 kJ/kg
    assert plant.balance_error(end) < 1e-9


def test_long_steps_of_cooling_end_where_short_ones_do() -> None:
    """Steps of 40 s keep the air within 1 mK of steps of 0.6 s, shorter ones nearer still.

    Over a quarter of an hour of cooling in which nothing switches, the largest error on the way.
    What is left is the edges of the coil's cells and the booking of the packs in strides.
    """
    case = cases()[0]
    spec = replace(
        case.spec,
        chamber=replace(case.spec.chamber, humidifier_kg_per_h=0.0),
        reservoir=replace(TENT.reservoir, litres=15.0, ua_w_k=1.0),
        packs=replace(TENT.packs, count=4, in_reservoir=4, thickness_mm=30.0),
    )
    plant = Plant(spec)
    start = plant.start(air_c=20.0, reservoir_c=3.0, room_c=24.0, rh=0.75, pack_c=0.0)
    airs: dict[int, list[float]] = {}
    for parts in (1, 2, 4, 64):
        state, airs[parts] = start, []
        for step in range(24 * parts):
            state = plant.step(
                state, pump=True, fan=True, room_c=24.0, room_rh=0.5, dt_s=40.0 / parts
            )
            if (step + 1) % parts == 0:
                airs[parts].append(state.air_c)

    def error(parts: int) -> float:
        return max(abs(a - b) for a, b in zip(airs[parts], airs[64], strict=True))

    assert error(4) < error(2) < error(1) < 1e-3


def test_error_falls_with_the_square_of_the_step_at_rest() -> None:
    """Second order: at rest nothing blurs it, every part's error falls to a quarter."""
    case = cases()[0]
    spec = replace(
        case.spec,
        chamber=replace(case.spec.chamber, humidifier_kg_per_h=0.0),
        reservoir=replace(TENT.reservoir, litres=15.0, ua_w_k=1.0),
        packs=replace(TENT.packs, count=4, in_reservoir=4, thickness_mm=30.0),
    )
    plant = Plant(spec)
    start = plant.start(air_c=20.0, reservoir_c=3.0, room_c=24.0, rh=0.75, pack_c=0.0)

    def end(dt_s: float) -> tuple[float, ...]:
        state = start
        for _ in range(round(960.0 / dt_s)):
            state = plant.step(state, pump=False, fan=False, room_c=24.0, room_rh=0.5, dt_s=dt_s)
        return state.air_c, state.fabric_c, state.crop_c, state.reservoir_c

    exact = end(0.15625)
    errors = [
        [abs(a - b) for a, b in zip(end(dt_s), exact, strict=True)] for dt_s in (5.0, 2.5, 1.25)
    ]

    ratios = [
        coarse / fine
        for pair in (errors[:2], errors[1:])
        for coarse, fine in zip(*pair, strict=True)
    ]
    assert ratios == pytest.approx([4.0] * 8, rel=0.12)


def test_fog_agrees_with_scipy() -> None:
    """A tropical room blown into a cool chamber: above saturation too, within 0.02 K."""
    plant = Plant(
        replace(
            TENT, chamber=replace(TENT.chamber, air_changes_per_h=40.0, humidifier_kg_per_h=0.05)
        )
    )
    state = plant.start(air_c=15.0, reservoir_c=6.0, room_c=30.0, rh=0.9)
    course = Course(
        drive=lambda _tick: Drive(pump=False, fan=False, room_c=30.0, room_rh=1.0),
        hold=HOLD_TICKS,
        ticks=720,
        dt_s=TICK_S,
        cut_in_c=60.0,
        cut_out_c=10.0,
    )
    reference = scipy_run(plant, state, course)
    own, end = plant_run(plant, state, course)

    assert end.mist_kg < -0.01
    assert own.air_c == pytest.approx(reference.air_c, abs=0.02)
    assert own.end[1] == pytest.approx(reference.end[1], abs=1e-5)


def test_crop_never_runs_away() -> None:
    """A chamber left to itself in a hot room ends warm, not on fire: breathing has a limit."""
    plant = Plant(replace(TENT, chamber=replace(TENT.chamber, crop_kg=10.0)))
    state = plant.start(air_c=20.0, reservoir_c=20.0, room_c=35.0, rh=0.8, packs=0)

    for _ in range(3 * 1440):
        state = plant.step(state, pump=False, fan=False, room_c=35.0, room_rh=0.5, dt_s=60.0)

    assert 35.0 < state.crop_c < 60.0
