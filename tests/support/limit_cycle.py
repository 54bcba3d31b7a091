"""The exact repeating cycle of a relay on the first-order plant, as the judge of rehearsals."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

from controller.errors import PhysicsError
from controller.thermal.first_order import FirstOrderSpec


class Reach(Enum):
    """What a relay with the given band makes of the plant."""

    CYCLES = "cycles"
    NEVER_STARTS = "the chamber stays below cut-in without cooling"
    NEVER_STOPS = "cooling flat out does not bring the chamber down to cut-out"


class Bound(Enum):
    """Which timer, if any, sets the length of the cycle."""

    NEITHER = "the band alone"
    MINIMUM_RUN = "minimum run"
    ANTI_SHORT_CYCLE = "anti-short-cycle"
    BOTH = "minimum run and anti-short-cycle"


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitCycle:
    """The cycle that repeats for ever: times [s], extremes of the true air [°C], run-time share."""

    on_s: float
    off_s: float
    period_s: float
    max_c: float
    min_c: float
    duty: float
    mean_c: float
    bound: Bound

    @property
    def starts_per_h(self) -> float:
        """Starts an hour [1/h]."""
        return 3600.0 / self.period_s


def reach(spec: FirstOrderSpec, *, cut_in_c: float, cut_out_c: float) -> Reach:
    """Say whether the band makes the plant cycle, never start or never stop.

    Raises:
        PhysicsError: *cut_out_c* is not below *cut_in_c*, or one is not finite.
    """
    if not (cut_out_c < cut_in_c and math.isfinite(cut_in_c) and math.isfinite(cut_out_c)):
        raise PhysicsError(f"cut-out {cut_out_c} °C must be below cut-in {cut_in_c} °C")
    if spec.off_c <= cut_in_c:
        return Reach.NEVER_STARTS
    if spec.on_c >= cut_out_c:
        return Reach.NEVER_STOPS
    return Reach.CYCLES


def limit_cycle(
    spec: FirstOrderSpec,
    *,
    cut_in_c: float,
    cut_out_c: float,
    minimum_run_s: float = 0.0,
    anti_short_cycle_s: float = 0.0,
) -> LimitCycle:
    """Return the exact repeating cycle of a relay on this plant.

    A relay starts cooling at or above cut-in once it has rested for the anti-short-cycle
    time, and stops at or below cut-out once it has run for the minimum run. Worked number:
    25/5 °C, 3600 s, 17.5/16.5 °C, no dead time: 300.17 s on, 450.59 s off.

    Args:
        spec: The plant.
        cut_in_c: Cooling starts at or above this air temperature [°C].
        cut_out_c: Cooling stops at or below this air temperature [°C].
        minimum_run_s: Shortest time on [s], 0 or more.
        anti_short_cycle_s: Shortest time off [s], 0 or more.

    Returns:
        The cycle, with the timer that binds named in ``bound``.

    Raises:
        PhysicsError: The plant does not cycle in this band (ask `reach` first), or a
            timer is negative.

    Source:
        Own derivation from the exponential; the relay with hysteresis is treated in Åström
        and Murray, *Feedback Systems*, 2nd ed. With period P and equilibria off, on the mean
        is (off·t_off + on·t_on)/P, since the air returns to where it was.
    """
    if not (0.0 <= minimum_run_s < math.inf and 0.0 <= anti_short_cycle_s < math.inf):
        raise PhysicsError(
            f"minimum run {minimum_run_s} s and anti-short-cycle {anti_short_cycle_s} s"
            " must be 0 or more"
        )
    reached = reach(spec, cut_in_c=cut_in_c, cut_out_c=cut_out_c)
    if reached is not Reach.CYCLES:
        raise PhysicsError(
            f"no cycle between cut-out {cut_out_c} °C and cut-in {cut_in_c} °C with equilibria"
            f" {spec.on_c} °C (on) and {spec.off_c} °C (off): {reached.value}"
        )
    # A rest that binds lengthens the run and a run that binds lengthens the rest, so the first
    # of these that contradicts no timer is the cycle.
    for run_binds, rest_binds in ((False, False), (True, False), (False, True)):
        cycle = _cycle(
            spec,
            cut_in_c=cut_in_c,
            cut_out_c=cut_out_c,
            forced_on_s=(minimum_run_s or None) if run_binds else None,
            forced_off_s=(anti_short_cycle_s or None) if rest_binds else None,
        )
        if cycle is not None and (
            cycle.on_s >= minimum_run_s and cycle.off_s >= anti_short_cycle_s
        ):
            return cycle
    both = _cycle(
        spec,
        cut_in_c=cut_in_c,
        cut_out_c=cut_out_c,
        forced_on_s=minimum_run_s,
        forced_off_s=anti_short_cycle_s,
    )
    assert both is not None  # both times forced: the band has nothing left to contradict
    return both


def _cycle(
    spec: FirstOrderSpec,
    *,
    cut_in_c: float,
    cut_out_c: float,
    forced_on_s: float | None,
    forced_off_s: float | None,
) -> LimitCycle | None:
    """Return the cycle in which the given times are forced, or None if the band contradicts it."""
    off_c, on_c, tau_s, dead_s = spec.off_c, spec.on_c, spec.tau_s, spec.dead_time_s
    late = math.exp(-dead_s / tau_s)
    max_c = off_c - (off_c - cut_in_c) * late
    min_c = on_c + (cut_out_c - on_c) * late
    if forced_on_s is not None and forced_off_s is not None:
        on_share, off_share = math.exp(-forced_on_s / tau_s), math.exp(-forced_off_s / tau_s)
        max_c = (off_c * (1.0 - off_share) + on_c * (1.0 - on_share) * off_share) / (
            1.0 - on_share * off_share
        )
        min_c = on_c + (max_c - on_c) * on_share
    elif forced_on_s is not None:
        min_c = on_c + (max_c - on_c) * math.exp(-forced_on_s / tau_s)
    elif forced_off_s is not None:
        max_c = off_c - (off_c - min_c) * math.exp(-forced_off_s / tau_s)
    # cooling acts from max_c to min_c: the dead time only shifts it against the command
    on_s = forced_on_s or tau_s * math.log((max_c - on_c) / (min_c - on_c))
    off_s = forced_off_s or tau_s * math.log((off_c - min_c) / (off_c - max_c))
    # a forced time must not end before the air has crossed the threshold that ends it
    early_run = forced_on_s is not None and _before(min_c, on_c, late) > cut_out_c + 1e-9
    early_rest = forced_off_s is not None and _before(max_c, off_c, late) < cut_in_c - 1e-9
    if (early_run or early_rest) and not (forced_on_s is not None and forced_off_s is not None):
        return None
    period_s = on_s + off_s
    bound = {
        (False, False): Bound.NEITHER,
        (True, False): Bound.MINIMUM_RUN,
        (False, True): Bound.ANTI_SHORT_CYCLE,
        (True, True): Bound.BOTH,
    }[forced_on_s is not None, forced_off_s is not None]
    return LimitCycle(
        on_s=on_s,
        off_s=off_s,
        period_s=period_s,
        max_c=max_c,
        min_c=min_c,
        duty=on_s / period_s,
        mean_c=(off_c * off_s + on_c * on_s) / period_s,
        bound=bound,
    )


def _before(extreme_c: float, towards_c: float, late: float) -> float:
    """Return the air one dead time before *extreme_c* on the way towards *towards_c* [°C]."""
    return towards_c + (extreme_c - towards_c) / late
