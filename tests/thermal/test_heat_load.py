"""Steady loads against hand figures, the plant itself and common sense."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.errors import PhysicsError
from controller.thermal import heat_load
from controller.thermal.plant import (
    ChamberSpec,
    CoilSpec,
    FineSpec,
    PackSpec,
    Plant,
    ReservoirSpec,
    RoomSpec,
)
from tests.support.plants import TENT
from tests.support.random_inputs import examples

HOT_DAY = heat_load.Conditions(room_c=26.0, room_rh=0.5, air_c=17.0, air_rh=0.9)


@pytest.mark.parametrize(
    ("watts", "latent_kg", "to_eight_kg"),
    [(10.0, 2.591, 2.141), (30.0, 7.774, 6.422), (50.0, 12.956, 10.703), (100.0, 25.912, 21.405)],
)
def test_ice_for_a_day(watts: float, latent_kg: float, to_eight_kg: float) -> None:
    """Latent heat alone (333.43 kJ/kg), and from -18 °C ice to 8 °C water (403.6 kJ/kg)."""
    assert heat_load.ice_kg_per_day(watts, kj_kg=333.43) == pytest.approx(latent_kg, rel=0.002)
    assert heat_load.ice_kg_per_day(watts, kj_kg=403.6) == pytest.approx(to_eight_kg, rel=0.003)


def test_ice_plant_for_a_town() -> None:
    """Hundy, Trott and Welch, example 18.1: 20 t a day from 15 °C to ice takes 92 kW."""
    kj_kg = 4.187 * 15.0 + 334.0

    assert 20_000.0 * kj_kg / 86_400.0 == pytest.approx(92.0, rel=0.002)
    assert heat_load.ice_kg_per_day(91_850.0, kj_kg=kj_kg) == pytest.approx(20_000.0, rel=0.002)


def test_sources_of_the_example_chamber() -> None:
    """Each source by hand: 3.70 W/K over 9 K, lights 10 W, crop 5 kg at 0.69 W/kg and Q10 2.85."""
    hour = heat_load.steady_hour(TENT, HOT_DAY, reservoir_c=6.0)

    assert hour.load.envelope_w == pytest.approx(4.08 * 0.907 * 9.0, rel=0.002)
    assert hour.load.lights_w == 10.0
    assert hour.load.fans_w == pytest.approx(3.0 * hour.duty)
    assert hour.load.pump_w == pytest.approx(5.0 * hour.duty)
    # the crop sits above the air by its own heat over its conductance
    at_c = 17.0
    for _ in range(20):
        crop_w = 5.0 * 0.69 * 2.85 ** ((at_c - 15.0) / 10.0)
        at_c = 17.0 + crop_w / (5.0 * 0.45)
    assert hour.load.crop_w == pytest.approx(crop_w, rel=0.005)
    assert hour.load.total_w == pytest.approx(hour.load.sensible_w + hour.load.latent_w)


def test_coil_takes_exactly_the_load() -> None:
    """Enthalpy balance: duty times the coil's heat is the sum of the sources."""
    for reservoir_c in (2.0, 6.0, 10.0, 12.0):
        hour = heat_load.steady_hour(TENT, HOT_DAY, reservoir_c=reservoir_c)

        assert hour.holds
        assert 1000.0 * hour.duty * hour.coil.total_kw == pytest.approx(hour.load.total_w)


def test_plant_run_for_a_day_has_the_same_duty_and_heat() -> None:
    """The stepped plant on a huge reservoir settles where the steady balance says, within 3 %."""
    spec = replace(
        TENT,
        reservoir=ReservoirSpec(litres=10_000.0, ua_w_k=0.0),
        packs=PackSpec(count=0, in_reservoir=0),
        fine=FineSpec(humidistat_band=0.01),
    )
    plant = Plant(spec)
    state = plant.start(air_c=17.0, reservoir_c=6.0, room_c=26.0, rh=0.9)
    on, ran = False, 0
    air_sum_c = 0.0
    ticks, settle = 36_000, 18_000
    before = state
    for tick in range(ticks):
        on = state.air_c >= 17.02 if not on else state.air_c > 16.98
        if tick == settle:
            before = state
        if tick >= settle:
            ran += on
            air_sum_c += state.air_c
        state = plant.step(state, pump=on, fan=on, room_c=26.0, room_rh=0.5, dt_s=1.0, lights=True)
    mean_c = air_sum_c / (ticks - settle)
    hour = heat_load.steady_hour(
        spec, replace(HOT_DAY, air_c=mean_c), reservoir_c=state.reservoir_c
    )

    assert mean_c == pytest.approx(17.0, abs=0.1)
    assert ran / (ticks - settle) == pytest.approx(hour.duty, rel=0.03)
    coil_w = 1000.0 * (state.coil_kj - before.coil_kj) / (ticks - settle)
    assert coil_w == pytest.approx(hour.load.total_w, rel=0.03)


def test_a_small_humidifier_lets_the_air_dry() -> None:
    """Without a humidifier the coil dries the air below what was asked, and takes less latent."""
    dry = replace(TENT, chamber=ChamberSpec(humidifier_kg_per_h=0.0))
    held = heat_load.steady_hour(TENT, HOT_DAY, reservoir_c=6.0)
    sunk = heat_load.steady_hour(dry, HOT_DAY, reservoir_c=6.0)

    assert held.air_rh == pytest.approx(0.9)
    assert sunk.air_rh < 0.65
    assert sunk.humidifier_kg_h == 0.0
    assert sunk.load.latent_w < held.load.latent_w


