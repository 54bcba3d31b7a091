"""One step of a simulated chamber, and what each probe does along it."""

from __future__ import annotations

from controller.thermal.probe import Course, Lag

LEAST_RISE_K = 0.01
"""Air that moves less over a step shows no shape [K]."""


class ChamberStep:
    """One step of the chamber and what each probe does along it, probes in their order."""

    __slots__ = ("air", "begins", "ends", "first_c", "lags", "last_c", "ranges_c", "reservoir")

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
        self._reach(dt_s)

    def _reach(self, dt_s: float) -> None:
        """Work out where the probes are at the end, and where they may be on the way [°C]."""
        last_c: list[float] = []
        ranges_c: list[tuple[float, float]] = []
        for first_c, lag in zip(self.first_c, self.lags, strict=True):
            end_c, bend_c = lag.end_c(dt_s)
            last_c.append(end_c)
            if first_c < end_c:
                ranges_c.append((first_c - bend_c, end_c + bend_c))
            else:
                ranges_c.append((end_c - bend_c, first_c + bend_c))
        self.last_c = last_c
        self.ranges_c = ranges_c
        """Between which temperatures each probe surely is over the step [°C]."""

    def end_at(self, instant: float) -> None:
        """Let the probes' way end at an instant within the step [s]."""
        self.ends = instant
        self._reach(instant - self.begins)


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
