"""On which side each alarm's condition is: a table of one row an alarm."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from functools import cache

from controller.core.state import AlarmContext, Inputs
from controller.domain.alarms import AlarmName
from controller.domain.reading_rows import PROBE_NAMES
from controller.domain.temperatures import Lost, Reading

EXCHANGED_BY_MK = 5000
"""Air this much colder than the reservoir is not cooled by it."""
EXCHANGED_NO_MORE_MK = 2000
CALM_COUNT = 1
"""So many of a kind within an hour are none."""
NOISY_LOSSES = 3
"""So many losses within an hour, all while the pump ran, are its doing."""


class Side(Enum):
    """What a condition asks for."""

    RAISE = "raise"
    CLEAR = "clear"
    BETWEEN = "between the thresholds"
    UNKNOWN = "nothing is known"
    NOT_FITTED = "not fitted"


@dataclass(frozen=True, slots=True)
class Condition:
    """One row: an alarm, what it is about, and how its side is found."""

    name: AlarmName
    about: str
    side: Callable[[AlarmContext], Side]
    reads: tuple[str, ...]
    """All that the side depends on beside the law: names of `READ_BY_CONDITIONS`."""


def _when(raised: bool) -> Side:
    return Side.RAISE if raised else Side.CLEAR


def _above(reading: Reading, threshold_mc: int, clear_by_mk: int) -> Side:
    if isinstance(reading, Lost):
        return Side.UNKNOWN
    if reading.value_mc >= threshold_mc:
        return Side.RAISE
    return Side.CLEAR if reading.value_mc <= threshold_mc - clear_by_mk else Side.BETWEEN


def _below(reading: Reading, threshold_mc: int, clear_by_mk: int) -> Side:
    if isinstance(reading, Lost):
        return Side.UNKNOWN
    if reading.value_mc <= threshold_mc:
        return Side.RAISE
    return Side.CLEAR if reading.value_mc >= threshold_mc + clear_by_mk else Side.BETWEEN


def _count(count: int, limit: int, context: AlarmContext) -> Side:
    """Judge a count within the last hour; a few prove nothing before an hour was watched."""
    if count >= limit:
        return Side.RAISE
    if count > CALM_COUNT:
        return Side.BETWEEN
    return Side.CLEAR if context.recent.whole_hour(context.now) else Side.UNKNOWN


def _air_high(context: AlarmContext) -> Side:
    rules = context.law.alarms
    return _above(context.inputs.air, rules.air_high_mc, rules.clear_by_mk)


def _air_low(context: AlarmContext) -> Side:
    law = context.law
    return _below(context.inputs.air, law.limits.low_limit_mc, law.alarms.clear_by_mk)


def _reservoir_warm(context: AlarmContext) -> Side:
    rules = context.law.alarms
    return _above(context.inputs.reservoir, rules.reservoir_warm_mc, rules.clear_by_mk)


def _reservoir_freezing(context: AlarmContext) -> Side:
    rules = context.law.alarms
    return _below(context.inputs.reservoir, rules.reservoir_freezing_mc, rules.clear_by_mk)


def _reservoir_empty(context: AlarmContext) -> Side:
    level = context.inputs.level
    return Side.NOT_FITTED if level is None else _when(not level)


def _swap_due(context: AlarmContext) -> Side:
    due = context.inputs.swap_due
    return Side.UNKNOWN if due is None else _when(due)


def _probe_lost(about: str) -> Callable[[AlarmContext], Side]:
    def side(context: AlarmContext) -> Side:
        reading: Reading | None = getattr(context.inputs, about)
        return Side.NOT_FITTED if reading is None else _when(isinstance(reading, Lost))

    return side


def _probe_unsteady(about: str) -> Callable[[AlarmContext], Side]:
    def side(context: AlarmContext) -> Side:
        if getattr(context.inputs, about) is None:
            return Side.NOT_FITTED
        recent = context.recent
        side_by_count = _count(
            recent.lost_times(about), context.law.alarms.losses_per_hour, context
        )
        # one fault, one alarm: what comes only with the pump has a name of its own
        by_the_pump = side_by_count is Side.RAISE and recent.only_while_running()
        return Side.BETWEEN if by_the_pump else side_by_count

    return side


def _pump_noise(context: AlarmContext) -> Side:
    recent = context.recent
    side_by_count = _count(recent.lost_running(), NOISY_LOSSES, context)
    if side_by_count is Side.RAISE and not recent.only_while_running():
        return Side.BETWEEN
    return side_by_count


def _probes_exchanged(context: AlarmContext) -> Side:
    air, reservoir = context.inputs.air, context.inputs.reservoir
    if isinstance(air, Lost) or isinstance(reservoir, Lost):
        return Side.UNKNOWN
    warmer_mk = reservoir.value_mc - air.value_mc
    if warmer_mk >= EXCHANGED_BY_MK:
        return Side.RAISE
    return Side.CLEAR if warmer_mk <= EXCHANGED_NO_MORE_MK else Side.BETWEEN


def _frequent_starts(context: AlarmContext) -> Side:
    starts, limit = len(context.recent.starts), context.law.alarms.starts_per_hour
    if starts == limit:
        return Side.BETWEEN
    if starts > limit:
        return Side.RAISE
    return Side.CLEAR if context.recent.whole_hour(context.now) else Side.UNKNOWN


CONDITIONS: tuple[Condition, ...] = (
    Condition(AlarmName.AIR_HIGH, "", _air_high, ("air",)),
    Condition(AlarmName.AIR_LOW, "", _air_low, ("air",)),
    Condition(AlarmName.RESERVOIR_WARM, "", _reservoir_warm, ("reservoir",)),
    Condition(AlarmName.RESERVOIR_FREEZING, "", _reservoir_freezing, ("reservoir",)),
    Condition(AlarmName.RESERVOIR_EMPTY, "", _reservoir_empty, ("level",)),
    Condition(AlarmName.SWAP_DUE, "", _swap_due, ("swap_due",)),
    *(
        Condition(AlarmName.PROBE_LOST, name, _probe_lost(name), (f"{name}_answers",))
        for name in PROBE_NAMES
    ),
    *(
        Condition(
            AlarmName.PROBE_UNSTEADY, name, _probe_unsteady(name), (f"{name}_answers", "losses")
        )
        for name in PROBE_NAMES
    ),
    Condition(AlarmName.PUMP_NOISE, "", _pump_noise, ("losses",)),
    Condition(AlarmName.PROBES_EXCHANGED, "", _probes_exchanged, ("air", "reservoir")),
    Condition(
        AlarmName.RESERVOIR_PROBE_MISPLACED,
        "",
        lambda context: _when(context.expectations.probe_misplaced),
        ("probe_misplaced",),
    ),
    Condition(
        AlarmName.COOLING_WHILE_OFF,
        "",
        lambda context: _when(context.expectations.cooling_while_off),
        ("cooling_while_off",),
    ),
    # stays up through tries, lockout and reset, until a run is answered
    Condition(
        AlarmName.FLOW_NOT_PROVED,
        "",
        lambda context: _when(context.cooling.flow_suspect),
        ("flow_suspect",),
    ),
    # until a call has been served or held for as long: a rest that the law ordered is no end of it
    Condition(AlarmName.LONG_RUN, "", lambda context: _when(context.cooling.overran), ("overran",)),
    Condition(AlarmName.FREQUENT_STARTS, "", _frequent_starts, ("starts",)),
    Condition(
        AlarmName.FREQUENT_TRIPS,
        "",
        lambda context: _count(
            len(context.recent.trips), context.law.alarms.trips_per_hour, context
        ),
        ("trips",),
    ),
    Condition(
        AlarmName.OUTPUT_FAILED,
        "",
        lambda context: _when(context.inputs.output_fault is not None),
        ("output_fault",),
    ),
    Condition(
        AlarmName.RECORDS_FAILING,
        "",
        lambda context: _when(context.inputs.records_fault is not None),
        ("records_fault",),
    ),
)
"""Every alarm that the law judges."""

READ_BY_CONDITIONS = (
    "air",
    "reservoir",
    "air_answers",
    "reservoir_answers",
    "room_answers",
    "coil_outlet_answers",
    "level",
    "swap_due",
    "output_fault",
    "records_fault",
    "starts",
    "trips",
    "losses",
    "cooling_while_off",
    "probe_misplaced",
    "flow_suspect",
    "overran",
)
"""Names of what conditions depend on; the place of a name is its bit in `changes_since`.

