"""The plant at an instant, with the accounts kept since its start."""

from __future__ import annotations

from typing import NamedTuple

from controller.thermal.bath import Bath


class PackView(NamedTuple):
    """Packs in the reservoir that share a history: number, temperature [°C], frozen share."""

    packs: int
    pack_c: float
    frozen_share: float


class PlantState(NamedTuple):
    """The plant at an instant: a value, never changed in place.

    A named tuple and not a dataclass because the plant makes one every tick, and building a frozen
    dataclass of this size takes longer than the physics. Accounts run from the start; what came in
    counts as positive unless the name says otherwise.
    """

    t_s: float
    """Time since the start [s]."""
    air_c: float
    ratio: float
    """Humidity ratio of the chamber air [kg/kg]."""
    fabric_c: float
    crop_c: float
    reservoir_c: float
    slush_kg: float
    """Ice that has formed in the reservoir's own water [kg] (salt packs only)."""
    stride_s: float
    """Time since the packs were last booked [s]."""
    stride_ks: float
    """Integral of the water temperature over that time [°C·s]."""
    envelope_kj: float
    """Heat in through the walls."""
    exchange_kj: float
    """Enthalpy in by fresh air."""
    exchange_kg: float
    """Water in by fresh air."""
    lights_kj: float
    fans_kj: float
    crop_kj: float
    """Heat the crop made."""
    mist_kg: float
    """Water from the humidifier, less fog that settled."""
    mist_kj: float
    """Enthalpy of that water as liquid."""
    pump_kj: float
    leak_kj: float
    """Heat into the reservoir through box and tubing."""
    coil_kj: float
    """Heat the coil removed from the air, condensing included."""
    condensate_kg: float
    """Water condensed on the coil."""
    drain_kj: float
    """Enthalpy that left with that water."""
    bath: Bath
    """The packs as they were when last booked."""
    start_kj: float
    """Heat content of everything at the start."""
    start_kg: float
    """Vapour in the chamber at the start."""
    air_mean_c: float
    """Mean over the last step."""
    reservoir_mean_c: float
    """Mean over the last step."""
    step_s: float
    """Length of the last step [s]."""
    air_swift_k: float
    """Part of the air's last step that faded, as `probe.Course` has it [K]."""
    air_per_s: float
    """Rate at which it faded [1/s]."""

    @property
    def heat_removed_kj(self) -> float:
        """Heat the coil removed from the air so far [kJ]."""
        return self.coil_kj

    @property
    def ice_melted_kg(self) -> float:
        """Fill melted in the reservoir so far, as last booked (up to a minute ago) [kg]."""
        return self.bath.melted_kg

    @property
    def packs_swapped(self) -> int:
        """Packs put in at swaps so far [-]."""
        return self.bath.packs_swapped

    @property
    def energy_in_kj(self) -> tuple[float, ...]:
        """Every account of heat across the plant's border, signed inwards [kJ]."""
        return (
            self.envelope_kj,
            self.exchange_kj,
            self.lights_kj,
            self.fans_kj,
            self.crop_kj,
            self.mist_kj,
            self.pump_kj,
            self.leak_kj,
            -self.drain_kj,
            self.bath.swapped_in_kj - self.bath.swapped_out_kj,
        )

    @property
    def water_in_kg(self) -> tuple[float, ...]:
        """Every account of water into the chamber's air, signed inwards [kg]."""
        return (self.exchange_kg, self.mist_kg, -self.condensate_kg)
