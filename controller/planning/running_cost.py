"""What a build takes in electricity, beside an air conditioner that cools the whole room."""

from __future__ import annotations

from dataclasses import dataclass

from controller.domain import measures
from controller.planning.verdict import Judgement

PI_W = 4.0
"""A small computer with its relays. From memory."""
ICE_KWH_PER_KG = 0.10
"""Electricity to freeze a kilogram of packs again: 0.120 kWh of heat over a coefficient of 1.2;
0.07 to 0.16. Own, the coefficient of household freezers from memory."""
ROOM_W_K = 80.0
"""A room's heat loss [W/K]: 60 to 120. Common practice."""
ROOM_SUN_W = 300.0
"""Sun and people in it [W]. Common practice."""
ROOM_COP = 3.0
"""Of a small air conditioner. From memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunningCost:
    """Electricity on a hot day [kWh/day]."""

    circulation_kwh: float
    """Pump, fans, and the computer."""
    ice_kwh: float
    """The freezer's work for the packs."""
    room_kwh: float
    """An air conditioner that holds the whole room at the chamber's temperature."""

    @property
    def total_kwh(self) -> float:
        """What cooling by ice takes."""
        return self.circulation_kwh + self.ice_kwh


def running_cost(judgement: Judgement) -> RunningCost:
    """Return the electricity of a build on a hot day."""
    plant = judgement.build.plant
    duty = 1.0 if judgement.days is None else judgement.days.duty
    air_c = judgement.design.conditions.air_c
    room_c = 0.5 * (plant.room.day_c + plant.room.night_c)
    room_w = max(0.0, ROOM_W_K * (room_c - air_c) + ROOM_SUN_W)
    return RunningCost(
        circulation_kwh=0.024 * (PI_W + duty * (plant.reservoir.pump_w + plant.chamber.fans_w)),
        ice_kwh=ICE_KWH_PER_KG * judgement.supply.ice_kg_per_day,
        room_kwh=0.024 * room_w / ROOM_COP,
    )


def assumptions_text(unit: str) -> str:
    """Return what these figures rest on, for people who chose a unit of temperature."""
    per_degree = (
        f"{ROOM_W_K / 1.8:.0f} W for each °F" if unit == "F" else f"{ROOM_W_K:g} W for each °C"
    )
    weight = measures.WEIGHTS_KG["lb"] if unit == "F" else 1.0
    name = "pound" if unit == "F" else "kilogram"
    return (
        f"Freezing takes {ICE_KWH_PER_KG * weight:.2g} kWh a {name} of packs ({0.07 * weight:.2g} "
        f"to {0.16 * weight:.2g}). The room loses {per_degree} that it is cooler than the air "
        f"around it and takes {ROOM_SUN_W:g} W of sun and people; an air conditioner gives "
        f"{ROOM_COP:g} times its electricity. A watt of cold from ice costs more than one from an "
        "air conditioner: ice wins because a small insulated box is cooled, not a room. A freezer "
        "bought for it takes 0.5 to 0.9 kWh a day more."
    )
