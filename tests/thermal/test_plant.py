"""The plant as a grower would know it: books that balance, swaps, failures, common sense."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.errors import PhysicsError
from controller.thermal import moist_air as ma
from controller.thermal.plant import Plant, PlantState
from controller.thermal.step_lengths import LONGEST_STEP_S
from controller.thermal.step_tables import MOST_MODES
from tests.support.plants import TENT
from tests.support.random_inputs import examples

EXAMPLE = Plant(TENT)


def started(plant: Plant = EXAMPLE, **changes: float) -> PlantState:
    figures: dict[str, float] = {"air_c": 17.0, "reservoir_c": 6.0, "room_c": 25.0, "rh": 0.9}
    return plant.start(**(figures | changes))  # type: ignore[arg-type]


def stepped(
    plant: Plant, state: PlantState, *, cooling: bool, seconds: float, room_c: float = 25.0,
    dt_s: float = 5.0, **more: float | bool,
) -> PlantState:  # fmt: skip
    for _ in range(round(seconds / dt_s)):
        state = plant.step(
            state, pump=cooling, fan=cooling, room_c=room_c, room_rh=0.5, dt_s=dt_s, **more
        )  # type: ignore[arg-type]
    return state


@pytest.mark.parametrize("seed", range(4))
def test_books_balance_over_a_wild_day(seed: int) -> None:
    """Random relays, flows, lights, rooms, step lengths and swaps: energy and water to 1e-9."""
    rng = random.Random(seed)
    fill = ("ice", "gel", "salt-11", "salt-21")[seed]
    plant = Plant(replace(TENT, packs=replace(TENT.packs, count=8, in_reservoir=4, fill=fill)))
    state = started(plant)
    for _ in range(1500):
        state = plant.step(
            state,
            pump=rng.random() < 0.5,
            fan=rng.random() < 0.6,
            room_c=rng.uniform(5.0, 38.0),
            room_rh=rng.uniform(0.1, 1.0),
            dt_s=rng.choice((1.0, 5.0, 30.0, 60.0, 600.0)),
            flow=rng.choice((0.0, 0.5, 1.0)),
            lights=rng.random() < 0.5,
        )
        if rng.random() < 0.02:
            state = plant.swap(
                state, packs=rng.randint(0, 3), frozen_share=rng.random(), pack_c=-12.0
            )

    assert state.packs_swapped > 0
    assert sum(map(abs, state.energy_in_kj)) > 1000.0
    assert plant.balance_error(state) < 1e-9


def test_books_balance_on_ordinary_days() -> None:
    """Three days on a relay: heat in by source is stored, melted or drained; to 1e-12."""
    state, on = started(), False
    for tick in range(3 * 17_280):
        on = state.air_c >= 18.0 if not on else state.air_c > 16.0
        if state.reservoir_c > 11.0:
            state = EXAMPLE.swap(state, packs=2, frozen_share=1.0, pack_c=-15.0)
        state = EXAMPLE.step(
            state, pump=on, fan=on, room_c=25.0, room_rh=0.5, dt_s=5.0, lights=tick % 17_280 < 8640
        )

    assert EXAMPLE.balance_error(state) < 1e-12
    into_water_kj = state.coil_kj - state.drain_kj + state.pump_kj + state.leak_kj
    assert state.lights_kj == pytest.approx(3 * 10.0 * 43.2)
    # what came into the water melted the packs, warmed them from -15 °C, or is still in the water
    assert state.ice_melted_kg > 10.0
    assert state.ice_melted_kg * 333.43 < into_water_kj


def test_the_same_state_and_drive_give_the_same_next_state() -> None:
    """Tables filled along the way never change a result: another plant, another history."""
    other = Plant(TENT)
    state = stepped(EXAMPLE, started(), cooling=True, seconds=600.0)
    for dt_s in (1.0, 5.0, 60.0):
        place = EXAMPLE.step(state, pump=True, fan=True, room_c=25.0, room_rh=0.5, dt_s=dt_s)
        there = other.step(state, pump=True, fan=True, room_c=25.0, room_rh=0.5, dt_s=dt_s)
        assert place == there


def test_a_state_is_a_value() -> None:
    """Stepping, swapping and looking leave the state as it was."""
    state = started()
    copy = PlantState(*state)
    EXAMPLE.step(state, pump=True, fan=True, room_c=25.0, room_rh=0.5, dt_s=5.0)
    EXAMPLE.swap(state, packs=1, frozen_share=1.0, pack_c=-18.0)
    EXAMPLE.packs(state)

    assert state == copy
    with pytest.raises(AttributeError):
        state.air_c = 3.0  # type: ignore[misc]


@pytest.mark.parametrize(
    ("pump", "fan", "flow"),
    [
        pytest.param(False, False, 1.0, id="resting"),
        pytest.param(True, False, 1.0, id="priming"),
        pytest.param(False, True, 1.0, id="run-on"),
        pytest.param(True, True, 0.0, id="lost-prime"),
    ],
)
def test_coil_takes_nothing_unless_water_and_air_move(pump: bool, fan: bool, flow: float) -> None:
    """Pump without fan, fan without pump, or a pump that has lost its prime."""
    state = EXAMPLE.step(
        started(), pump=pump, fan=fan, room_c=25.0, room_rh=0.5, dt_s=5.0, flow=flow
    )

    assert (state.coil_kj, state.condensate_kg) == (0.0, 0.0)
    assert state.pump_kj == pytest.approx(0.025 if pump else 0.0)
    assert state.fans_kj == pytest.approx(0.015 if fan else 0.0)


def test_cooling_cools_dries_and_melts() -> None:
    """Ten minutes of cooling: colder, drier air; condensate; a warmer reservoir's ice is less."""
    start = started()
    state = stepped(EXAMPLE, start, cooling=True, seconds=600.0)

    assert state.air_c < start.air_c - 1.0
    assert state.ratio < start.ratio
    assert state.condensate_kg > 0.0
    assert state.heat_removed_kj > 30.0
    assert EXAMPLE.packs(state)[0].frozen_share < 1.0


