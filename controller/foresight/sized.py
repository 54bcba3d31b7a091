"""What is known before anything was seen: the sized values, and how far they may be off."""

from __future__ import annotations

from dataclasses import dataclass

from controller.foresight.lights import Lights
from controller.thermal.equations import Equations
from controller.thermal.heat_load import Conditions, steady_hour
from controller.thermal.moist_air import CP_DRY_AIR_KJ_KGK
from controller.thermal.packs import pack_kj_kg
from controller.thermal.specs import PlantSpec

PACK_IN_C = -18.0
LIGHT_HOURS = 0.5
"""Share of the day for which lights count where their hours are not known [-]."""
OUT_OF_ROOM_K = 8.0
"""Room above chamber at which the load's intercept is taken [K]."""
_TYPICAL_WATER_C = 6.0
_FIRST_MELTED_SHARE = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Sized:
    """A plant as its owner describes it, in the terms of the forecast."""

    coil_dry_w_k: float
    """Heat that the dry coil takes per kelvin between air and water [W/K]."""
    litres: float
    leak_w_k: float
    pump_w: float
    packs_in_set: int
    packs_w_k: float
    """Conductance of a full set of packs, half melted [W/K]."""
    packs_kj: float
    """Heat of a full set from the freezer to melted [kJ]."""
    packs_kg: float
    plateau_c: float
    load_w: float
    """Load at `OUT_OF_ROOM_K` [W]."""
    load_w_k: float
    """How the load grows with the room [W/K]."""
    air_kj_k: float
    """Heat capacity that follows the air within minutes [kJ/K]."""
    crop_w_k: float
    """Coupling to what follows within hours [W/K]."""
    room_mean_c: float
    room_swing_k: float
    """Half the difference of day and night [K]."""
    lights: Lights | None = None
    """Where their hours are known; ``load_w`` is then without them."""


def sized_from(spec: PlantSpec, *, air_c: float, lights: Lights | None = None) -> Sized:
    """Return what sizing says of a plant whose air is held at *air_c* [°C].

    Args:
        spec: The plant.
        air_c: The air [°C].
        lights: Where their hours are known.

    Raises:
        PhysicsError: A figure outside its range.
    """
    eq = Equations(spec)
    dry = eq.coil_at(1.0).take(air_c=air_c, ratio=1e-4, water_c=air_c - 8.0)
    packs, chamber = spec.packs, spec.chamber
    fill = packs.filling
    set_kg = packs.in_reservoir * packs.kg
    half_melted_kj_kg = pack_kj_kg(fill, frozen_share=_FIRST_MELTED_SHARE, pack_c=fill.plateau_c)
    frozen_kj_kg = pack_kj_kg(fill, frozen_share=1.0, pack_c=min(PACK_IN_C, fill.plateau_c))
    spent_kj_kg = pack_kj_kg(fill, frozen_share=0.0, pack_c=fill.plateau_c)

    light_hours = LIGHT_HOURS if lights is None else 0.0

    def load_w(out_of_room_k: float) -> float:
        hour = steady_hour(
            spec,
            Conditions(
                room_c=air_c + out_of_room_k,
                room_rh=spec.room.rh,
                air_c=air_c,
                air_rh=chamber.rh,
                lights=False,
            ),
            reservoir_c=min(_TYPICAL_WATER_C, air_c - 4.0),
        )
        return hour.load.total_w + light_hours * chamber.lights_w

    return Sized(
        coil_dry_w_k=1000.0 * dry.total_kw / 8.0,
        litres=spec.reservoir.litres,
        leak_w_k=spec.reservoir.ua_w_k,
        pump_w=spec.reservoir.pump_w,
        packs_in_set=packs.in_reservoir,
        packs_w_k=1000.0 * eq.packs.group_kw_k(packs.in_reservoir, half_melted_kj_kg),
        packs_kj=set_kg * (spent_kj_kg - frozen_kj_kg),
        packs_kg=set_kg,
        plateau_c=fill.plateau_c,
        load_w=load_w(OUT_OF_ROOM_K),
        load_w_k=(load_w(OUT_OF_ROOM_K + 2.0) - load_w(OUT_OF_ROOM_K - 2.0)) / 4.0,
        air_kj_k=eq.air_kg * CP_DRY_AIR_KJ_KGK + eq.fabric_kj_k,
        crop_w_k=1000.0 * eq.crop_kw_k,
        room_mean_c=0.5 * (spec.room.day_c + spec.room.night_c),
        room_swing_k=0.5 * (spec.room.day_c - spec.room.night_c),
        lights=lights,
    )
