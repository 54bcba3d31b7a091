"""Rule 9: alarms, each raised once after its delay and cleared on its own side.

A condition says True (raise side), False (clear side) or None (neither: between the thresholds, or
nothing known). A delay runs only while its own side lasts without a break.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from controller.core.law import Law
from controller.core.state import AlarmState, Cooling, Event, EventKind, Inputs
from controller.domain.alarms import AlarmName
from controller.domain.temperatures import Lost, Reading, Seen

WATCHED_PROBES = ("air", "reservoir", "room", "coil_outlet")
HOUR_S = 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """What the alarms of one decision are judged by."""

    cooling: Cooling
    """Where the cooling stands from `now` on."""
    starts: tuple[float, ...]
    """Instants of the pump's starts within the last hour."""
    inputs: Inputs
    now: float
    law: Law


def _above(reading: Reading, threshold_mc: int, clear_by_mk: int) -> bool | None:
    if isinstance(reading, Lost):
        return None
    if reading.value_mc >= threshold_mc:
        return True
    return False if reading.value_mc <= threshold_mc - clear_by_mk else None


def _below(reading: Reading, threshold_mc: int, clear_by_mk: int) -> bool | None:
    if isinstance(reading, Lost):
        return None
    if reading.value_mc <= threshold_mc:
        return True
    return False if reading.value_mc >= threshold_mc + clear_by_mk else None


Condition = Callable[[Situation], bool | None]


def _probe_lost(about: str) -> Condition:
    def lost(situation: Situation) -> bool | None:
        reading: Reading | None = getattr(situation.inputs, about)
        return None if reading is None else not isinstance(reading, Seen)

    return lost


def _air_high(situation: Situation) -> bool | None:
    rules = situation.law.alarms
    return _above(situation.inputs.air, rules.air_high_mc, rules.clear_by_mk)


def _air_low(situation: Situation) -> bool | None:
    return _below(
        situation.inputs.air, situation.law.limits.low_limit_mc, situation.law.alarms.clear_by_mk
    )


def _reservoir_warm(situation: Situation) -> bool | None:
    rules = situation.law.alarms
    return _above(situation.inputs.reservoir, rules.reservoir_warm_mc, rules.clear_by_mk)


def _reservoir_freezing(situation: Situation) -> bool | None:
    rules = situation.law.alarms
    return _below(situation.inputs.reservoir, rules.reservoir_freezing_mc, rules.clear_by_mk)


def _swap_due(situation: Situation) -> bool | None:
    return situation.inputs.swap_due


def _flow_not_proved(situation: Situation) -> bool | None:
    # stays up through tries, lockout and reset, until a run is answered
    return situation.cooling.flow_suspect


def _long_run(situation: Situation) -> bool | None:
    # until a call has been served: a rest that the law ordered is no end of it
    return situation.cooling.overran


def _frequent_starts(situation: Situation) -> bool | None:
    starts, limit = len(situation.starts), situation.law.alarms.starts_per_hour
    return None if starts == limit else starts > limit


def _output_failed(situation: Situation) -> bool | None:
    return situation.inputs.output_fault is not None


def _records_failing(situation: Situation) -> bool | None:
    return situation.inputs.records_fault is not None


_CONDITIONS: tuple[tuple[AlarmName, str, Condition], ...] = (
    (AlarmName.AIR_HIGH, "", _air_high),
    (AlarmName.AIR_LOW, "", _air_low),
    (AlarmName.RESERVOIR_WARM, "", _reservoir_warm),
    (AlarmName.RESERVOIR_FREEZING, "", _reservoir_freezing),
    (AlarmName.SWAP_DUE, "", _swap_due),
    *((AlarmName.PROBE_LOST, about, _probe_lost(about)) for about in WATCHED_PROBES),
    (AlarmName.FLOW_NOT_PROVED, "", _flow_not_proved),
    (AlarmName.LONG_RUN, "", _long_run),
    (AlarmName.FREQUENT_STARTS, "", _frequent_starts),
    (AlarmName.OUTPUT_FAILED, "", _output_failed),
    (AlarmName.RECORDS_FAILING, "", _records_failing),
)
"""Every alarm there is: name, what it is about, and its condition."""


CALM_BOARD = tuple(AlarmState(name=name, about=about) for name, about, _ in _CONDITIONS)
"""Every alarm there is, none standing and no delay running."""


def judge_alarms(
    board: tuple[AlarmState, ...], situation: Situation
) -> tuple[tuple[AlarmState, ...], tuple[Event, ...]]:
    """Return the alarms as they stand from now on, and what changed.

    Args:
        board: The alarms as they stood, `CALM_BOARD` at the start.
        situation: What they are judged by.
    """
    acknowledged = situation.inputs.asked.acknowledge
    after: list[AlarmState] | None = None
    events: list[Event] = []
    for at, (alarm, (_, _, condition)) in enumerate(zip(board, _CONDITIONS, strict=True)):
        wanted = condition(situation)
        at_rest = alarm.pending_since is None and (wanted is None or wanted is alarm.standing)
        if at_rest and not acknowledged:
            continue
        one, event = (alarm, None) if at_rest else _step(alarm, wanted, situation)
        if event is not None:
            events.append(event)
        if one.standing and not one.acknowledged and alarm.name in acknowledged:
            one = replace(one, acknowledged=True)
            events.append(Event(EventKind.ACKNOWLEDGED, alarm.name.value, alarm.about))
        if one is not alarm:
            after = after or list(board)
            after[at] = one
    if after is None:
        return board, tuple(events)
    changed = tuple(after)
    return (CALM_BOARD if changed == CALM_BOARD else changed), tuple(events)


def alarm_instants(board: tuple[AlarmState, ...], situation: Situation) -> Iterator[float]:
    """Yield the instants at which time alone can change an alarm."""
    rules = situation.law.alarms
    for alarm in board:
        if alarm.pending_since is not None:
            delay = rules.delay_of(alarm.name)
            yield alarm.pending_since + (delay.clear_s if alarm.standing else delay.raise_s)
    if situation.starts:
        yield situation.starts[0] + HOUR_S


def _step(
    alarm: AlarmState, wanted: bool | None, situation: Situation
) -> tuple[AlarmState, Event | None]:
    if wanted is None or wanted is alarm.standing:
        return replace(alarm, pending_since=None), None
    now, inputs = situation.now, situation.inputs
    delay = situation.law.alarms.delay_of(alarm.name)
    since = now if alarm.pending_since is None else alarm.pending_since
    if now - since < (delay.raise_s if wanted else delay.clear_s):
        pending = alarm.pending_since is not None
        return (alarm if pending else replace(alarm, pending_since=since)), None
    changed = replace(alarm, standing=wanted, acknowledged=False, pending_since=None)
    kind = EventKind.RAISED if wanted else EventKind.CLEARED
    about = alarm.about
    if alarm.name is AlarmName.OUTPUT_FAILED and inputs.output_fault:
        about = inputs.output_fault
    return changed, Event(kind, alarm.name.value, about)


def signal_wanted(alarms: tuple[AlarmState, ...], names: frozenset[AlarmName]) -> bool:
    """Return whether a lamp or buzzer should be on: an alarm of these stands that nobody has seen.

    Args:
        alarms: All alarms.
        names: Those that it is for.
    """
    return any(
        alarm.standing and not alarm.acknowledged and alarm.name in names for alarm in alarms
    )