def test_weaker_flow_cools_less() -> None:
    """Half the water takes less heat, none takes none."""
    shares = [
        stepped(EXAMPLE, started(), cooling=True, seconds=300.0, flow=flow).coil_kj
        for flow in (0.0, 0.25, 0.5, 1.0)
    ]

    assert shares[0] == 0.0
    assert shares == sorted(shares)


def test_left_alone_it_comes_to_rest_above_the_room() -> None:
    """No cooling, no humidifier: envelope, crop and fresh air meet where a hand balance says."""
    plant = Plant(replace(TENT, chamber=replace(TENT.chamber, humidifier_kg_per_h=0.0)))
    state = stepped(plant, started(plant), cooling=False, seconds=6 * 86_400.0, dt_s=600.0)
    crop_w = 5.0 * 0.69 * 2.85 ** ((min(state.crop_c, 30.0) - 15.0) / 10.0)
    fresh_w_k = (
        1000.0
        * plant.equations.exchange_kg_s
        * (1.006 + 1.86 * ma.humidity_ratio(air_c=25.0, rh=0.5))
    )

    assert state.air_c == pytest.approx(
        25.0 + crop_w / (plant.spec.chamber.envelope_w_k + fresh_w_k), abs=1e-3
    )
    assert state.fabric_c == pytest.approx(state.air_c, abs=1e-3)
    assert state.ratio == pytest.approx(ma.humidity_ratio(air_c=25.0, rh=0.5), abs=1e-6)
    # the last of the reservoir's warming has a time constant of two days
    assert state.reservoir_c == pytest.approx(25.0, abs=1.5)


def test_humidifier_holds_its_band() -> None:
    """At rest in a dry room the humidity settles inside the humidistat's band."""
    state = stepped(EXAMPLE, started(rh=0.5), cooling=False, seconds=3600.0)

    assert 0.82 < EXAMPLE.relative_humidity(state) < 0.90
    assert state.mist_kg > 0.0


