"""Model against record: the residuals of everything that is left free, their slopes, their spread.

Beside the figures asked for, what is known only roughly is left free with what is known of it: the
probes' offsets, the air probe's lag, and how much frozen each set of packs went in. Readings close
together err together, so the spread of a figure is taken over blocks of hours (the sandwich of
White, Econometrica 48:817, 1980, with blocks as in Liang and Zeger, Biometrika 73:13, 1986), and
never smaller than what independent readings would give.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from scipy.stats import t as student

from controller.fit.replay import (
    Offsets,
    ReplayedAir,
    Stretch,
    air_side,
    counts_for_air,
    counts_for_water,
    probe_in,
    sets_in,
    water_side,
)
from controller.thermal.specs import PlantSpec

SURE = 0.95
"""Share of cases in which a stated interval should hold the truth [-]."""
READING_K = 0.06
"""A reading's own error: noise, step and what the model leaves out [K]."""
BLOCK_S = 6 * 3600.0
LEFT_OUT_K, LEFT_OUT_S = 0.05, 3600.0
"""What the model leaves out, common to the readings of one probe over an hour [K], [s]; more where
the misfit is more than a probe's own noise."""
PROBE_NOISE_K = 0.03
"""Step and noise of a reading, root mean square [K]."""
LEAST_SD = 0.05
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
PRIOR_SET = 0.06
"""How sets differ among each other."""
_STEP = 0.05
"""Long for a slope: the plant is rough on a small scale, where its humidifier and its tables switch
over, and a short step would see that and not the slope."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A figure of the plant that can be fitted."""

    part: str
    key: str
    unit: str
    what: str

    @property
    def name(self) -> str:
        """Its key in the configuration."""
        return f"plant.{self.part}.{self.key}"

    def of(self, spec: PlantSpec) -> float:
        """Return its value in a plant."""
        if self.key == "wall_u_w_m2k":
            return spec.chamber.envelope_w_k / spec.chamber.wall_area_m2
        return float(getattr(getattr(spec, self.part), self.key))

    def put(self, spec: PlantSpec, value: float) -> PlantSpec:
        """Return the plant with this figure set."""
        more: dict[str, Any] = {"wall": None} if self.key == "wall_u_w_m2k" else {}
        part = replace(getattr(spec, self.part), **{self.key: value}, **more)
        return replace(spec, **{self.part: part})


FIGURES = (
    Figure(part="chamber", key="wall_u_w_m2k", unit="W/(m²·K)", what="heat through the wall"),
    Figure(part="chamber", key="crop_w_per_kg", unit="W/kg", what="heat of the crop at 15 °C"),
    Figure(part="coil", key="ua_air_w_k", unit="W/K", what="the coil's air side, dry"),
    Figure(part="reservoir", key="ua_w_k", unit="W/K", what="heat leak of the reservoir"),
    Figure(part="fine", key="fabric_kj_k", unit="kJ/K", what="heat kept by skin and shelves"),
    Figure(part="fine", key="pack_film_w_m2k", unit="W/(m²·K)", what="film on the packs"),
)


