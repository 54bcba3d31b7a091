"""Model against record: the residuals of everything that is left free, their slopes, their spread.

Beside the figures asked for, what is known only roughly is left free with what is known of it: the
probes' offsets, the air probe's lag, how much frozen each set of packs went in, and the figures of
the plant in `ROUGHLY_KNOWN`. Without those the record would have to be explained by the figures
asked for alone, and what it tells only of several together would look like knowledge of one.

No model is a real chamber: what it leaves out lasts for hours, and a thousand readings with the
same error tell no more than one. So a reading counts for what the sums of errors over blocks of
hours allow (blocks as in Liang and Zeger, Biometrika 73:13, 1986), weighed against what is known
beforehand.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from scipy.special import stdtrit

from controller.fit.air_replay import ReplayedAir, ReplayedProbe, air_side, drives_of, probe_in
from controller.fit.air_slopes import AirSlopes, Move, air_slopes
from controller.fit.figures import FIGURES, Figure
from controller.fit.stretches import Offsets, Stretch, counts_for_air, counts_for_water, sets_in
from controller.fit.water_replay import ReplayedWater, water_side, water_times
from controller.thermal.specs import PlantSpec

SURE = 0.95
"""Share of cases in which a stated interval should hold the truth [-]."""
BLOCK_S = 6 * 3600.0
LEFT_OUT_K, LEFT_OUT_S = 0.05, 3600.0
"""What any model leaves out, common to the readings of one probe over an hour [K], [s]."""
PROBE_NOISE_K = 0.03
"""Step and noise of a reading, root mean square [K]."""
FIRST_COUNTED_K = 1.5
"""What a reading counts for at first, as if independent [K]: an error of a quarter of a kelvin that
lasts for half an hour."""
LEAST_SD = 0.12
"""No figure is held to be surer than this [-, of its logarithm]: readings a minute apart, steps of
1/16 K and lags cost that much where nothing else does. Both from fits of simulated records
(`python -m tests.benchmarks.fit`), so that the intervals hold there."""
PRIOR_LAG = (math.log(90.0), 0.6)
PRIOR_OFFSET_K = 0.25
"""Two probes of one kind, each within 0.5 °C by the data sheet of the DS18B20, taken as two
standard deviations."""
PRIOR_FROZEN = (1.0, 0.1)
"""How much frozen sets are on average: a little short of through, through at their plateau, or
straight from a freezer at -18 °C, where a pack of water takes 1.11 of its heat of melting."""
PRIOR_SET = 0.15
"""How sets differ among each other: mostly by a few per cent, but some go in half frozen."""
LONGEST_MOVE, MOVE_OF_DOUBT = 0.05, 0.3
"""By how much a thing is moved for a slope of the water: long, since packs melt in strides and a
short move would see those, but no more than so much of the doubt about it."""
AIR_MOVE_SHARE = 0.1
"""How much of that a thing is moved for a slope of the air [-]: nothing there goes in strides, and
a long move of the humidity goes beyond the band in which the humidifier works by shares."""


class Problem:
    """Residuals and slopes over what is free: figures, lag, offsets, frozen shares.

    Args:
        stretches: The record.
        spec: The plant as it is believed to be.
        figures: What is left free of it; figures that are 0 there are not.
    """

    def __init__(
        self, stretches: Sequence[Stretch], spec: PlantSpec, figures: Sequence[Figure]
    ) -> None:
        self.stretches, self.spec = stretches, spec
        self.figures = tuple(figure for figure in figures if figure.of(spec) > 0.0)
        whole = spec.packs.in_reservoir
        self.sets = [len(sets_in(each, whole_set=whole)) for each in stretches]
        n = len(self.figures)
        self.lag, self.water, self.room, self.frozen = n, n + 1, n + 2, n + 3
        self.first_set = n + 4
        self.size = n + 4 + sum(self.sets)
        self._kept: tuple[bytes, list[Replay]] | None = None
        readings = sum(len(each.seen) for each in stretches)
        an_hour = readings / sum(each.seconds for each in stretches) * LEFT_OUT_S
        self._least_k = math.hypot(PROBE_NOISE_K, LEFT_OUT_K * math.sqrt(an_hour))
        self.air_k = self.water_k = FIRST_COUNTED_K
        """Error of a reading of air and of reservoir, as if it were independent [K]."""
        self._known = [_Known(each, whole_set=whole) for each in stretches]

    @cached_property
    def start(self) -> Any:
        """Return where the search begins: what is believed."""
        first = np.zeros(self.size)
        first[: len(self.figures)] = [math.log(f.of(self.spec)) for f in self.figures]
        first[self.lag] = PRIOR_LAG[0]
        first[self.frozen] = PRIOR_FROZEN[0]
        return first

    @cached_property
    def doubts(self) -> Any:
        """Return how far off each of these may be, as standard deviations."""
        doubts = np.full(self.size, PRIOR_SET)
        doubts[: len(self.figures)] = [figure.doubt for figure in self.figures]
        doubts[self.lag] = PRIOR_LAG[1]
        doubts[self.water] = doubts[self.room] = PRIOR_OFFSET_K
        doubts[self.frozen] = PRIOR_FROZEN[1]
        return doubts

    @cached_property
    def _moves(self) -> Any:
        """Return by how much each is moved for a slope."""
        return np.minimum(LONGEST_MOVE, MOVE_OF_DOUBT * self.doubts)

    @property
    def bounds(self) -> tuple[Any, Any]:
        """Far outside what is likely; only there so that no step leaves the physics."""
        room = np.full(self.size, 0.4)
        room[: len(self.figures)] = np.minimum(math.log(6.0), 5.0 * self.doubts[: self.lag])
        room[self.lag] = 3.0
        room[self.water] = room[self.room] = 2.0
        room[self.frozen] = 0.5
        highest = self.start + room
        for index, figure in enumerate(self.figures):
            ranges = getattr(self.spec, figure.part).RANGES
            if figure.key in ranges:
                limit = math.log(ranges[figure.key].highest) - self._moves[index]
                highest[index] = min(highest[index], limit)
        return self.start - room, highest

    def plant(self, at: Any) -> PlantSpec:
        """Return the plant with the figures of a point."""
        spec = self.spec
        for figure, value in zip(self.figures, at, strict=False):
            spec = figure.put(spec, math.exp(value))
        return spec

    def offsets(self, at: Any) -> Offsets:
        """Return the probes' offsets of a point."""
        return Offsets(water_k=float(at[self.water]), room_k=float(at[self.room]))

    def frozen_of(self, at: Any, stretch: int) -> list[float]:
        """Return how much frozen each set of a stretch went in."""
        first = self.first_set + sum(self.sets[:stretch])
        return [float(at[self.frozen] + own) for own in at[first : first + self.sets[stretch]]]

    def replays(self, at: Any) -> list[Replay]:
        """Return every stretch replayed; the last point asked for is kept."""
        key = at.tobytes()
        if self._kept is None or self._kept[0] != key:
            spec, offsets = self.plant(at), self.offsets(at)
            self._kept = (
                key,
                [
                    _replay(
                        stretch, spec, offsets, self.frozen_of(at, index), self._known[index],
                        log_lag=float(at[self.lag]),
                    )
                    for index, stretch in enumerate(self.stretches)
                ],
            )  # fmt: skip
        return self._kept[1]

    def residuals(self, at: Any) -> Any:
        """Return every reading's misfit and every prior's, in standard deviations."""
        parts = [
            error_k / reading_k
            for each in self.replays(at)
            for error_k, reading_k in (
                (each.air_error_k, self.air_k), (each.water_error_k, self.water_k)
            )
        ]  # fmt: skip
        return np.concatenate([*parts, (at - self.start) / self.doubts])

    def weigh(self, at: Any) -> None:
        """Take over from the errors at a point what a reading counts for.

        Errors last: what a model leaves out is there for hours. A reading counts for so much that
        the sums over blocks of hours are as large as independent errors would make them.
        """
        replays = self.replays(at)
        self.air_k = max(
            self._least_k, counted_k([(each.air_error_k, each.air_block) for each in replays])
        )
        self.water_k = max(
            self._least_k, counted_k([(each.water_error_k, each.water_block) for each in replays])
        )

    def slopes(self, at: Any) -> Any:
        """Return the slopes of `residuals`: of the air side led along, of the water by moves."""
        offsets, log_lag = self.offsets(at), float(at[self.lag])
        points = self._moved(at, self._moves)
        air_moves = AIR_MOVE_SHARE * self._moves
        moves = [
            Move(
                spec=self.plant(point), offsets=self.offsets(point), log_lag=float(point[self.lag]),
                by=float(by),
            )
            for point, by in zip(self._moved(at, air_moves), air_moves, strict=False)
        ]  # fmt: skip
        parts = []
        column = self.first_set
        for index, each in enumerate(self.replays(at)):
            known = self._known[index]
            of_air = air_slopes(each.air, each.probe, offsets, log_lag, moves)
            of_water = self._water_slopes(index, each, of_air, points)
            slopes = np.zeros((len(each.air_error_k) + len(each.water_error_k), self.size))
            slopes[: len(each.air_error_k), : self.first_set] = (
                of_air.shown[known.for_air] / self.air_k
            )
            water = slopes[len(each.air_error_k) :]
            water[:, : self.first_set] = of_water[known.for_water] / self.water_k
            # a set's own share moves the reservoir as the common one does, while that set is in
            for number in range(self.sets[index]):
                in_then = each.water.set_of[known.for_water] == number
                water[:, column] = np.where(in_then, water[:, self.frozen], 0.0)
                column += 1
            parts.append(slopes)
        return np.concatenate([*parts, np.diag(1.0 / self.doubts)])

    def _moved(self, at: Any, moves: Any) -> list[Any]:
        """Return a point for each thing but the sets, with that thing moved."""
        points = []
        for column in range(self.first_set):
            point = at.copy()
            point[column] += moves[column]
            points.append(point)
        return points

    def _water_slopes(
        self, index: int, each: Replay, of_air: AirSlopes, points: Sequence[Any]
    ) -> Any:
        """Return by how much the reservoir at each reading moves with each thing moved [K]."""
        known = self._known[index]
        columns = []
        for column, point in enumerate(points):
            by = self._moves[column]
            heat_kj = each.heat_kj + by * known.at_water_steps(
                each.air.ends_s, of_air.heat_kj[:, column]
            )
            moved = water_side(
                known.times, self.plant(point), self.offsets(point), heat_kj,
                self.frozen_of(point, index),
            )  # fmt: skip
            columns.append((moved.water_c - each.water.water_c) / by)
        return np.stack(columns, axis=1)

    def spread(self, at: Any) -> tuple[Any, Any]:
        """Return standard deviations and half widths of the intervals, all of logarithms."""
        slopes = self.slopes(at)
        variances = np.diag(np.linalg.pinv(slopes.T @ slopes, hermitian=True))
        sd = np.sqrt(np.maximum(variances, 0.0) + LEAST_SD**2)[: len(self.figures)]
        blocks = sum(len(np.unique(each.air_block)) for each in self.replays(at))
        # scipy.stats has it too, and takes twice as long to load as all else here
        factor = float(stdtrit(max(3, blocks - len(FIGURES)), 0.5 + SURE / 2))
        return sd, factor * sd