def test_wet_room_makes_fog_not_supersaturation() -> None:
    """Fresh air at 30 °C and 100 % over a cooled chamber: surplus settles as fog."""
    plant = Plant(
        replace(
            TENT,
            chamber=replace(
                TENT.chamber,
                air_changes_per_h=40.0,
                humidifier_kg_per_h=0.0,
            ),
        )
    )
    state = started(plant)
    for _ in range(240):
        state = plant.step(state, pump=False, fan=False, room_c=30.0, room_rh=1.0, dt_s=5.0)

    assert state.mist_kg < 0.0
    assert plant.relative_humidity(state) < 1.05
    assert plant.balance_error(state) < 1e-12


def test_swap_takes_the_most_spent_packs() -> None:
    """Of two half-melted and two fresh ones, the half-melted go."""
    plant = Plant(replace(TENT, packs=replace(TENT.packs, count=6, in_reservoir=2, kg=1.0)))
    state = started(plant, frozen_share=0.4)
    state = state._replace(
        bath=state.bath._replace(
            groups=(*state.bath.groups, plant.equations.packs.group(
                packs=2, frozen_share=0.9, pack_c=0.0
            ))
        )
    )  # fmt: skip
    swapped = plant.swap(state, packs=2, frozen_share=1.0, pack_c=-18.0)

    views = plant.packs(swapped)
    assert [(view.packs, round(view.frozen_share, 3)) for view in views] == [(2, 1.0), (2, 0.9)]
    assert views[0].pack_c == pytest.approx(-18.0)
    assert swapped.bath.swapped_out_frozen_kg == pytest.approx(0.8)
    assert swapped.bath.swapped_out_kj == pytest.approx(-0.4 * 2 * 333.43)
    assert swapped.packs_swapped == 2


def test_swap_splits_a_group() -> None:
    """One of two equal packs goes, one stays."""
    swapped = EXAMPLE.swap(started(frozen_share=0.2), packs=1, frozen_share=1.0, pack_c=0.0)

    assert [view.packs for view in EXAMPLE.packs(swapped)] == [1, 1]


def test_swap_into_an_empty_reservoir() -> None:
    """Nothing to take out: the packs go in all the same."""
    state = started(packs=0)
    swapped = EXAMPLE.swap(state, packs=2, frozen_share=1.0, pack_c=-18.0)

    assert EXAMPLE.packs(state) == ()
    assert [view.packs for view in EXAMPLE.packs(swapped)] == [2]
    assert swapped.bath.swapped_out_kj == 0.0


def test_packs_end_where_a_mixing_balance_says() -> None:
    """8 kg of water at 12 °C and 1 kg of ice from -18 °C end at 0.86 °C (own heat balance)."""
    plant = Plant(
        replace(
            TENT,
            reservoir=replace(TENT.reservoir, litres=8.0, ua_w_k=0.0, pump_w=0.0),
            packs=replace(TENT.packs, count=1, in_reservoir=1, kg=1.0),
        )
    )
    state = started(plant, reservoir_c=12.0, frozen_share=1.0, pack_c=-18.0)
    state = stepped(plant, state, cooling=False, seconds=5 * 86_400.0, dt_s=300.0)

    assert state.reservoir_c == pytest.approx(0.86, abs=0.05)
    assert plant.packs(state)[0].pack_c == pytest.approx(state.reservoir_c, abs=0.02)
    assert state.ice_melted_kg == pytest.approx(1.0)


def test_salt_packs_freeze_the_reservoir() -> None:
    """Packs that melt at -10.7 °C make ice of the water, which then stands at 0 °C."""
    plant = Plant(
        replace(
            TENT,
            reservoir=replace(TENT.reservoir, litres=10.0),
            packs=replace(TENT.packs, count=4, in_reservoir=4, fill="salt-11"),
        )
    )
    state = stepped(plant, started(plant, reservoir_c=4.0), cooling=False, seconds=2 * 3600.0)

    assert state.reservoir_c == 0.0
    assert state.slush_kg > 0.1
    assert plant.balance_error(state) < 1e-12


