"""The two simulated chambers, behind one interface."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from controller.settings.load import Settings
from controller.thermal.first_order import FirstOrderPlant, FirstOrderSpec
from controller.thermal.freezing import refreeze_h
from controller.thermal.plant import Plant
from controller.thermal.specs import PlantSpec


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """What a whole run did to the plant; None where the plant does not know such a thing."""

    ice_melted_kg: float | None
    heat_removed_kj: float | None
    """Heat that the coil took from the chamber's air, condensation included."""
    energy_balance_error: float | None
    """Relative, of the whole plant over the whole run."""


class SimulatedChamber(Protocol):
    """A chamber that time moves on."""

    air_c: float
    reservoir_c: float
    lights: bool
    """Whether the lights are on from here on."""

    def outlet_c(self) -> float:
        """Return the temperature at the coil's outlet [°C]."""
        ...

    def advance(self, dt_s: float, *, pump: bool, fan: bool, room_c: float, flow: float) -> None:
        """Move on by *dt_s* seconds with the outputs and the room as they are.

        Args:
            dt_s: Time [s].
            pump: Pump running.
            fan: Fan running.
            room_c: Air of the room around it [°C].
            flow: Share of the pump's water that moves; 0 with a lost prime.
        """
        ...

    def swap(self, *, packs: int, frozen_share: float) -> float:
        """Take the most spent packs out and put others in.

        Returns:
            Share of those taken out that was frozen still.
        """
        ...

    def frozen_share(self) -> float:
        """Return the share of the packs in the reservoir that is frozen, 0 without packs."""
        ...

    def account(self) -> Account:
        """Return what the run did so far."""
        ...


class FirstOrderChamber:
    """The exactly solvable plant: a check of the control, not a picture of a chamber."""

    def __init__(self, spec: FirstOrderSpec, *, air_c: float, reservoir_c: float) -> None:
        self._plant = FirstOrderPlant(spec)
        self._state = self._plant.start(air_c=air_c)
        self.air_c = air_c
        self.reservoir_c = reservoir_c
        self.lights = False
        self._cooling = False

    def outlet_c(self) -> float:
        """Return the reservoir's temperature while cooling, else the air's [°C]."""
        return self.reservoir_c if self._cooling else self.air_c

    def advance(self, dt_s: float, *, pump: bool, fan: bool, room_c: float, flow: float) -> None:
        """Move on; the room is part of the plant's own equilibrium and is not looked at."""
        del room_c
        self._cooling = pump and fan and flow > 0
        self._state = self._plant.step(self._state, cooling=self._cooling, dt_s=dt_s)
        self.air_c = self._state.air_c

    def swap(self, *, packs: int, frozen_share: float) -> float:
        """Do nothing: this plant knows no packs."""
        del packs, frozen_share
        return 0.0

    def frozen_share(self) -> float:
        """Return 0: this plant knows no packs."""
        return 0.0

    def account(self) -> Account:
        """Return an empty account."""
        return Account(ice_melted_kg=None, heat_removed_kj=None, energy_balance_error=None)


class LumpedChamber:
    """Air, humidity, fabric, crop, coil, reservoir and packs, as `controller.thermal.plant`."""

    def __init__(self, spec: PlantSpec, *, air_c: float, reservoir_c: float, room_c: float) -> None:
        self._plant = Plant(spec)
        self._freezer_c = -18.0 if spec.packs.freezer_c is None else spec.packs.freezer_c
        self._room_rh = spec.room.rh
        freeze = math.isfinite(refreeze_h(spec.packs))
        self._state = self._plant.start(
            air_c=air_c,
            reservoir_c=reservoir_c,
            room_c=room_c,
            rh=spec.chamber.rh,
            frozen_share=1.0 if freeze else 0.0,
        )
        self._drive = (False, False, 1.0)
        self.lights = False
        self._show()

    def outlet_c(self) -> float:
        """Return the temperature of the water that leaves the coil, or of the air at rest [°C]."""
        pump, fan, flow = self._drive
        return self._plant.coil_outlet_c(self._state, pump=pump, fan=fan, flow=flow)

    def advance(self, dt_s: float, *, pump: bool, fan: bool, room_c: float, flow: float) -> None:
        """Move on by *dt_s* seconds."""
        self._state = self._plant.step(
            self._state,
            pump=pump,
            fan=fan,
            room_c=room_c,
            room_rh=self._room_rh,
            dt_s=dt_s,
            flow=flow,
            lights=self.lights,
        )
        self._drive = (pump, fan, flow)
        self.air_c = self._state.air_c
        self.reservoir_c = self._state.reservoir_c

    def swap(self, *, packs: int, frozen_share: float) -> float:
        """Take the most spent packs out and put others from the freezer in."""
        frozen = frozen_share > 0
        before_kg = self._state.bath.swapped_out_frozen_kg
        self._state = self._plant.swap(
            self._state,
            packs=packs,
            frozen_share=frozen_share,
            pack_c=self._freezer_c if frozen_share >= 1 else (0.0 if frozen else 5.0),
        )
        self._show()
        out_kg = packs * self._plant.spec.packs.kg
        frozen_kg = self._state.bath.swapped_out_frozen_kg - before_kg
        return min(1.0, frozen_kg / out_kg) if out_kg > 0 else 0.0

    def frozen_share(self) -> float:
        """Return the share of the packs in the reservoir that is frozen, 0 without packs."""
        groups = self._plant.packs(self._state)
        count = sum(group.packs for group in groups)
        return sum(group.packs * group.frozen_share for group in groups) / count if count else 0.0

    def account(self) -> Account:
        """Return what the run did so far."""
        plant, state = self._plant, self._plant.settled(self._state)
        return Account(
            ice_melted_kg=state.ice_melted_kg,
            heat_removed_kj=state.heat_removed_kj,
            energy_balance_error=plant.balance_error(state),
        )

    def _show(self) -> None:
        self.air_c = self._state.air_c
        self.reservoir_c = self._state.reservoir_c


def build_chamber(
    settings: Settings, room_c: float, *, plant: PlantSpec | None = None
) -> SimulatedChamber:
    """Return the chamber that the settings describe, at its start.

    Args:
        settings: [simulation] and [plant.*].
        room_c: Room at the start [°C].
        plant: Equipment in the place of the settings' own.

    Raises:
        PhysicsError: A figure lies outside the range of the formulas.
    """
    simulation = settings.simulation
    air_c, reservoir_c = simulation.start_air / 1000, simulation.start_reservoir / 1000
    if simulation.plant == "first-order":
        spec = FirstOrderSpec(
            off_c=simulation.warm_end / 1000,
            on_c=simulation.cold_end / 1000,
            tau_s=simulation.time_constant,
            dead_time_s=simulation.dead_time,
        )
        return FirstOrderChamber(spec, air_c=air_c, reservoir_c=reservoir_c)
    plant = settings.plant_spec() if plant is None else plant
    return LumpedChamber(plant, air_c=air_c, reservoir_c=reservoir_c, room_c=room_c)