@pytest.mark.parametrize("reservoir_c", [17.0, 20.0, 26.0])
def test_a_reservoir_as_warm_as_the_air_holds_nothing(reservoir_c: float) -> None:
    """A plant that cannot work is a verdict, not a crash."""
    hour = heat_load.steady_hour(TENT, HOT_DAY, reservoir_c=reservoir_c)

    assert not hour.holds
    assert hour.duty == math.inf


def test_a_cold_room_needs_nothing() -> None:
    """Room below the chamber, no lights: duty 0 and no ice but for the box."""
    cold = heat_load.Conditions(room_c=5.0, room_rh=0.5, air_c=17.0, air_rh=0.9, lights=False)
    hour = heat_load.steady_hour(TENT, cold, reservoir_c=5.0)

    assert hour.duty == 0.0
    assert hour.reservoir_w == 0.0
    assert heat_load.ice_kg_per_day(hour.reservoir_w, kj_kg=333.43) == 0.0
    assert heat_load.warmest_reservoir_c(TENT, cold) == 17.0


def test_warmest_reservoir_is_where_the_coil_never_rests() -> None:
    """At that temperature the duty is 1."""
    warmest_c = heat_load.warmest_reservoir_c(TENT, HOT_DAY)

    assert warmest_c is not None
    assert 10.0 < warmest_c < 16.0
    hour = heat_load.steady_hour(TENT, HOT_DAY, reservoir_c=warmest_c)
    assert hour.duty == pytest.approx(1.0, abs=0.005)


def test_no_reservoir_is_cold_enough_for_a_bare_tent_in_the_sun() -> None:
    """Fabric, a 38 °C room and 200 W of lights: none."""
    spec = replace(TENT, chamber=ChamberSpec(wall="fabric", lights_w=200.0))

    assert heat_load.warmest_reservoir_c(spec, replace(HOT_DAY, room_c=38.0)) is None


@examples(25)
@given(
    room_c=st.floats(18.0, 32.0),
    air_c=st.floats(12.0, 18.0),
    factor=st.floats(1.01, 3.0),
    wall=st.floats(0.4, 3.0),
)
def test_a_larger_coil_never_lowers_the_useful_reservoir(
    room_c: float, air_c: float, factor: float, wall: float
) -> None:
    """More conductance and flow: the warmest useful reservoir is as warm or warmer."""
    conditions = heat_load.Conditions(room_c=room_c, room_rh=0.5, air_c=air_c, air_rh=0.85)
    coil = TENT.coil
    small = replace(TENT, chamber=replace(TENT.chamber, wall=None, wall_u_w_m2k=wall))
    large = replace(
        small,
        coil=CoilSpec(
            ua_air_w_k=coil.ua_air_w_k * factor,
            ua_water_w_k=coil.ua_water_w_k * factor,
            air_kg_s=coil.air_kg_s * factor,
            water_kg_s=coil.water_kg_s * factor,
        ),
    )
    with_small = heat_load.warmest_reservoir_c(small, conditions)
    with_large = heat_load.warmest_reservoir_c(large, conditions)

    if with_small is not None:
        assert with_large is not None
        assert with_large >= with_small - 0.002


@examples(25)
@given(room_c=st.floats(10.0, 34.0), warmer_k=st.floats(0.0, 5.0), reservoir_c=st.floats(1.0, 8.0))
def test_a_warmer_room_never_lowers_the_ice_a_day(
    room_c: float, warmer_k: float, reservoir_c: float
) -> None:
    """Same humidity ratio outside: more heat through walls, fresh air and box."""

    def ice_kg(at_c: float) -> float:
        # the room's water content stays, so that only its warmth changes
        rh = 0.5 * math.exp(-0.062 * (at_c - room_c))
        conditions = heat_load.Conditions(room_c=at_c, room_rh=rh, air_c=17.0, air_rh=0.9)
        hour = heat_load.steady_hour(TENT, conditions, reservoir_c=reservoir_c)
        return heat_load.ice_kg_per_day(hour.reservoir_w, kj_kg=333.43)

    assert ice_kg(room_c + warmer_k) >= ice_kg(room_c) - 1e-6


def test_room_over_a_day() -> None:
    """Warmest at four in the afternoon, coolest twelve hours later, and every day the same."""
    room = RoomSpec(day_c=26.0, night_c=24.0)

    assert heat_load.daily_room_c(room, 16.5) == pytest.approx(26.0)
    assert heat_load.daily_room_c(room, 4.5) == pytest.approx(24.0)
    assert heat_load.daily_room_c(room, 34.0) == pytest.approx(heat_load.daily_room_c(room, 10.0))


@pytest.mark.parametrize(
    "call",
    [
        pytest.param(
            lambda: heat_load.Conditions(room_c=77.0, room_rh=0.5, air_c=17.0, air_rh=0.9),
            id="room-f",
        ),
        pytest.param(
            lambda: heat_load.Conditions(room_c=25.0, room_rh=50.0, air_c=17.0, air_rh=0.9), id="rh"
        ),
        pytest.param(lambda: heat_load.ice_kg_per_day(float("nan"), kj_kg=333.0), id="nan-load"),
        pytest.param(lambda: heat_load.ice_kg_per_day(10.0, kj_kg=0.0), id="no-heat"),
    ],
)
def test_impossible_figures_are_refused(call: object) -> None:
    """Named, never silently used."""
    assert callable(call)
    with pytest.raises(PhysicsError):
        call()
