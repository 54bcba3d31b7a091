"""The two simulated chambers, behind one interface."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple, Protocol

from controller.settings.load import Settings
from controller.thermal.first_order import FirstOrderPlant, FirstOrderSpec
from controller.thermal.freezing import refreeze_h
from controller.thermal.moist_air import relative_humidity
from controller.thermal.plant import Plant
from controller.thermal.probe import Course
from controller.thermal.specs import PlantSpec

FIRST_ORDER_STEP_S = 10.0
"""A dead time may end within a step."""
LUMPED_STEP_S = 120.0
MOST_ROOM_RH = 0.99
"""A house cooler than the dew point outdoors has wet walls, not air above saturation."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """What a whole run did to the plant; None where the plant does not know such a thing."""

    ice_melted_kg: float | None
    heat_removed_kj: float | None
    """Heat that the coil took from the chamber's air, condensation included."""
    energy_balance_error: float | None
    """Relative, of the whole plant over the whole run."""


class Actuators(NamedTuple):
    """What moves a chamber, constant over a step."""

    pump: bool
    fan: bool
    lights: bool
    flow: float
    """Share of the pump's water that moves; 0 with a lost prime."""


class SimulatedChamber(Protocol):
    """A chamber that time moves on, step by step; the last step can be taken back."""

    air_c: float
    reservoir_c: float
    step_s: float
    """Length of a step once nothing has switched for a while [s]."""
    air: Course
    """Air over the last step."""
    reservoir: Course
    """Water over the last step."""

    def outlet_c(self, drive: Actuators) -> float:
        """Return the temperature at the coil's outlet now [°C]."""
        ...

    def advance(self, longest_s: float, drive: Actuators, room_c: float) -> None:
        """Move on by a step, whose length `air` then tells.

        Args:
            longest_s: Longest step [s], above 0.
            drive: What runs over the step.
            room_c: Air of the room around it, over the step [°C].
        """
        ...

    def take_room_air(self, room_c: float, ratio: float | None) -> None:
        """Take what the room's air holds from here on.

        Args:
            room_c: The room [°C].
            ratio: Its humidity ratio [kg/kg]; None: the plant's own relative humidity.
        """
        ...

    def take_back(self) -> None:
        """Take the last step back."""
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

    step_s = FIRST_ORDER_STEP_S

    def __init__(self, spec: FirstOrderSpec, *, air_c: float, reservoir_c: float) -> None:
        self._plant = FirstOrderPlant(spec)
        self._state = self._before = self._plant.start(air_c=air_c)
        self.air_c = air_c
        self.reservoir_c = reservoir_c
        self.air = Course(1.0, air_c, air_c, air_c)
        self.reservoir = Course(1.0, reservoir_c, reservoir_c, reservoir_c)

    def outlet_c(self, drive: Actuators) -> float:
        """Return the reservoir's temperature while cooling, else the air's [°C]."""
        return self.reservoir_c if _cools(drive) else self.air_c

    def advance(self, longest_s: float, drive: Actuators, room_c: float) -> None:
        """Move on; the room is part of the plant's own equilibrium."""
        del room_c
        dt_s = longest_s
        before, on = self._state, _cools(drive)
        middle = self._plant.step(before, cooling=on, dt_s=0.5 * dt_s)
        after = self._plant.step(before, cooling=on, dt_s=dt_s)
        mean_c = (before.air_c + 4.0 * middle.air_c + after.air_c) / 6.0
        self._before, self._state = before, after
        self.air = Course(dt_s, before.air_c, mean_c, after.air_c)
        self.reservoir = self.reservoir._replace(dt_s=dt_s)
        self.air_c = after.air_c

    def take_room_air(self, room_c: float, ratio: float | None) -> None:
        """Do nothing: this plant knows no humidity."""

    def take_back(self) -> None:
        """Take the last step back."""
        self._state = self._before
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

    step_s = LUMPED_STEP_S

    def __init__(
        self,
        plant: Plant,
        *,
        air_c: float,
        reservoir_c: float,
        room_c: float,
        packs: int | None = None,
    ) -> None:
        """Begin at rest.

        Args:
            plant: What it is made of; its tables may serve several chambers.
            air_c: Its air [°C].
            reservoir_c: Its water [°C].
            room_c: The room [°C].
            packs: Packs in the water; None: as many as the plant has.

        Raises:
            PhysicsError: A figure outside its range.
        """
        spec = plant.spec
        self._plant = plant
        self._freezer_c = -18.0 if spec.packs.freezer_c is None else spec.packs.freezer_c
        self._room_rh = spec.room.rh
        freeze = math.isfinite(refreeze_h(spec.packs))
        self._state = plant.start(
            air_c=air_c,
            reservoir_c=reservoir_c,
            room_c=room_c,
            rh=spec.chamber.rh,
            packs=packs,
            frozen_share=1.0 if freeze else 0.0,
        )
        self._before = self._state
        self._show()

    def outlet_c(self, drive: Actuators) -> float:
        """Return the temperature of the water that leaves the coil, or of the air at rest [°C]."""
        return self._plant.coil_outlet_c(
            self._state, pump=drive.pump, fan=drive.fan, flow=drive.flow
        )

    def advance(self, longest_s: float, drive: Actuators, room_c: float) -> None:
        """Move on by a step."""
        pump, fan, lights, flow = drive
        before = self._before = self._state
        after = self._state = self._plant.advance(
            before,
            pump=pump,
            fan=fan,
            room_c=room_c,
            room_rh=self._room_rh,
            longest_s=longest_s,
            flow=flow,
            lights=lights,
        )
        dt_s = after.step_s
        self.air_c, self.reservoir_c = after.air_c, after.reservoir_c
        self.air = Course(
            dt_s, before.air_c, after.air_mean_c, after.air_c, after.air_swift_k, after.air_per_s
        )
        self.reservoir = Course(dt_s, before.reservoir_c, after.reservoir_mean_c, after.reservoir_c)

    def take_room_air(self, room_c: float, ratio: float | None) -> None:
        """Take what the room's air holds from here on."""
        if ratio is not None:
            pressure_pa = self._plant.equations.pressure_pa
            rh = relative_humidity(air_c=room_c, ratio=ratio, pressure_pa=pressure_pa)
            self._room_rh = min(MOST_ROOM_RH, rh)

    def take_back(self) -> None:
        """Take the last step back."""
        self._state = self._before
        self._show()

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
        self.air_c = air_c = self._state.air_c
        self.reservoir_c = water_c = self._state.reservoir_c
        self.air = Course(1.0, air_c, air_c, air_c)
        self.reservoir = Course(1.0, water_c, water_c, water_c)


def _cools(drive: Actuators) -> bool:
    return drive.pump and drive.fan and drive.flow > 0.0


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
    return LumpedChamber(Plant(plant), air_c=air_c, reservoir_c=reservoir_c, room_c=room_c)
