"""Plants that several tests share."""

from __future__ import annotations

from controller.thermal.specs import (
    ChamberSpec,
    CoilSpec,
    PackSpec,
    PlantSpec,
    ReservoirSpec,
    RoomSpec,
)

TENT = PlantSpec(
    chamber=ChamberSpec(
        volume_m3=0.504,
        wall_area_m2=4.08,
        wall="foam-board-25",
        air_changes_per_h=4.0,
        rh=0.90,
        lights_w=10.0,
        fans_w=3.0,
        crop_kg=5.0,
        crop_w_per_kg=0.69,
        humidifier_kg_per_h=0.10,
    ),
    coil=CoilSpec(ua_air_w_k=22.0, ua_water_w_k=150.0, air_kg_s=0.017, water_kg_s=0.0167),
    reservoir=ReservoirSpec(litres=19.0, ua_w_k=0.5, pump_w=5.0),
    packs=PackSpec(count=4, in_reservoir=2, kg=1.0, thickness_mm=30.0),
    room=RoomSpec(day_c=26.0, night_c=24.0, rh=0.50),
)
"""A tent of 0.6 × 0.6 × 1.4 m in 25 mm of foam board, a good 120 mm core, a five-gallon box."""