def counted_k(errors: Sequence[tuple[Any, Any]]) -> float:
    """Return the size of independent errors whose sums over blocks would be as large [K].

    Args:
        errors: Of each stretch, the errors [K] and the block that each belongs to.
    """
    count, squares = 0, 0.0
    for error_k, block in errors:
        _, number = np.unique(block, return_inverse=True)
        sums = np.bincount(number, weights=error_k)
        count += len(error_k)
        squares += float(sums @ sums)
    return math.sqrt(squares / max(1, count))


@dataclass(frozen=True, slots=True)
class Replay:
    """A stretch as the model has it, and how far the readings are from that."""

    air: ReplayedAir
    probe: ReplayedProbe
    water: ReplayedWater
    heat_kj: Any
    """Heat that came into the water until the end of each step of the water side [kJ]."""
    air_error_k: Any
    """Model less reading, of those that are compared."""
    water_error_k: Any
    air_block: Any
    """For each of these errors, the block of hours that it belongs to."""
    water_block: Any


class _Known:
    """What of a stretch depends on no figure."""

    def __init__(self, stretch: Stretch, *, whole_set: int) -> None:
        at_s = np.array([reading.at_s for reading in stretch.seen])
        self.air_c = np.array([reading.air_c for reading in stretch.seen])
        self.water_c = np.array([reading.water_c for reading in stretch.seen])
        self.for_air = np.array(counts_for_air(stretch))
        self.for_water = np.array(counts_for_water(stretch, whole_set=whole_set))
        self.blocks = ((at_s - at_s[0]) // BLOCK_S).astype(int)
        self.drives = drives_of(stretch)
        self.times = water_times(stretch)

    def at_water_steps(self, ends_s: Any, sums: Any) -> Any:
        """Return what has come together until each step of the water side, from such sums."""
        return np.interp(
            self.times.ends_s, np.concatenate([[0.0], ends_s]), np.concatenate([[0.0], sums])
        )


def _replay(
    stretch: Stretch,
    spec: PlantSpec,
    offsets: Offsets,
    frozen: Sequence[float],
    known: _Known,
    *,
    log_lag: float,
) -> Replay:
    """Return a stretch replayed."""
    air = air_side(stretch, spec, offsets, drives=known.drives)
    probe = probe_in(air, lag_s=math.exp(log_lag))
    heat_kj = known.at_water_steps(air.ends_s, air.heat_kj)
    water = water_side(known.times, spec, offsets, heat_kj, frozen)
    return Replay(
        air=air,
        probe=probe,
        water=water,
        heat_kj=heat_kj,
        air_error_k=(probe.shown_c - known.air_c)[known.for_air],
        water_error_k=(water.water_c - known.water_c)[known.for_water],
        air_block=known.blocks[known.for_air],
        water_block=known.blocks[known.for_water],
    )