def test_a_block_of_ice_stops_the_loop() -> None:
    """When all the water has frozen the pump moves none, and nothing crashes."""
    plant = Plant(
        replace(
            TENT,
            reservoir=replace(TENT.reservoir, litres=1.0),
            packs=replace(TENT.packs, count=8, in_reservoir=8, fill="salt-11"),
        )
    )
    state = stepped(plant, started(plant, reservoir_c=1.0), cooling=False, seconds=12 * 3600.0)
    coil_kj = state.coil_kj
    state = stepped(plant, state, cooling=True, seconds=60.0)

    assert state.slush_kg == pytest.approx(1.0)
    assert state.reservoir_c < 0.0
    assert state.coil_kj == coil_kj
    assert plant.balance_error(state) < 1e-12


def test_a_reservoir_warmer_than_the_crop_warms_it() -> None:
    """Why the control law has a permissive: warm water through the coil heats the chamber."""
    state = started(reservoir_c=24.0, packs=0)
    resting = stepped(EXAMPLE, state, cooling=False, seconds=300.0)
    cooling = stepped(EXAMPLE, state, cooling=True, seconds=300.0)

    assert cooling.air_c > resting.air_c
    assert cooling.coil_kj < 0.0


def test_coil_outlet_tells_flow_from_no_flow() -> None:
    """Leaving water with all on, reservoir water without fan, chamber air without water."""
    state = started()

    outlet_c = EXAMPLE.coil_outlet_c(state, pump=True, fan=True)
    assert state.reservoir_c < outlet_c < state.air_c
    assert EXAMPLE.coil_outlet_c(state, pump=True, fan=False) == state.reservoir_c
    assert EXAMPLE.coil_outlet_c(state, pump=True, fan=True, flow=0.0) == state.air_c
    assert EXAMPLE.coil_outlet_c(state, pump=False, fan=True) == state.air_c


def test_altitude_weakens_the_chamber_air_not_the_books() -> None:
    """At 2000 m the chamber holds less air; the given coil flow in kg/s stays as given."""
    high = Plant(replace(TENT, site=replace(TENT.site, altitude_m=2000.0)))

    assert high.equations.air_kg == pytest.approx(0.78 * EXAMPLE.equations.air_kg, rel=0.02)
    state = stepped(high, started(high), cooling=True, seconds=600.0)
    assert high.balance_error(state) < 1e-12


def test_long_steps_are_cut() -> None:
    """An hour in one call is as many equal steps as it needs, none longer than two minutes."""
    count = math.ceil(3600.0 / LONGEST_STEP_S)
    whole = EXAMPLE.step(started(), pump=False, fan=False, room_c=25.0, room_rh=0.5, dt_s=3600.0)
    parts = stepped(EXAMPLE, started(), cooling=False, seconds=3600.0, dt_s=3600.0 / count)

    names = ("air_mean_c", "reservoir_mean_c", "step_s", "air_swift_k", "air_per_s")
    means = dict.fromkeys(names, 0.0)
    assert LONGEST_STEP_S <= 120.0
    assert whole._replace(**means) == parts._replace(**means)
    assert min(started().air_c, whole.air_c) < whole.air_mean_c < max(started().air_c, whole.air_c)


def time_to_warm(packs: int, kg: float, *, room_c: float) -> float:
    """Return the seconds until the reservoir of a resting plant passes 10 °C."""
    plant = Plant(
        replace(TENT, packs=replace(TENT.packs, count=max(packs, 1), in_reservoir=packs, kg=kg))
    )
    state = started(plant, reservoir_c=8.0, pack_c=-10.0)
    while state.reservoir_c < 10.0 and state.t_s < 30 * 86_400.0:
        state = plant.step(state, pump=False, fan=False, room_c=room_c, room_rh=0.5, dt_s=600.0)
    return state.t_s


