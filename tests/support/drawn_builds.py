"""Builds drawn at random: from a bare tote with two bottles to a foam box with a chest freezer."""

from __future__ import annotations

from random import Random

from controller.thermal.specs import (
    ChamberSpec,
    CoilSpec,
    FreezerSpec,
    PackSpec,
    PlantSpec,
    ReservoirSpec,
    RoomSpec,
)


def drawn_build(random: Random) -> PlantSpec:
    """Return one build; about half of them hold a band of 15 to 17 °C."""
    volume_m3 = random.uniform(0.1, 0.8)
    in_reservoir = random.randint(2, 8)
    night_c = random.uniform(19.0, 25.0)
    air_kg_s = random.uniform(0.006, 0.025)
    return PlantSpec(
        chamber=ChamberSpec(
            volume_m3=volume_m3,
            wall_area_m2=6.2 * volume_m3 ** (2.0 / 3.0),
            wall=random.choice(["foam-board-25", "foam-board-50", "foam-board-50", "foil-bubble"]),
            air_changes_per_h=random.uniform(0.5, 4.0),
            rh=random.uniform(0.82, 0.95),
            lights_w=random.uniform(0.0, 10.0),
            fans_w=random.uniform(1.0, 4.0),
            crop_kg=random.uniform(1.0, 10.0),
            humidifier_kg_per_h=random.uniform(0.04, 0.2),
        ),
        coil=CoilSpec(
            ua_air_w_k=1000.0 * air_kg_s * random.uniform(0.5, 1.3),
            air_kg_s=air_kg_s,
            water_kg_s=random.uniform(0.008, 0.03),
        ),
        reservoir=ReservoirSpec(
            litres=random.uniform(12.0, 50.0),
            ua_w_k=random.uniform(0.3, 1.0),
            pump_w=random.uniform(2.0, 8.0),
        ),
        packs=PackSpec(
            count=in_reservoir * random.randint(2, 4),
            in_reservoir=in_reservoir,
            kg=random.uniform(0.5, 1.5),
            shape=random.choice(["slab", "slab", "bottle"]),
            thickness_mm=random.uniform(20.0, 80.0),
        ),
        freezer=FreezerSpec(litres=random.uniform(100.0, 400.0)),
        room=RoomSpec(
            day_c=night_c + random.uniform(2.0, 8.0), night_c=night_c, rh=random.uniform(0.3, 0.7)
        ),
    )
