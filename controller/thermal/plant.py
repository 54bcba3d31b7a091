"""The whole plant, stepped fast: chamber air, humidity, fabric, crop, coil, reservoir and packs.

The equations are those of `equations.Equations.derivatives`. The method takes every flow at the
mean state over the step: the exact mean of the linearised equations for air, humidity and fabric,
which answer within minutes, an implicit midpoint for everything slower. Every flow enters both of
its sides with the same number, so energy and water balances close to rounding however long the
step. ``equations.md`` has it all, `plant_step` the step itself.
"""

from __future__ import annotations

import math

from controller.errors import PhysicsError
from controller.thermal import moist_air
from controller.thermal.balance import balance_error, stored_kj
from controller.thermal.bath import Bath
from controller.thermal.equations import (
    Drive,
    Equations,
)
from controller.thermal.packs import melted_share
from controller.thermal.packs import pack_c as pack_temperature_c
from controller.thermal.plant_state import PackView, PlantState
from controller.thermal.plant_step import PlantStep
from controller.thermal.specs import (
    ChamberSpec,
    CoilSpec,
    FineSpec,
    PackSpec,
    PlantSpec,
    ReservoirSpec,
    RoomSpec,
    SiteSpec,
)
from controller.thermal.step_lengths import (
    LONGEST_STEP_S,
    SHORTEST_S,
)
from controller.thermal.step_tables import (
    LONGEST_STRIDE_S,
)

__all__ = [
    "ChamberSpec",
    "CoilSpec",
    "Drive",
    "FineSpec",
    "PackSpec",
    "PackView",
    "Plant",
    "PlantSpec",
    "PlantState",
    "ReservoirSpec",
    "RoomSpec",
    "SiteSpec",
]

_FIRST_STRIDE_S = LONGEST_STRIDE_S


