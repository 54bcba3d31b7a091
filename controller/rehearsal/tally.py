"""Counts what a rehearsal did to the crop and to the relays; nothing here decides anything."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, NamedTuple, Protocol

from controller.core.law import Band
from controller.core.state import Decision, Inputs
from controller.domain.events import EventKind
from controller.rehearsal.plants import Account
from controller.thermal.probe import Course

BAND_SLACK_K = 0.5
"""Air this much beyond a switching point still counts as in band: probes lag and chambers swing."""
HOUR_S = 3600.0
HALF_HOUR_S = 1800.0


@dataclass(slots=True)
class Spread:
    """Least, mean and greatest of a quantity over time."""

    least: float = float("inf")
    greatest: float = float("-inf")
    total: float = 0.0
    """Sum of value times seconds."""

    def take(self, course: Course, extremes_c: tuple[float, float]) -> None:
        """Count a step, given its own least and greatest."""
        least, greatest = extremes_c
        # comparisons and not min() and max(): this runs thousands of times a simulated day
        if least < self.least:  # noqa: PLR1730
            self.least = least
        if greatest > self.greatest:  # noqa: PLR1730
            self.greatest = greatest
        self.total += course.mean_c * course.dt_s

    def document(self, lasted_s: float) -> dict[str, float]:
        """Return the figures over the time that was counted [s]."""
        return {
            "min": round(self.least, 3),
            "mean": round(self.total / lasted_s, 3),
            "max": round(self.greatest, 3),
        }


@dataclass(slots=True)
class TalliedAlarm:
    """One standing of one alarm."""

    name: str
    about: str
    raised_t_s: float
    cleared_t_s: float | None = None


@dataclass(slots=True)
class HalfHour:
    """Half an hour in short: how long the air was out of its band, how long the pump ran [s]."""

    lasted_s: float = 0.0
    above_s: float = 0.0
    below_s: float = 0.0
    pump_s: float = 0.0


class Excess(NamedTuple):
    """How far, and for how long, the air of one step is outside its band."""

    above_ks: float = 0.0
    """Above cut-in [K·s]."""
    below_ks: float = 0.0
    """Below cut-out [K·s]."""
    warm_s: float = 0.0
    """Time more than `BAND_SLACK_K` above cut-in [s]."""
    cold_s: float = 0.0
    """Time more than `BAND_SLACK_K` below cut-out [s]."""
    over_1k_s: float = 0.0
    """Time more than 1 K above cut-in [s]."""


_NO_EXCESS = Excess()


class TrueCourses(NamedTuple):
    """One step of the plant: the true courses of air and reservoir over the same seconds."""

    air: Course
    reservoir: Course
    air_extremes_c: tuple[float, float]
    """Lowest and highest within the step [°C]."""
    reservoir_extremes_c: tuple[float, float]
    excess: Excess
    pump: bool
    band: Band
    """The switching points in force over it."""


def excess_of(air: Course, band: Band, extremes_c: tuple[float, float]) -> Excess:
    """Return how far a step of the air is outside its band.

    Args:
        air: The step.
        band: The switching points in force over it.
        extremes_c: Lowest and highest temperature of the step [°C].
    """
    least_c, greatest_c = extremes_c
    cut_in_c, cut_out_c = band.cut_in_mc / 1000, band.cut_out_mc / 1000
    excess = _NO_EXCESS
    if greatest_c > cut_in_c:
        excess = Excess(
            above_ks=air.above_ks(cut_in_c, extremes_c),
            warm_s=air.beyond_s(cut_in_c + BAND_SLACK_K, extremes_c),
            over_1k_s=air.beyond_s(cut_in_c + 1.0, extremes_c),
        )
    if least_c < cut_out_c:
        below, mirrored_c = air.mirrored(), (-greatest_c, -least_c)
        excess = excess._replace(
            below_ks=below.above_ks(-cut_out_c, mirrored_c),
            cold_s=below.beyond_s(BAND_SLACK_K - cut_out_c, mirrored_c),
        )
    return excess


class Observer(Protocol):
    """Follows a rehearsal together with the tally; instants are seconds since the start."""

    def reached(self, account: Account, frozen_packs: float) -> float | None:
        """Take what the plant has done by an instant that the observer asked for.

        Args:
            account: Of the plant so far.
            frozen_packs: Packs in the freezer, each by the share of it that is frozen.

        Returns:
            The next such instant, infinite for none; None: the run may end here.
        """

    def passed(self, step: TrueCourses) -> None:
        """Take a step of the plant."""

    def switched(self, at_s: float, *, pump: bool) -> None:
        """Take note that the pump starts or stops."""

    def swapped(self, at_s: float, *, packs: int, frozen_share: float) -> None:
        """Take note of packs put in."""


@dataclass(slots=True)
class Tally:
    """A journal that counts; instants are seconds since the start of the rehearsal."""

    origin: float
    """Monotonic instant of the start [s]."""
    air_c: Spread = field(default_factory=Spread)
    reservoir_c: Spread = field(default_factory=Spread)
    lasted_s: float = 0.0
    """Time counted [s]."""
    degree_hours_above: float = 0.0
    degree_hours_below: float = 0.0
    over_1k_s: float = 0.0
    """Time with the air more than 1 K above cut-in [s]."""
    keep_switches: bool = False
    """Whether each switch is kept; else they are only counted, so that memory does not grow."""
    switches: list[dict[str, Any]] = field(default_factory=list)
    starts: int = 0
    shortest_run_s: float | None = None
    shortest_rest_s: float | None = None
    alarms: list[TalliedAlarm] = field(default_factory=list)
    changes: int = 0
    """How many alarms came or went so far."""
    observer: Observer | None = None
    half_hours: list[HalfHour] = field(default_factory=list)
    """One entry for each half hour, for the picture."""
    _left_s: float = 0.0
    _pump: bool = False
    _pump_since_s: float | None = None

    def note(self, now: float, inputs: Inputs, decision: Decision) -> None:
        """Take note of the events of a tick."""
        if not decision.events:
            return
        del inputs
        at_s = now - self.origin
        if any(event.kind is EventKind.SWITCH for event in decision.events):
            self.switched(
                at_s, decision.pump, decision.fan, decision.phase.value, decision.reason.value
            )
        for event in decision.events:
            if event.kind is EventKind.RAISED:
                self.alarms.append(TalliedAlarm(event.name, event.detail, at_s))
                self.changes += 1
            elif event.kind is EventKind.CLEARED:
                self._clear(event.name, event.detail, at_s)

    def switched(self, at_s: float, pump: bool, fan: bool, phase: str, reason: str) -> None:
        """Take note of a switch."""
        if self.keep_switches:
            self.switches.append(
                {"t_s": at_s, "pump": pump, "fan": fan, "phase": phase, "reason": reason}
            )
        if pump is self._pump:
            return
        if self.observer is not None:
            self.observer.switched(at_s, pump=pump)
        if self._pump_since_s is not None:
            lasted_s = at_s - self._pump_since_s
            if self._pump:
                self.shortest_run_s = _shorter(self.shortest_run_s, lasted_s)
            else:
                self.shortest_rest_s = _shorter(self.shortest_rest_s, lasted_s)
        self.starts += pump
        self._pump, self._pump_since_s = pump, at_s

    def passed(self, air: Course, reservoir: Course, *, pump: bool, band: Band) -> None:
        """Count a step of the plant by the true courses of air and reservoir."""
        dt_s = air.dt_s
        air_c, reservoir_c = air.extremes_c(), reservoir.extremes_c()
        self.air_c.take(air, air_c)
        self.reservoir_c.take(reservoir, reservoir_c)
        excess = excess_of(air, band, air_c)
        if self.observer is not None:
            self.observer.passed(
                TrueCourses(air, reservoir, air_c, reservoir_c, excess, pump, band)
            )
        self.lasted_s += dt_s
        self._left_s -= dt_s
        if self._left_s < 0:
            self._left_s += HALF_HOUR_S
            self.half_hours.append(HalfHour())
        half_hour = self.half_hours[-1]
        half_hour.lasted_s += dt_s
        half_hour.above_s += excess.warm_s
        half_hour.below_s += excess.cold_s
        if pump:
            half_hour.pump_s += dt_s
        self.degree_hours_above += excess.above_ks / HOUR_S
        self.degree_hours_below += excess.below_ks / HOUR_S
        self.over_1k_s += excess.over_1k_s

    def standing(self) -> frozenset[str]:
        """Return the names of the alarms that stand."""
        return frozenset(alarm.name for alarm in self.alarms if alarm.cleared_t_s is None)

    @property
    def duty(self) -> float:
        """Share of the time in which the pump ran."""
        return sum(each.pump_s for each in self.half_hours) / self.lasted_s

    @property
    def in_band_share(self) -> float:
        """Share of the time with the air no more than `BAND_SLACK_K` beyond a switching point."""
        out_s = sum(each.above_s + each.below_s for each in self.half_hours)
        return 1 - out_s / self.lasted_s

    def _clear(self, name: str, about: str, at_s: float) -> None:
        for alarm in self.alarms:
            if alarm.cleared_t_s is None and alarm.name == name and alarm.about in {about, ""}:
                alarm.cleared_t_s = at_s
                self.changes += 1
                return


def _shorter(shortest_s: float | None, lasted_s: float) -> float:
    return lasted_s if shortest_s is None else min(shortest_s, lasted_s)