class Problem:
    """Residuals and slopes over what is free: figures, lag, offsets, frozen shares."""

    def __init__(
        self, stretches: Sequence[Stretch], spec: PlantSpec, figures: tuple[Figure, ...]
    ) -> None:
        self.stretches, self.spec, self.figures = stretches, spec, figures
        whole = spec.packs.in_reservoir
        self.sets = [len(sets_in(each, whole_set=whole)) for each in stretches]
        n = len(figures)
        self.lag, self.water, self.room, self.frozen = n, n + 1, n + 2, n + 3
        self.first_set = n + 4
        self.size = n + 4 + sum(self.sets)
        self._kept: tuple[bytes, list[Replay]] | None = None
        self._known = [_Known(each, whole_set=whole) for each in stretches]
        self.workers: Executor | None = None
        """Where slopes of the air side are taken side by side; None: one after the other."""

    @cached_property
    def start(self) -> Any:
        """Return where the search begins: what is believed."""
        first = np.zeros(self.size)
        first[: len(self.figures)] = [math.log(f.of(self.spec)) for f in self.figures]
        first[self.lag] = PRIOR_LAG[0]
        first[self.frozen] = PRIOR_FROZEN[0]
        return first

    @property
    def bounds(self) -> tuple[Any, Any]:
        """Far outside what is likely; only there so that no step leaves the physics."""
        room = np.full(self.size, 0.4)
        room[: len(self.figures)] = math.log(6.0)
        room[self.lag] = 3.0
        room[self.water] = room[self.room] = 2.0
        room[self.frozen] = 0.5
        return self.start - room, self.start + room

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
                        stretch,
                        spec,
                        offsets,
                        self.frozen_of(at, index),
                        self._known[index],
                        log_lag=float(at[self.lag]),
                    )
                    for index, stretch in enumerate(self.stretches)
                ],
            )
        return self._kept[1]

    def residuals(self, at: Any) -> Any:
        """Return every reading's misfit and every prior's, in standard deviations."""
        parts = [each.residuals for each in self.replays(at)]
        return np.concatenate([*parts, self._prior(at)])

    def _prior(self, at: Any) -> Any:
        return np.concatenate(
            [
                [(at[self.lag] - PRIOR_LAG[0]) / PRIOR_LAG[1]],
                at[self.water : self.room + 1] / PRIOR_OFFSET_K,
                [(at[self.frozen] - PRIOR_FROZEN[0]) / PRIOR_FROZEN[1]],
                at[self.first_set :] / PRIOR_SET,
            ]
        )

    def slopes(self, at: Any) -> Any:
        """Return the slopes of `residuals`, by differences."""
        replays = self.replays(at)
        base = np.concatenate([each.residuals for each in replays])
        slopes = np.zeros((len(base) + self.size - len(self.figures), self.size))
        points = []
        for column in range(self.first_set):
            point = at.copy()
            point[column] += _STEP
            points.append(point)
        for column, moved in enumerate(self._all_moved(points, replays)):
            slopes[: len(base), column] = (moved - base) / _STEP
        # a set's own share moves the reservoir as the common one does, while that set is in
        row, column = 0, self.first_set
        for each, sets in zip(replays, self.sets, strict=True):
            rows = slice(row, row + len(each.residuals))
            for number in range(sets):
                slopes[rows, column] = np.where(
                    each.set_of == number, slopes[rows, self.frozen], 0.0
                )
                column += 1
            row += len(each.residuals)
        at_priors = len(base)
        deviations = [PRIOR_LAG[1], PRIOR_OFFSET_K, PRIOR_OFFSET_K, PRIOR_FROZEN[1]]
        deviations += [PRIOR_SET] * sum(self.sets)
        for index, deviation in enumerate(deviations):
            slopes[at_priors + index, self.lag + index] = 1.0 / deviation
        return slopes

    def _all_moved(self, points: list[Any], replays: list[Replay]) -> list[Any]:
        """Return the residuals at each point, one thing moved in each, in their order."""
        whole = [not self._leaves_air(column) for column in range(len(points))]
        workers = self.workers
        if workers is None:
            return [
                self.moved(point, None if anew else replays)
                for point, anew in zip(points, whole, strict=True)
            ]
        waiting = {
            column: workers.submit(_moved_by_worker, self.figures, point)
            for column, (point, anew) in enumerate(zip(points, whole, strict=True))
            if anew
        }
        return [
            waiting[column].result() if column in waiting else self.moved(point, replays)
            for column, point in enumerate(points)
        ]

    def _leaves_air(self, column: int) -> bool:
        """Return whether the model's air stays as it is when this is moved."""
        return column in {self.frozen, self.lag} or (
            column < len(self.figures) and self.figures[column].key in {"ua_w_k", "pack_film_w_m2k"}
        )

    def moved(self, point: Any, replays: list[Replay] | None) -> Any:
        """Return the residuals at a point; *replays* has the air side where nothing moved it."""
        spec, offsets = self.plant(point), self.offsets(point)
        return np.concatenate(
            [
                _replay(
                    stretch, spec, offsets, self.frozen_of(point, index), self._known[index],
                    log_lag=float(point[self.lag]),
                    air=None if replays is None else replays[index].air,
                ).residuals
                for index, stretch in enumerate(self.stretches)
            ]
        )  # fmt: skip

    def spread(self, at: Any) -> tuple[Any, Any]:
        """Return standard deviations and half widths of the intervals, all of logarithms."""
        slopes, errors = self.slopes(at), self.residuals(at)
        count = len(errors) - (self.size - len(self.figures))
        variance = max(1e-6, float(errors[:count] @ errors[:count]) / max(1, count - self.size))
        weighed = slopes.copy()
        weighed[:count] /= math.sqrt(variance)
        scores = (
            weighed
            * np.concatenate([errors[:count] / math.sqrt(variance), errors[count:]])[:, None]
        )
        inverse = np.linalg.pinv(weighed.T @ weighed, hermitian=True)
        sums, left_out = np.zeros((2, self.size, self.size))
        misfit_k = READING_K * math.sqrt(variance)
        left_out_k = max(LEFT_OUT_K, 2.0 * math.sqrt(max(0.0, misfit_k**2 - PROBE_NOISE_K**2)))
        common = weighed * (left_out_k / READING_K / math.sqrt(variance))
        blocks, row = 0, 0
        for each in self.replays(at):
            rows = slice(row, row + len(each.residuals))
            sums += _outer_sums(scores[rows], each.block)
            left_out += _outer_sums(common[rows], each.hour)
            blocks += len(np.unique(each.block))
            row += len(each.residuals)
        # the priors are knowledge of their own, one by one
        priors = weighed[count:]
        sums = sums * (blocks / max(1, blocks - 1)) + priors.T @ priors
        robust = np.diag(inverse @ sums @ inverse)
        plain = np.diag(inverse + inverse @ left_out @ inverse)
        sd = np.sqrt(np.maximum(np.maximum(robust, plain) + LEAST_SD**2, 0.0))[: len(self.figures)]
        factor = float(student.ppf(0.5 + SURE / 2, max(3, blocks - len(self.figures))))
        return sd, factor * sd