class Plant:
    """One plant.

    What it keeps between calls are tables that depend on the spec alone, and the last room asked
    for; the same state and drive always give the same next state.

    Args:
        spec: What the plant is made of.
    """

    def __init__(self, spec: PlantSpec) -> None:
        self.spec = spec
        self.equations = Equations(spec)
        steps = PlantStep(self.equations)
        self.tables, self._attempt = steps.tables, steps.attempt

    def start(
        self,
        *,
        air_c: float,
        reservoir_c: float,
        room_c: float,
        rh: float,
        packs: int | None = None,
        frozen_share: float = 1.0,
        pack_c: float | None = None,
    ) -> PlantState:
        """Return a plant at rest: fabric and crop at the temperature of the air.

        Args:
            air_c: Chamber air [°C], -15 to 60.
            reservoir_c: Reservoir water [°C], 0 to 60.
            room_c: Room air [°C], checked only: the plant is told the room at each step.
            rh: Relative humidity of the chamber [share].
            packs: Packs in the reservoir; None: as many as the spec says.
            frozen_share: Share of each pack that is frozen, 0 to 1.
            pack_c: Temperature of the packs [°C]; None: their plateau if frozen, else the water's.

        Raises:
            PhysicsError: A figure outside its range.
        """
        for name, value, lowest, highest in (
            ("air_c", air_c, -15.0, 60.0),
            ("reservoir_c", reservoir_c, 0.0, 60.0),
            ("room_c", room_c, -30.0, 60.0),
        ):
            if not lowest <= value <= highest:
                raise PhysicsError(
                    f"plant start: {name} is {value} °C; it must lie between {lowest} and"
                    f" {highest} °C"
                )
        eq = self.equations
        if pack_c is None:
            pack_c = eq.packs.fill.plateau_c if frozen_share > 0.0 else reservoir_c
        group = eq.packs.group(
            packs=self.spec.packs.in_reservoir if packs is None else packs,
            frozen_share=frozen_share,
            pack_c=pack_c,
        )
        ratio = moist_air.humidity_ratio(air_c=air_c, rh=rh, pressure_pa=eq.pressure_pa)
        state = PlantState(
            t_s=0.0, air_c=air_c, ratio=ratio, fabric_c=air_c, crop_c=air_c,
            reservoir_c=reservoir_c, slush_kg=0.0, stride_s=0.0, stride_ks=0.0,
            envelope_kj=0.0, exchange_kj=0.0, exchange_kg=0.0, lights_kj=0.0, fans_kj=0.0,
            crop_kj=0.0, mist_kg=0.0, mist_kj=0.0, pump_kj=0.0, leak_kj=0.0, coil_kj=0.0,
            condensate_kg=0.0, drain_kj=0.0, bath=Bath(groups=(group,) if group.packs else ()),
            start_kj=0.0, start_kg=eq.air_kg * ratio,
            air_mean_c=air_c, reservoir_mean_c=reservoir_c, step_s=0.0, air_swift_k=0.0,
            air_per_s=0.0,
        )  # fmt: skip
        state = self.settled(state)
        return state._replace(start_kj=self.stored_kj(state))

    def step(
        self,
        state: PlantState,
        *,
        pump: bool,
        fan: bool,
        room_c: float,
        room_rh: float,
        dt_s: float,
        flow: float = 1.0,
        lights: bool = False,
    ) -> PlantState:
        """Return the plant *dt_s* later, everything outside held constant over the step.

        Args:
            state: The plant now.
            pump: Pump on.
            fan: Coil fan on.
            room_c: Room air [°C], -30 to 60.
            room_rh: Room relative humidity [share].
            dt_s: Length of the step [s], above 0; over `LONGEST_STEP_S` it is cut, and sooner where
                coil or humidifier are strong for the chamber.
            flow: Share of the full flow that moves while the pump runs; 0: lost prime.
            lights: Lights on.

        Raises:
            PhysicsError: A figure outside its range, or the plant left the range of the formulas.
        """
        if not 0.0 < dt_s < math.inf:
            raise PhysicsError(f"plant step of {dt_s} s: it must be above 0 and finite")
        parts = math.ceil(dt_s / LONGEST_STEP_S)
        part_s = dt_s / parts
        air_ks = water_ks = 0.0
        for _ in range(parts):
            left_s = part_s
            while left_s > SHORTEST_S:
                state = self.advance(
                    state, pump=pump, fan=fan, room_c=room_c, room_rh=room_rh, longest_s=left_s,
                    flow=flow, lights=lights,
                )  # fmt: skip
                took_s = state.step_s
                if took_s == dt_s:
                    return state
                left_s -= took_s
                air_ks += state.air_mean_c * took_s
                water_ks += state.reservoir_mean_c * took_s
        return state._replace(
            air_mean_c=air_ks / dt_s, reservoir_mean_c=water_ks / dt_s, step_s=dt_s,
            air_swift_k=0.0, air_per_s=0.0,
        )  # fmt: skip

    def advance(
        self,
        state: PlantState,
        *,
        pump: bool,
        fan: bool,
        room_c: float,
        room_rh: float,
        longest_s: float,
        flow: float = 1.0,
        lights: bool = False,
    ) -> PlantState:
        """Return the plant after one step as long as its accuracy allows.

        Its length is ``step_s`` of what is returned. Arguments and errors are those of `step`.

        Args:
            state: The plant now.
            pump: Pump on.
            fan: Coil fan on.
            room_c: Room air [°C].
            room_rh: Room relative humidity [share].
            longest_s: Longest step [s], above 0; over `LONGEST_STEP_S` it is that.
            flow: Share of the full flow.
            lights: Lights on.
        """
        if LONGEST_STEP_S < longest_s < math.inf:
            longest_s = LONGEST_STEP_S
        stepped = self._attempt(state, longest_s, pump, fan, room_c, room_rh, flow, lights)
        while isinstance(stepped, float):
            stepped = self._attempt(state, stepped, pump, fan, room_c, room_rh, flow, lights)
        return stepped

    def swap(
        self, state: PlantState, *, packs: int, frozen_share: float, pack_c: float
    ) -> PlantState:
        """Return the plant after the most spent packs went out and *packs* fresh ones in.

        Args:
            state: The plant now.
            packs: Packs put in, 0 or more; as many go out, or all there are if fewer.
            frozen_share: Share of each fresh pack that is frozen, 0 to 1.
            pack_c: Temperature of the fresh packs [°C], read as in `packs.pack_kj_kg`.

        Raises:
            PhysicsError: A figure outside its range.
        """
        rules = self.equations.packs
        fresh = rules.group(packs=packs, frozen_share=frozen_share, pack_c=pack_c)
        state = self.settled(state)
        return self.settled(state._replace(bath=rules.swap(state.bath, fresh)))

    def settled(self, state: PlantState, *, stride_s: float = _FIRST_STRIDE_S) -> PlantState:
        """Return the same instant with the packs booked up to it and the next stride planned."""
        bath = self.equations.packs.stride(
            state.bath,
            seconds=state.stride_s,
            kelvin_s=state.stride_ks,
            water_c=state.reservoir_c,
            stride_s=stride_s,
        )
        return state._replace(bath=bath, stride_s=0.0, stride_ks=0.0)

    def packs(self, state: PlantState) -> tuple[PackView, ...]:
        """Return what is in the reservoir now, most frozen first."""
        fill = self.equations.packs.fill
        groups = sorted(self.settled(state).bath.groups, key=lambda group: group.kj_kg)
        return tuple(
            PackView(
                packs=group.packs,
                pack_c=pack_temperature_c(fill, group.kj_kg),
                frozen_share=1.0 - melted_share(fill, group.kj_kg),
            )
            for group in groups
        )

    def relative_humidity(self, state: PlantState) -> float:
        """Return the relative humidity of the chamber [share]."""
        return moist_air.relative_humidity(
            air_c=state.air_c, ratio=state.ratio, pressure_pa=self.equations.pressure_pa
        )

    def coil_outlet_c(
        self, state: PlantState, *, pump: bool, fan: bool, flow: float = 1.0
    ) -> float:
        """Return what a probe on the coil's outlet tends to [°C]: leaving water, or air at rest."""
        if not pump or flow <= 0.0:
            return state.air_c
        if not fan:
            return state.reservoir_c
        duty = self.equations.coil_at(flow).take(
            air_c=state.air_c, ratio=state.ratio, water_c=state.reservoir_c
        )
        return duty.water_out_c

    def stored_kj(self, state: PlantState) -> float:
        """Return the heat content of everything inside the plant's border [kJ]."""
        return stored_kj(self.equations, state)

    def balance_error(self, state: PlantState) -> float:
        """Return the larger of the relative errors of the energy and the water balance [-]."""
        return balance_error(self.equations, state)