@examples(10)
@given(packs=st.integers(0, 3), kg=st.floats(0.2, 1.0), room_c=st.floats(24.0, 35.0))
def test_more_packs_never_shorten_the_time_to_warm(packs: int, kg: float, room_c: float) -> None:
    """One pack more, or heavier ones, lasts as long or longer; a warmer room never longer."""
    base_s = time_to_warm(packs, kg, room_c=room_c)

    assert time_to_warm(packs + 1, kg, room_c=room_c) >= base_s
    assert time_to_warm(packs, kg * 1.3, room_c=room_c) >= base_s
    assert time_to_warm(packs, kg, room_c=room_c + 2.0) <= base_s


def test_no_load_needs_no_ice() -> None:
    """A perfect box at rest keeps its frozen packs for a week."""
    plant = Plant(replace(TENT, reservoir=replace(TENT.reservoir, ua_w_k=0.0)))
    state = started(plant, reservoir_c=0.0, pack_c=0.0)
    state = stepped(plant, state, cooling=False, seconds=7 * 86_400.0, dt_s=600.0)

    assert state.ice_melted_kg == 0.0
    assert state.reservoir_c == 0.0


BARE = Plant(
    replace(
        TENT,
        chamber=replace(
            TENT.chamber, crop_w_per_kg=0.0, lights_w=0.0, fans_w=0.0, humidifier_kg_per_h=0.0
        ),
        reservoir=replace(TENT.reservoir, pump_w=0.0),
    )
)


@examples(15)
@given(
    room_c=st.floats(-5.0, 40.0), room_rh=st.floats(0.0, 1.0), air_c=st.floats(2.0, 35.0),
    reservoir_c=st.floats(0.0, 25.0), cooling=st.booleans(), dt_s=st.sampled_from([1.0, 5.0, 60.0]),
)  # fmt: skip
def test_air_stays_between_its_neighbours(
    room_c: float, room_rh: float, air_c: float, reservoir_c: float, cooling: bool, dt_s: float
) -> None:
    """Without sources the air never leaves the span of room, start and reservoir."""
    state = BARE.start(air_c=air_c, reservoir_c=reservoir_c, room_c=20.0, rh=0.6, packs=0)
    # fog gives its latent heat to the air, so a wet warm room may lift it a little
    lowest = min(room_c, air_c, reservoir_c) - 0.01
    highest = max(room_c, air_c, reservoir_c) + 2.5
    for _ in range(40):
        state = BARE.step(
            state, pump=cooling, fan=cooling, room_c=room_c, room_rh=room_rh, dt_s=dt_s
        )
        assert lowest <= state.air_c <= highest
        assert state.ratio >= -1e-9


@pytest.mark.parametrize(
    ("changes", "names"),
    [
        pytest.param({"air_c": float("nan")}, "air_c", id="nan-air"),
        pytest.param({"air_c": 77.0}, "air_c", id="fahrenheit"),
        pytest.param({"reservoir_c": -5.0}, "reservoir_c", id="ice-cold-water"),
        pytest.param({"rh": 90.0}, "90 percent", id="percent"),
        pytest.param({"packs": -1}, "packs", id="negative-packs"),
        pytest.param({"frozen_share": 1.5}, "frozen share", id="share"),
    ],
)
def test_impossible_starts_are_refused(changes: dict[str, float], names: str) -> None:
    """The message names the figure."""
    with pytest.raises(PhysicsError, match=names):
        started(**changes)