def _outer_sums(rows: Any, group: Any) -> Any:
    """Return the sum over groups of the outer product of each group's sum."""
    _, number = np.unique(group, return_inverse=True)
    totals = np.zeros((int(number.max()) + 1 if len(number) else 0, rows.shape[1]))
    np.add.at(totals, number, rows)
    return totals.T @ totals


@dataclass(frozen=True, slots=True)
class Replay:
    """A stretch as the model has it, and how far the readings are from that."""

    air: ReplayedAir
    residuals: Any
    set_of: Any
    """For each residual, the set of packs that was in; -1 for those of the air."""
    block: Any
    hour: Any
    """For each residual, the probe and the hour it belongs to."""
    air_error_k: Any
    water_error_k: Any
    probe_c: list[float]
    water_c: tuple[float | None, ...]


class _Known:
    """What of a stretch depends on no figure, as arrays."""

    def __init__(self, stretch: Stretch, *, whole_set: int) -> None:
        at_s = np.array([reading.at_s for reading in stretch.seen])
        self.air_c = np.array([reading.air_c for reading in stretch.seen])
        self.water_c = np.array([reading.water_c for reading in stretch.seen])
        self.for_air = np.array(counts_for_air(stretch))
        self.for_water = np.array(counts_for_water(stretch, whole_set=whole_set))
        self.blocks = ((at_s - at_s[0]) // BLOCK_S).astype(int)
        self.hours = ((at_s - at_s[0]) // LEFT_OUT_S).astype(int)


_of_worker: list[tuple[Sequence[Stretch], PlantSpec]] = []
"""The record and the plant that a worker process was started with."""


def start_worker(stretches: Sequence[Stretch], spec: PlantSpec) -> None:
    """Give a worker process what it replays."""
    _of_worker[:] = [(stretches, spec)]


def _moved_by_worker(figures: tuple[Figure, ...], point: Any) -> Any:
    stretches, spec = _of_worker[0]
    return Problem(stretches, spec, figures).moved(point, None)


def _replay(
    stretch: Stretch,
    spec: PlantSpec,
    offsets: Offsets,
    frozen: Sequence[float],
    known: _Known,
    *,
    log_lag: float,
    air: ReplayedAir | None = None,
) -> Replay:
    """Return a stretch replayed; *air* is its air side where nothing moved it."""
    air = air_side(stretch, spec, offsets) if air is None else air
    probe_c = probe_in(air, lag_s=math.exp(log_lag))
    water = water_side(stretch, spec, offsets, air.coil_kj, frozen)
    for_air, for_water = known.for_air, known.for_water
    air_error = np.array(probe_c) - known.air_c
    shown = np.array([math.nan if c is None else c for c in water.water_c])
    water_error = shown - known.water_c
    sets = np.array(water.set_of)
    return Replay(
        air=air,
        residuals=np.concatenate([air_error[for_air], water_error[for_water]]) / READING_K,
        set_of=np.concatenate([np.full(int(for_air.sum()), -1), sets[for_water]]),
        block=np.concatenate([known.blocks[for_air], known.blocks[for_water]]),
        hour=np.concatenate([known.hours[for_air], -1 - known.hours[for_water]]),
        air_error_k=air_error[for_air],
        water_error_k=water_error[for_water],
        probe_c=probe_c,
        water_c=water.water_c,
    )
