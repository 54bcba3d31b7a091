"""What the control law is given once: band, timers, limits and alarm rules.

All temperatures are whole millidegrees (``_mc``) or their differences (``_mk``), all times
seconds. Every value checks itself, so no half-valid law exists.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum

from controller.domain.alarms import OUTSIDE_THE_LAW, AlarmName

LEAST_COUNTED = 2
"""One of a kind within an hour is chance."""


@dataclass(frozen=True, slots=True)
class Band:
    """The switching points in force: at or above cut-in starts, at or below cut-out stops."""

    cut_in_mc: int
    cut_out_mc: int

    def __post_init__(self) -> None:
        if not self.cut_out_mc < self.cut_in_mc:
            raise ValueError(
                f"cut-out {self.cut_out_mc / 1000} °C must be below cut-in "
                f"{self.cut_in_mc / 1000} °C"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """Timers of pump and fan [s]."""

    minimum_run_s: float
    anti_short_cycle_s: float
    prime_s: float
    run_on_s: float
    permissive_debounce_s: float
    longest_run_s: float
    """A run ends after this long in every mode, and the pump rests."""
    longest_unseen_run_s: float
    """The same while the reservoir probe is lost."""
    lead_s: float = 0.0
    """A start comes so long before the air would be at cut-in, as it rose in its last rests."""

    def __post_init__(self) -> None:
        for name in (
            "minimum_run_s",
            "anti_short_cycle_s",
            "prime_s",
            "run_on_s",
            "permissive_debounce_s",
            "lead_s",
        ):
            if not getattr(self, name) >= 0:
                raise ValueError(f"{name} must be zero or more, found {getattr(self, name)}")
        if self.prime_s > self.minimum_run_s:
            raise ValueError(
                f"prime {self.prime_s} s is part of the pump's run and must not be longer than the "
                f"minimum run {self.minimum_run_s} s"
            )
        for name in ("longest_run_s", "longest_unseen_run_s"):
            if not getattr(self, name) > self.minimum_run_s:
                raise ValueError(
                    f"{name} {getattr(self, name)} s must be longer than the minimum run "
                    f"{self.minimum_run_s} s"
                )
        if self.run_on_s > self.anti_short_cycle_s:
            raise ValueError(
                f"run-on {self.run_on_s} s must end before the pump may start again after "
                f"{self.anti_short_cycle_s} s (anti-short-cycle)"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Temperatures beyond which cooling stops or may not start."""

    low_limit_mc: int
    """Air at or below this trips the cooling whatever the timers say."""
    reservoir_margin_mk: int
    """The reservoir must be colder than the air by this much before cooling helps."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowProof:
    """When a running pump must have shown that water moves, and what happens if it has not."""

    after_s: float
    """Time without an answer after which the run is stopped."""
    air_drop_mk: int
    """Drop of the air that counts as an answer."""
    outlet_drop_mk: int
    """The coil outlet answers while it is colder than the air by this much."""
    colder_by_mk: int
    """Only a reservoir colder than the air by this much lets an answer be expected."""
    doubt_rise_mk: int
    """Air this much above where flow was proved, over cold water, is a reason to prove it anew."""
    wait_s: float
    """Pause before the next try."""
    tries: int
    """Failed runs in a row that end in a lockout."""
    lockout_s: float
    """Time after which a lockout ends without a person."""

    def __post_init__(self) -> None:
        if self.tries < 1:
            raise ValueError(f"tries must be 1 or more, found {self.tries}")


class FallbackPolicy(Enum):
    """What cooling does while the air probe is lost."""

    OFF = "off"
    TIMED = "timed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fallback:
    """Cooling without an air probe: not at all, or by the clock within all other limits."""

    policy: FallbackPolicy
    on_s: float
    off_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmDelay:
    """How long a condition must last before its alarm is raised, and before it is cleared [s]."""

    raise_s: float
    clear_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmRules:
    """Thresholds of the alarms; a clear threshold always lies apart from its raise threshold."""

    air_high_mc: int
    reservoir_warm_mc: int
    reservoir_freezing_mc: int
    clear_by_mk: int
    """Distance back from a raise threshold at which the alarm may clear."""
    starts_per_hour: int
    """More starts than this within one hour raise the alarm."""
    losses_per_hour: int
    """So many losses of one probe within one hour raise the alarm."""
    trips_per_hour: int
    """So many trips by a fault within one hour raise the alarm."""
    delays: tuple[tuple[AlarmName, AlarmDelay], ...]
    """One entry for every alarm that the law judges."""

    def __post_init__(self) -> None:
        missing = set(AlarmName) - OUTSIDE_THE_LAW - {name for name, _ in self.delays}
        if missing:
            raise ValueError(f"no delay given for {sorted(name.value for name in missing)}")
        for name in ("losses_per_hour", "trips_per_hour"):
            if getattr(self, name) < LEAST_COUNTED:
                raise ValueError(
                    f"{name} must be {LEAST_COUNTED} or more, found {getattr(self, name)}"
                )
        if self.clear_by_mk <= 0:
            raise ValueError(f"clear_by_mk must be above zero, found {self.clear_by_mk}")

    def delay_of(self, wanted: AlarmName) -> AlarmDelay:
        """Return the delays of one alarm."""
        return next(delay for name, delay in self.delays if name is wanted)


@dataclass(frozen=True, slots=True, kw_only=True)
class Law:
    """Everything the control law needs to know besides the band in force."""

    timing: Timing
    limits: Limits
    flow: FlowProof
    fallback: Fallback
    alarms: AlarmRules
    air_edges_mc: tuple[int, ...] = field(init=False, compare=False, repr=False)
    """Limits and alarm thresholds of the air, rising, each met at or above itself [m°C]."""
    reservoir_edges_mc: tuple[int, ...] = field(init=False, compare=False, repr=False)
    """Those of the reservoir."""

    def __post_init__(self) -> None:
        limits, rules, clear_mk = self.limits, self.alarms, self.alarms.clear_by_mk
        air = {
            limits.low_limit_mc + 1,
            limits.low_limit_mc + clear_mk,
            rules.air_high_mc,
            rules.air_high_mc - clear_mk + 1,
        }
        reservoir = {
            rules.reservoir_warm_mc,
            rules.reservoir_warm_mc - clear_mk + 1,
            rules.reservoir_freezing_mc + 1,
            rules.reservoir_freezing_mc + clear_mk,
        }
        object.__setattr__(self, "air_edges_mc", tuple(sorted(air)))
        object.__setattr__(self, "reservoir_edges_mc", tuple(sorted(reservoir)))