Whether a probe answers is apart from what it reads: seen, lost or not fitted. Each of the counts
changes with the first whole hour too, and losses with the starts that they are held against.
"""


def changes_since(before: AlarmContext, after: AlarmContext) -> int:
    """Return what of `READ_BY_CONDITIONS` is not the same in two contexts, one bit each.

    Readings that are equal but not the same object count as changed: that costs work and nothing
    else.
    """
    cooled, cools = before.cooling, after.cooling
    mask = ((cooled.flow_suspect is not cools.flow_suspect) << 15) | (
        (cooled.overran is not cools.overran) << 16
    )
    if before.inputs is not after.inputs:
        mask |= _changed_inputs(before.inputs, after.inputs)
    old, new = before.expectations, after.expectations
    if old is not new:
        mask |= (old.cooling_while_off is not new.cooling_while_off) << 13
        mask |= (old.probe_misplaced is not new.probe_misplaced) << 14
    was, now = before.recent, after.recent
    if now.whole_hour(before.now) is not now.whole_hour(after.now):
        mask |= 0b111 << 10
    elif was is not now:
        starts = was.starts is not now.starts
        losses = was.losses is not now.losses or (starts and len(now.losses) > 0)
        mask |= (starts << 10) | ((was.trips is not now.trips) << 11) | (losses << 12)
    return mask


def _changed_inputs(old: Inputs, new: Inputs) -> int:
    mask = (
        ((old.level is not new.level) << 6)
        | ((old.swap_due is not new.swap_due) << 7)
        | ((old.output_fault is not new.output_fault) << 8)
        | ((old.records_fault is not new.records_fault) << 9)
    )
    if old.air is not new.air:
        mask |= 1 | ((type(old.air) is not type(new.air)) << 2)
    if old.reservoir is not new.reservoir:
        mask |= 1 << 1 | ((type(old.reservoir) is not type(new.reservoir)) << 3)
    if old.room is not new.room:
        mask |= (type(old.room) is not type(new.room)) << 4
    if old.coil_outlet is not new.coil_outlet:
        mask |= (type(old.coil_outlet) is not type(new.coil_outlet)) << 5
    return mask


@cache
def rows_reading(changes: int) -> tuple[int, ...]:
    """Return the rows of `CONDITIONS` that depend on any of these changes."""
    changed = {name for bit, name in enumerate(READ_BY_CONDITIONS) if changes >> bit & 1}
    return tuple(at for at, row in enumerate(CONDITIONS) if not changed.isdisjoint(row.reads))


ENDED_BY_ACKNOWLEDGING = frozenset(
    {AlarmName.COOLING_WHILE_OFF, AlarmName.RESERVOIR_PROBE_MISPLACED}
)
"""Alarms whose end nothing need show: a person who has mended the cause says so."""
