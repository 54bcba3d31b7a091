"""The plant's spec: defaults that work, mistakes that are named."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from controller.errors import PhysicsError
from controller.thermal.plant import (
    ChamberSpec,
    CoilSpec,
    FineSpec,
    PackSpec,
    ReservoirSpec,
    RoomSpec,
    SiteSpec,
)
from tests.support.plants import TENT

NAN = float("nan")


@pytest.mark.parametrize(
    ("make", "names"),
    [
        pytest.param(lambda: ChamberSpec(wall_area_m2=-4.0), "wall_area_m2", id="negative-area"),
        pytest.param(lambda: ChamberSpec(volume_m3=NAN), "volume_m3", id="nan-volume"),
        pytest.param(lambda: ChamberSpec(rh=9000.0), r"0\.9 for 90 %", id="rh-9000"),
        pytest.param(lambda: ChamberSpec(rh=90.0), r"0\.9 for 90 %", id="rh-percent"),
        pytest.param(lambda: ChamberSpec(wall="cardboard"), "foam-board-25", id="unknown-wall"),
        pytest.param(
            lambda: ChamberSpec(wall="fabric", wall_u_w_m2k=4.0), "not both", id="two-walls"
        ),
        pytest.param(lambda: ChamberSpec(wall_u_w_m2k=0.0), "wall_u_w_m2k", id="no-wall"),
        pytest.param(lambda: ChamberSpec(air_changes_per_h=-1.0), "air_changes", id="exchange"),
        pytest.param(lambda: ChamberSpec(lights_w=-5.0), "lights_w", id="lights"),
        pytest.param(lambda: ChamberSpec(fans_w=math.inf), "fans_w", id="fans"),
        pytest.param(lambda: ChamberSpec(crop_kg=-1.0), "crop_kg", id="crop"),
        pytest.param(lambda: ChamberSpec(crop_w_per_kg=NAN), "crop_w_per_kg", id="crop-heat"),
        pytest.param(lambda: ChamberSpec(humidifier_kg_per_h=-0.1), "humidifier", id="humidifier"),
        pytest.param(lambda: CoilSpec(ua_air_w_k=0.0), "ua_air_w_k", id="coil-air"),
        pytest.param(lambda: CoilSpec(ua_water_w_k=-1.0), "ua_water_w_k", id="coil-water"),
        pytest.param(lambda: CoilSpec(air_kg_s=NAN), "air_kg_s", id="air-flow"),
        pytest.param(lambda: CoilSpec(water_kg_s=0.0), "water_kg_s", id="zero-flow"),
        pytest.param(lambda: ReservoirSpec(litres=0.0), "litres", id="no-water"),
        pytest.param(lambda: ReservoirSpec(ua_w_k=-0.1), "ua_w_k", id="box"),
        pytest.param(lambda: ReservoirSpec(pump_w=NAN), "pump_w", id="pump"),
        pytest.param(lambda: PackSpec(kg=-1.0), r"kg is -1\.0", id="pack-of-minus-one"),
        pytest.param(lambda: PackSpec(count=2, in_reservoir=3), "in_reservoir", id="too-many-in"),
        pytest.param(lambda: PackSpec(count=-1), "count", id="negative-count"),
        pytest.param(lambda: PackSpec(thickness_mm=0.0), "thickness_mm", id="thickness"),
        pytest.param(lambda: PackSpec(fill="brine"), "salt-11", id="unknown-fill"),
        pytest.param(lambda: PackSpec(plateau_c=-3.0), "together", id="half-a-fill"),
        pytest.param(
            lambda: PackSpec(plateau_c=-3.0, latent_kj_kg=-5.0), "latent_kj_kg", id="latent"
        ),
        pytest.param(lambda: PackSpec(freezer_c=5.0), "freezer_c", id="warm-freezer"),
        pytest.param(
            lambda: PackSpec(refreeze_h=10.0, freezer_c=-18.0), "not both", id="two-freezers"
        ),
        pytest.param(lambda: PackSpec(refreeze_h=0.0), "refreeze_h", id="no-time"),
        pytest.param(lambda: RoomSpec(day_c=77.0), "day_c", id="fahrenheit"),
        pytest.param(lambda: RoomSpec(day_c=20.0, night_c=24.0), "night_c", id="upside-down"),
        pytest.param(lambda: RoomSpec(rh=50.0), r"0\.9 for 90 %", id="room-rh"),
        pytest.param(lambda: SiteSpec(altitude_m=NAN), "altitude_m", id="altitude"),
        pytest.param(lambda: FineSpec(crop_q10=0.5), "crop_q10", id="q10"),
        pytest.param(lambda: FineSpec(pack_film_w_m2k=0.0), "pack_film_w_m2k", id="film"),
    ],
)
def test_mistakes_are_named(make: Callable[[], object], names: str) -> None:
    """Each message says which figure, or what to write instead."""
    with pytest.raises(PhysicsError, match=names):
        make()


def test_everything_has_a_default() -> None:
    """An empty plant section is our example chamber: a small tent in 25 mm of foam."""
    spec = TENT

    assert spec.chamber.envelope_w_k == pytest.approx(3.70, rel=0.01)
    assert spec.packs.filling.plateau_c == 0.0


def test_a_given_u_value_wins_over_the_default_wall() -> None:
    """Area times the figure given."""
    assert ChamberSpec(wall_u_w_m2k=2.0, wall_area_m2=5.0).envelope_w_k == pytest.approx(10.0)


def test_a_fill_of_ones_own() -> None:
    """Plateau and latent heat as given, the rest as ice."""
    fill = PackSpec(plateau_c=-3.0, latent_kj_kg=300.0).filling

    assert (fill.plateau_c, fill.latent_kj_kg, fill.liquid_kj_kgk) == (-3.0, 300.0, 4.19)
