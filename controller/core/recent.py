"""Rule 13: the last hour, so that what fails again and again is an alarm too."""

from __future__ import annotations

from collections.abc import Iterator

from controller.core.law import Law
from controller.core.memory import HOUR_S, Loss, Recent
from controller.core.state import Cooling, Inputs
from controller.domain.control_phase import Reason
from controller.domain.reading_rows import PROBE_NAMES
from controller.domain.temperatures import Lost

AFTER_A_RUN_S = 90.0
"""A reading is given up about a minute after the last good one, so a loss this soon after a stop
belongs to the run [s]."""
MOST_KEPT = 20 * len(PROBE_NAMES)
"""Losses that are counted: as many of each probe as `losses_per_hour` may ask for."""
COUNTED_TRIPS = frozenset(
    {Reason.AIR_LOST, Reason.OUTPUT_FAILED, Reason.LOW_LIMIT, Reason.RESERVOIR_EMPTY}
)
"""Trips that mean a fault. A pause, warm water and unproved flow have names of their own."""
_NONE_LOST: frozenset[str] = frozenset()


def recent_after(
    recent: Recent, previous: Cooling, cooling: Cooling, inputs: Inputs, now: float
) -> Recent:
    """Return the last hour after a decision; the same object where nothing changed."""
    starts = _within(recent.starts, now)
    if cooling.pump and not previous.pump:
        starts = (*starts, now)
    trips = _within(recent.trips, now)
    if counted_trip(previous, cooling):
        trips = (*trips, now)
    lost = _lost_in(inputs)
    losses = recent.losses
    if losses and now - losses[0].at >= HOUR_S:
        losses = tuple(loss for loss in losses if now - loss.at < HOUR_S)
    if lost - recent.lost:
        running = previous.pump or now - previous.pump_since <= AFTER_A_RUN_S
        new = (Loss(now, name, running) for name in sorted(lost - recent.lost))
        losses = (*losses, *new)[-MOST_KEPT:]
    if (
        starts is recent.starts
        and trips is recent.trips
        and losses is recent.losses
        and lost == recent.lost
    ):
        return recent
    return recent._replace(starts=starts, trips=trips, losses=losses, lost=lost)


def _lost_in(inputs: Inputs) -> frozenset[str]:
    """Return the names of the probes that are lost; mostly none is, which must not take long."""
    if not (
        isinstance(inputs.air, Lost)
        or isinstance(inputs.reservoir, Lost)
        or isinstance(inputs.room, Lost)
        or isinstance(inputs.coil_outlet, Lost)
    ):
        return _NONE_LOST
    return frozenset(name for name in PROBE_NAMES if isinstance(getattr(inputs, name), Lost))


def counted_trip(previous: Cooling, cooling: Cooling) -> bool:
    """Return whether a fault has just put everything off."""
    went_off = (previous.pump or previous.fan) and not (cooling.pump or cooling.fan)
    return went_off and cooling.reason in COUNTED_TRIPS


def _within(instants: tuple[float, ...], now: float) -> tuple[float, ...]:
    if instants and now - instants[0] >= HOUR_S:
        return tuple(at for at in instants if now - at < HOUR_S)
    return instants


def recent_instants(recent: Recent, law: Law) -> Iterator[float]:
    """Yield when time alone can change what is judged by the counts; some may lie in the past.

    A start that drops out of the hour while no alarm depends on it is dropped at the next decision,
    whenever that comes: what is counted then is the same.
    """
    yield recent.since + HOUR_S
    starts, losses = recent.starts, recent.losses
    if starts and (losses or len(starts) >= law.alarms.starts_per_hour):
        yield starts[0] + HOUR_S
    if recent.trips:
        yield recent.trips[0] + HOUR_S
    if losses:
        yield losses[0].at + HOUR_S
