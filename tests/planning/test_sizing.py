"""Sizing: verdicts that follow from the model, and the sense in which each figure must move."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.planning.changes import best_changes
from controller.planning.sizing import Band, size
from controller.thermal.specs import (
    ChamberSpec,
    CoilSpec,
    PackSpec,
    PlantSpec,
    ReservoirSpec,
    RoomSpec,
)
from tests.support.plants import TENT
from tests.support.random_inputs import examples

BAND = Band(cut_in_c=18.0, cut_out_c=17.0)


def small_house_plant(**chamber: object) -> PlantSpec:
    """A 19-litre reservoir, four packs of which two are in it, 25.5 °C by day, 24 °C by night."""
    return PlantSpec(
        chamber=replace(TENT.chamber, **{"wall": None, **chamber}),  # type: ignore[arg-type]
        coil=TENT.coil,
        reservoir=ReservoirSpec(litres=19.0),
        packs=PackSpec(count=4, in_reservoir=2, kg=1.0, refreeze_h=10.0),
        room=RoomSpec(day_c=25.5, night_c=24.0),
    )


WELL_INSULATED = {
    "volume_m3": 0.25,
    "wall_area_m2": 2.4,
    "wall_u_w_m2k": 0.35,
    "air_changes_per_h": 1.0,
    "lights_w": 1.0,
    "fans_w": 1.0,
    "crop_kg": 1.0,
    "humidifier_kg_per_h": 0.03,
}
BARE_TENT = {"volume_m3": 0.5, "wall_area_m2": 4.1, "wall": "fabric", "lights_w": 10.0}


@pytest.mark.parametrize(
    ("chamber", "verdict", "binding"),
    [
        pytest.param(WELL_INSULATED, "holds", None, id="small-and-well-insulated"),
        pytest.param(BARE_TENT, "short", "a set of packs does not last the night", id="bare-tent"),
    ],
)
def test_two_of_four_packs_are_enough_in_some_plants_and_not_in_others(
    chamber: dict[str, object], verdict: str, binding: str | None
) -> None:
    """Common practice, no source: two packs in, two refreezing. It depends on the plant."""
    sizing = size(small_house_plant(**chamber), BAND)

    assert sizing.verdict == verdict
    if binding is not None:
        assert sizing.binding == binding


def test_what_is_short_is_mended_by_one_of_the_changes() -> None:
    """Every change told really helps when it is made."""
    spec = small_house_plant(**BARE_TENT)
    before = size(spec, BAND).cover.least

    changes = best_changes(spec, BAND)

    assert changes
    assert [change.gain for change in changes] == sorted(
        (change.gain for change in changes), reverse=True
    )
    wall = next(change for change in changes if "foam" in change.what)
    after = replace(spec, chamber=replace(spec.chamber, wall=None, wall_u_w_m2k=wall.after))
    assert size(after, BAND).cover.least - before == pytest.approx(wall.gain, rel=1e-9)


@pytest.mark.parametrize(
    ("change", "binding"),
    [
        pytest.param(
            {"coil": CoilSpec(ua_air_w_k=0.5, air_kg_s=0.001)},
            "the coil at the hottest hour",
            id="coil-too-small",
        ),
        pytest.param(
            {"packs": PackSpec(fill="salt-21", count=4, in_reservoir=2, freezer_c=-18.0)},
            "the packs never freeze in this freezer",
            id="plateau-below-the-freezer",
        ),
    ],
)
def test_plant_that_no_number_of_packs_can_save_is_a_verdict(
    change: dict[str, object], binding: str
) -> None:
    """`cannot` is an answer, not a crash."""
    spec = replace(small_house_plant(), **change)  # type: ignore[arg-type]

    sizing = size(spec, BAND)

    assert (sizing.verdict, sizing.binding) == ("cannot", binding)


def test_no_load_needs_no_ice() -> None:
    """A room as cold as the chamber, nothing inside, no leak: no ice melts."""
    spec = PlantSpec(
        chamber=ChamberSpec(lights_w=0.0, crop_kg=0.0, air_changes_per_h=0.0, fans_w=0.0),
        reservoir=ReservoirSpec(ua_w_k=0.0, pump_w=0.0),
        room=RoomSpec(day_c=16.0, night_c=16.0),
    )

    sizing = size(spec, BAND)

    assert sizing.life.ice_kg_per_day == pytest.approx(0.0, abs=1e-9)
    assert sizing.cover.least > 1


def test_ice_a_day_is_the_heat_over_what_a_kilogram_takes() -> None:
    """The books of the followed days close: kg/day times kJ/kg over a day is the mean load [W]."""
    sizing = size(small_house_plant(), BAND)
    kj_per_day = sizing.life.ice_kg_per_day * sizing.kj_per_pack / 1.0

    assert kj_per_day / 86.4 == pytest.approx(sizing.life.reservoir_w, rel=1e-9)


PLANTS = st.builds(
    small_house_plant,
    volume_m3=st.floats(0.2, 1.0),
    wall_area_m2=st.floats(2.0, 6.0),
    wall_u_w_m2k=st.floats(0.3, 2.0),
    air_changes_per_h=st.floats(0.5, 6.0),
    crop_kg=st.floats(0.0, 10.0),
)


@examples(15)
@given(spec=PLANTS, warmer_k=st.floats(0.1, 4.0))
def test_warmer_room_never_lowers_the_ice(spec: PlantSpec, warmer_k: float) -> None:
    """More heat comes in, at every hour."""
    room = replace(
        spec.room, day_c=spec.room.day_c + warmer_k, night_c=spec.room.night_c + warmer_k
    )

    before = size(spec, BAND).life.ice_kg_per_day
    after = size(replace(spec, room=room), BAND).life.ice_kg_per_day

    assert after >= before - 1e-6


@examples(15)
@given(spec=PLANTS, larger=st.floats(1.05, 3.0))
def test_larger_coil_never_lowers_the_useful_reservoir(spec: PlantSpec, larger: float) -> None:
    """What a small coil holds with some water, a larger one holds with it too."""
    coil = spec.coil
    bigger = replace(coil, ua_air_w_k=coil.ua_air_w_k * larger, air_kg_s=coil.air_kg_s * larger)

    before = size(spec, BAND).useful_reservoir_max_c
    after = size(replace(spec, coil=bigger), BAND).useful_reservoir_max_c

    assert (after if after is not None else -math.inf) >= (
        before if before is not None else -math.inf
    ) - 2e-3


@examples(15)
@given(spec=PLANTS, more=st.integers(1, 4))
def test_more_packs_never_shorten_a_set(spec: PlantSpec, more: int) -> None:
    """More cold goes in with each set."""
    packs = replace(
        spec.packs,
        count=spec.packs.count + 2 * more,
        in_reservoir=spec.packs.in_reservoir + more,
    )

    before, after = size(spec, BAND).life, size(replace(spec, packs=packs), BAND).life

    assert after.worst_h >= before.worst_h
    assert after.mean_h >= before.mean_h
