"""The smallest plant that can be solved exactly: one time constant, two equilibria, a dead time.

With cooling off the chamber drifts towards ``off_c``, with cooling on towards ``on_c``, both
along the same exponential. A dead time (pump, pipe and coil) delays every switching of the
cooling. Because the input is piecewise constant, each step is exact whatever its length.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from controller.errors import PhysicsError


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstOrderSpec:
    """A first-order chamber.

    Args:
        off_c: Air settles here when cooling stays off [°C].
        on_c: Air settles here when cooling stays on [°C], below ``off_c``.
        tau_s: Time constant, heat capacity over conductance [s], above 0.
        dead_time_s: Delay between switching the cooling and its effect [s], 0 or more.

    Raises:
        PhysicsError: A figure is not finite or lies outside its range.
    """

    off_c: float
    on_c: float
    tau_s: float
    dead_time_s: float = 0.0

    def __post_init__(self) -> None:
        for name in ("off_c", "on_c", "tau_s", "dead_time_s"):
            value = getattr(self, name)
            if not math.isfinite(value):
                raise PhysicsError(f"first-order plant: {name} is {value}; give a finite number")
        if not self.on_c < self.off_c:
            raise PhysicsError(
                f"first-order plant: on_c {self.on_c} °C must lie below off_c {self.off_c} °C,"
                " or cooling would warm the chamber"
            )
        if self.tau_s <= 0.0:
            raise PhysicsError(f"first-order plant: tau_s {self.tau_s} s must be above 0")
        if self.dead_time_s < 0.0:
            raise PhysicsError(
                f"first-order plant: dead_time_s {self.dead_time_s} s must be 0 or more"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstOrderState:
    """Where the plant is.

    ``pending`` holds switchings whose dead time still runs: (seconds until they take
    effect, cooling on or off), soonest first.
    """

    air_c: float
    commanded: bool
    cooling: bool
    pending: tuple[tuple[float, bool], ...] = ()


class FirstOrderPlant:
    """Steps a first-order chamber exactly."""

    def __init__(self, spec: FirstOrderSpec) -> None:
        self.spec = spec

    def start(self, *, air_c: float, cooling: bool = False) -> FirstOrderState:
        """Return a plant at *air_c* whose cooling has been *cooling* for longer than the dead time.

        Raises:
            PhysicsError: *air_c* is not finite.
        """
        if not math.isfinite(air_c):
            raise PhysicsError(f"first-order plant: air_c is {air_c}; give a finite number")
        return FirstOrderState(air_c=air_c, commanded=cooling, cooling=cooling)

    def step(
        self, state: FirstOrderState, *, cooling: bool, dt_s: float, shift_k: float = 0.0
    ) -> FirstOrderState:
        """Return the plant *dt_s* later, with *cooling* commanded from now on.

        Args:
            state: The plant now.
            cooling: Command held over the step; it takes effect after the dead time.
            dt_s: Length of the step [s], above 0.
            shift_k: Added to both equilibria over the step [K], for a room that moves.

        Raises:
            PhysicsError: *dt_s* is not above 0, or a figure is not finite.
        """
        if not (dt_s > 0.0 and math.isfinite(dt_s) and math.isfinite(shift_k)):
            raise PhysicsError(
                f"first-order plant: dt_s {dt_s} s must be above 0 and shift_k {shift_k} K finite"
            )
        spec = self.spec
        pending = state.pending
        if cooling is not state.commanded:
            pending = (*pending, (spec.dead_time_s, cooling))
        air_c, acting, elapsed_s = state.air_c, state.cooling, 0.0
        while pending and pending[0][0] <= dt_s:
            wait_s, acting_next = pending[0]
            air_c = self._drift(air_c, acting=acting, for_s=wait_s - elapsed_s, shift_k=shift_k)
            acting, elapsed_s, pending = acting_next, wait_s, pending[1:]
        air_c = self._drift(air_c, acting=acting, for_s=dt_s - elapsed_s, shift_k=shift_k)
        return FirstOrderState(
            air_c=air_c,
            commanded=cooling,
            cooling=acting,
            pending=tuple((wait_s - dt_s, on) for wait_s, on in pending),
        )

    def _drift(self, air_c: float, *, acting: bool, for_s: float, shift_k: float) -> float:
        towards_c = (self.spec.on_c if acting else self.spec.off_c) + shift_k
        return towards_c + (air_c - towards_c) * math.exp(-for_s / self.spec.tau_s)