@pytest.mark.parametrize(
    ("changes", "names"),
    [
        pytest.param({"dt_s": 0.0}, "above 0", id="no-time"),
        pytest.param({"dt_s": -5.0}, "above 0", id="backwards"),
        pytest.param({"dt_s": float("nan")}, "above 0", id="nan-time"),
        pytest.param({"dt_s": math.inf}, "finite", id="for-ever"),
        pytest.param({"room_c": float("nan")}, "room", id="nan-room"),
        pytest.param({"room_c": 80.0}, "room", id="fahrenheit"),
        pytest.param({"room_rh": 50.0}, "90 percent", id="percent"),
        pytest.param({"flow": -1.0}, "flow", id="flow"),
    ],
)
def test_impossible_steps_are_refused(changes: dict[str, float], names: str) -> None:
    """The message names the figure, and the plant can still be stepped afterwards."""
    figures = {"room_c": 25.0, "room_rh": 0.5, "dt_s": 5.0} | changes
    with pytest.raises(PhysicsError, match=names):
        EXAMPLE.step(started(), pump=False, fan=False, **figures)

    after = EXAMPLE.step(started(), pump=False, fan=False, room_c=25.0, room_rh=0.5, dt_s=5.0)
    assert math.isfinite(after.air_c)


def test_a_heater_far_too_strong_is_named() -> None:
    """5 kW of lights in a small tent leave the range of the formulas: an error, not a number."""
    plant = Plant(replace(TENT, chamber=replace(TENT.chamber, lights_w=5000.0)))
    with pytest.raises(PhysicsError, match="outside the range"):
        stepped(plant, started(plant), cooling=False, seconds=86_400.0, dt_s=60.0, lights=True)


def test_memory_does_not_grow_with_ever_new_steps() -> None:
    """Step lengths and flows that never repeat fill no table without end."""
    plant = Plant(replace(TENT, coil=TENT.coil))
    state = started(plant)
    for index in range(2 * MOST_MODES):
        state = plant.step(
            state, pump=True, fan=True, room_c=25.0, room_rh=0.5, dt_s=1.0 + index / 1000.0,
            flow=0.5 + index / 1000.0,
        )  # fmt: skip

    tables = plant._attempt.__self__.tables
    assert len(tables.modes) <= MOST_MODES
    assert len(tables._coils) <= 16


def test_small_chamber_with_a_strong_coil_bears_long_steps() -> None:
    """Steps of a minute end where steps of two seconds do, where the fan turns the air over fast.

    Steps that long once swung about the balance, by kelvins, until the air left every formula.
    """
    plant = Plant(
        replace(
            TENT,
            chamber=replace(
                TENT.chamber, volume_m3=0.23, wall_area_m2=1.9, humidifier_kg_per_h=0.25
            ),
            coil=replace(TENT.coil, ua_air_w_k=41.0, air_kg_s=0.0316, water_kg_s=0.027),
        )
    )
    ends = []
    for dt_s in (2.0, 60.0):
        state = plant.start(air_c=20.0, reservoir_c=6.0, room_c=24.0, rh=0.9)
        for _ in range(round(1800.0 / dt_s)):
            state = plant.step(state, pump=True, fan=True, room_c=24.0, room_rh=0.5, dt_s=dt_s)
        ends.append((state.air_c, state.reservoir_c))

    assert ends[1] == pytest.approx(ends[0], abs=0.05)


def test_small_chamber_with_a_strong_humidifier_bears_long_steps() -> None:
    """At rest too: steps of a minute end where steps of two seconds do.

    The humidifier once went from all to nothing within a step and back in the next, and took the
    air along by kelvins.
    """
    plant = Plant(
        replace(
            TENT,
            chamber=replace(
                TENT.chamber, volume_m3=0.36, wall_area_m2=3.0, humidifier_kg_per_h=0.28
            ),
        )
    )
    ends = []
    for dt_s in (2.0, 60.0):
        state = plant.start(air_c=25.0, reservoir_c=20.0, room_c=24.0, rh=0.9)
        course = []
        for _ in range(round(3 * 3600.0 / dt_s)):
            state = plant.step(state, pump=False, fan=False, room_c=24.0, room_rh=0.5, dt_s=dt_s)
            if state.t_s % 600.0 < 0.5:
                course.append(state.air_c)
        ends.append(course)

    assert ends[1] == pytest.approx(ends[0], abs=0.05)
