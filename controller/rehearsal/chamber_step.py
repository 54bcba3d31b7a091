"""One step of a simulated chamber, and what each probe does along it."""

from __future__ import annotations

from controller.thermal.probe import Course, Lag

LEAST_RISE_K = 0.01
"""Air that moves less over a step shows no shape [K]."""


class ChamberStep:
    """One step of the chamber and what each probe does along it, probes in their order."""

    __slots__ = ("air", "begins", "bends_c", "ends", "first_c", "lags", "last_c", "reservoir")

    def __init__(
        self,
        begins: float,
        dt_s: float,
        probes: tuple[list[float], list[Lag]],
        courses: tuple[Course, Course],
    ) -> None:
        first_c, lags = probes
        self.begins = begins
        self.ends = begins + dt_s
        self.air, self.reservoir = courses
        self.first_c, self.lags = first_c, lags
        self.last_c = [lag.at(dt_s) for lag in lags]
        self.bends_c = [lag.bend_c(dt_s) for lag in lags]

    def range_c(self, probe: int) -> tuple[float, float]:
        """Return between which temperatures a probe surely is over the step [°C]."""
        least_c, most_c, bend_c = self.first_c[probe], self.last_c[probe], self.bends_c[probe]
        if least_c > most_c:
            least_c, most_c = most_c, least_c
        return least_c - bend_c, most_c + bend_c

    def end_at(self, instant: float) -> None:
        """Let the probes' way end at an instant within the step [s]."""
        at_s = instant - self.begins
        self.ends = instant
        self.last_c = [lag.at(at_s) for lag in self.lags]


def outlet_course(air: Course, before_c: float, after_c: float) -> Course:
    """Return the course of the water that leaves the coil: it goes as the air does."""
    rise_k = air.after_c - air.before_c
    share, swift_share = 0.5, 0.0
    if abs(rise_k) > LEAST_RISE_K:
        share = (air.mean_c - air.before_c) / rise_k
        swift_share = air.swift_k / rise_k
    if not 0.0 <= share <= 1.0:
        share, swift_share = 0.5, 0.0
    step_k = after_c - before_c
    return Course(
        air.dt_s, before_c, before_c + share * step_k, after_c, swift_share * step_k, air.per_s
    )
