"""The coil's duty as linear pieces, filled in as the plant comes by.

A cell spans 1 K of air, 0.5 g/kg of humidity and 0.5 K of water. In it, heat and condensate are
linear in the three; the plane has the mean of the true duty over the cell, so that neighbouring
errors cancel. A cell depends on nothing but its place: the same state always gives the same duty.
"""

from __future__ import annotations

import math

from controller.thermal.coil import Coil

AIR_CELLS_PER_K = 1.0
RATIO_CELLS = 2000.0
WATER_CELLS_PER_K = 2.0
LOWEST_AIR_C = -20.0

Cell = tuple[float, float, float, float, float, float, float, float]
"""Heat [kW] = c0 + c1·air + c2·ratio + c3·water; condensate [kg/s] = c4 + c5·air + ..."""

_REACH = 0.5 / math.sqrt(3.0)  # two-point Gauss abscissa: fits mean and slope over the cell


def cell_centre(key: int) -> tuple[float, float, float]:
    """Return air [°C], humidity ratio and water [°C] in the middle of the cell with this key."""
    rest, water = divmod(key, 512)
    air, ratio = divmod(rest, 1024)
    return (
        (air + 0.5) / AIR_CELLS_PER_K + LOWEST_AIR_C,
        (ratio + 0.5) / RATIO_CELLS,
        (water + 0.5) / WATER_CELLS_PER_K,
    )


def cell_key(*, air_c: float, ratio: float, water_c: float) -> int:
    """Return the key of the cell that a state lies in."""
    air, ratio_cell = int((air_c - LOWEST_AIR_C) * AIR_CELLS_PER_K), int(ratio * RATIO_CELLS)
    return (air * 1024 + ratio_cell) * 512 + int(water_c * WATER_CELLS_PER_K)


class CoilTable:
    """Linear pieces of one coil's duty."""

    def __init__(self, coil: Coil) -> None:
        self._coil = coil
        self.cells: dict[int, Cell] = {}

    def fill(self, key: int) -> Cell:
        """Work out, keep and return the cell with this key, ((air·1024) + ratio)·512 + water.

        Raises:
            PhysicsError: The cell lies outside the range of the coil's formulas.
        """
        centre = cell_centre(key)
        reach = (_REACH / AIR_CELLS_PER_K, _REACH / RATIO_CELLS, _REACH / WATER_CELLS_PER_K)
        heat, drip = self._at(centre)
        heat_mean, drip_mean = heat, drip
        heat_slopes, drip_slopes = [0.0] * 3, [0.0] * 3
        for axis in range(3):
            above, below = list(centre), list(centre)
            above[axis] += reach[axis]
            below[axis] -= reach[axis]
            heat_above, drip_above = self._at(above)
            heat_below, drip_below = self._at(below)
            heat_slopes[axis] = (heat_above - heat_below) / (2.0 * reach[axis])
            drip_slopes[axis] = (drip_above - drip_below) / (2.0 * reach[axis])
            heat_mean += 0.5 * (heat_above + heat_below) - heat
            drip_mean += 0.5 * (drip_above + drip_below) - drip
        heat_zero = heat_mean - sum(s * c for s, c in zip(heat_slopes, centre, strict=True))
        drip_zero = drip_mean - sum(s * c for s, c in zip(drip_slopes, centre, strict=True))
        cell: Cell = (
            heat_zero, heat_slopes[0], heat_slopes[1], heat_slopes[2],
            drip_zero, drip_slopes[0], drip_slopes[1], drip_slopes[2],
        )  # fmt: skip
        self.cells[key] = cell
        return cell

    def _at(self, place: tuple[float, ...] | list[float]) -> tuple[float, float]:
        air_c, ratio, water_c = place
        duty = self._coil.take(air_c=air_c, ratio=ratio, water_c=water_c)
        return duty.total_kw, duty.condensate_kg_s
