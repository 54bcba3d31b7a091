"""Rule 9: alarms, each raised once after its delay and cleared on its own side.

A condition says True (raise side), False (clear side) or None (neither: between the thresholds, or
nothing known). A delay runs only while its own side lasts without a break.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from controller.core.law import AlarmDelay, AlarmName, Law
from controller.core.state import AlarmState, Cooling, Event, EventKind, Inputs
from controller.core.values import Lost, Reading, Seen

WATCHED_PROBES = ("air", "reservoir", "room", "coil_outlet")
HOUR_S = 3600.0


def new_board() -> tuple[AlarmState, ...]:
    """Return every alarm there is, none standing."""
    return tuple(
        AlarmState(name=name, about=about)
        for name in AlarmName
        for about in (WATCHED_PROBES if name is AlarmName.PROBE_LOST else ("",))
    )


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


def judge_alarms(
    board: tuple[AlarmState, ...], situation: Situation
) -> tuple[tuple[AlarmState, ...], tuple[Event, ...]]:
    """Return the alarms as they stand from now on, and what changed.

    Args:
        board: The alarms as they stood, from `new_board`.
        situation: What they are judged by.
    """
    inputs, now = situation.inputs, situation.now
    delays = dict(situation.law.alarms.delays)
    after: list[AlarmState] = []
    events: list[Event] = []
    for alarm in board:
        wanted = _condition(alarm, situation)
        one, event = _step(alarm, wanted, delays[alarm.name], now, inputs)
        if one.standing and not one.acknowledged and alarm.name in inputs.asked.acknowledge:
            one = replace(one, acknowledged=True)
            events.append(Event(EventKind.ACKNOWLEDGED, alarm.name.value, alarm.about))
        after.append(one)
        if event is not None:
            events.append(event)
    if not events and all(a is b for a, b in zip(after, board, strict=True)):
        return board, ()
    return tuple(after), tuple(events)


def alarm_instants(board: tuple[AlarmState, ...], situation: Situation) -> Iterator[float]:
    """Yield the instants at which time alone can change an alarm."""
    rules = situation.law.alarms
    delays = dict(rules.delays)
    for alarm in board:
        if alarm.pending_since is not None:
            delay = delays[alarm.name]
            yield alarm.pending_since + (delay.clear_s if alarm.standing else delay.raise_s)
    if situation.cooling.pump:
        yield situation.cooling.pump_since + rules.longest_run_s
    if situation.starts:
        yield situation.starts[0] + HOUR_S


def _step(
    alarm: AlarmState, wanted: bool | None, delay: AlarmDelay, now: float, inputs: Inputs
) -> tuple[AlarmState, Event | None]:
    if wanted is None or wanted is alarm.standing:
        settled = alarm.pending_since is None
        return (alarm if settled else replace(alarm, pending_since=None)), None
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


def _condition(alarm: AlarmState, situation: Situation) -> bool | None:
    inputs, rules = situation.inputs, situation.law.alarms
    back = rules.clear_by_mk
    match alarm.name:
        case AlarmName.AIR_HIGH:
            return _above(inputs.air, rules.air_high_mc, back)
        case AlarmName.AIR_LOW:
            return _below(inputs.air, situation.law.limits.low_limit_mc, back)
        case AlarmName.RESERVOIR_WARM:
            return _above(inputs.reservoir, rules.reservoir_warm_mc, back)
        case AlarmName.RESERVOIR_FREEZING:
            return _below(inputs.reservoir, rules.reservoir_freezing_mc, back)
        case AlarmName.PROBE_LOST:
            reading: Reading | None = getattr(inputs, alarm.about)
            return None if reading is None else not isinstance(reading, Seen)
        case _:
            return _condition_of_the_machine(alarm.name, situation)


def _condition_of_the_machine(name: AlarmName, situation: Situation) -> bool | None:
    cooling, inputs, rules = situation.cooling, situation.inputs, situation.law.alarms
    match name:
        case AlarmName.SWAP_DUE:
            return inputs.swap_due
        case AlarmName.FLOW_NOT_PROVED:
            # stays up between the tries and until a run is answered or a person resets
            return cooling.failed_tries > 0
        case AlarmName.LONG_RUN:
            return cooling.pump and situation.now - cooling.pump_since >= rules.longest_run_s
        case AlarmName.FREQUENT_STARTS:
            starts = len(situation.starts)
            return None if starts == rules.starts_per_hour else starts > rules.starts_per_hour
        case AlarmName.OUTPUT_FAILED:
            return inputs.output_fault is not None
        case AlarmName.RECORDS_FAILING:
            return inputs.records_fault is not None
        case other:
            raise AssertionError(f"no condition for the alarm {other}")
