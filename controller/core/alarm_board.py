"""Rule 9: alarms, each raised once after its delay and cleared on its own side.

A delay runs while its side lasts; between the thresholds it starts anew, and while nothing is known
it stands still. An alarm ends by evidence: measured back, acknowledged where nothing can be
measured, or unknown where what it was about is not fitted any more. Silence ends none.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from controller.core.conditions import (
    CONDITIONS,
    ENDED_BY_ACKNOWLEDGING,
    Side,
    changes_since,
    rows_reading,
)
from controller.core.state import AlarmContext, AlarmState, Event, Evidence, State
from controller.core.stopwatch import RESET
from controller.domain.alarms import Alarm, AlarmName
from controller.domain.events import EventKind

CALM_BOARD = tuple(AlarmState(name=each.name, about=each.about) for each in CONDITIONS)
"""Every alarm there is, none standing and no delay running."""


def board_of(kept: Iterable[Alarm]) -> tuple[AlarmState, ...]:
    """Return the alarms at a start, with those standing that stood before it.

    Args:
        kept: What `standing_alarms` gave; names that this release does not know are left out.
    """
    by_key = {(alarm.name, alarm.about): alarm for alarm in kept}

    def restored(alarm: AlarmState) -> AlarmState:
        before = by_key.get((alarm.name.value, alarm.about))
        if before is None:
            return alarm
        return alarm._replace(standing=True, acknowledged=before.acknowledged)

    return tuple(map(restored, CALM_BOARD)) if by_key else CALM_BOARD


def standing_alarms(state: State) -> tuple[Alarm, ...]:
    """Return the alarms that stand: what a restart must not end."""
    return tuple(
        Alarm(name=alarm.name.value, about=alarm.about, acknowledged=alarm.acknowledged)
        for alarm in state.alarms
        if alarm.standing
    )


def judge_alarms(
    board: tuple[AlarmState, ...], context: AlarmContext, *, before: AlarmContext | None = None
) -> tuple[tuple[AlarmState, ...], tuple[Event, ...]]:
    """Return the alarms as they stand from now on, and what changed.

    Args:
        board: The alarms as they stood, `CALM_BOARD` at the start.
        context: What they are judged by.
        before: What the board was judged by: an alarm for which nothing has changed since, and
            whose delay does not run, stays as it is. None: each is judged.
    """
    acknowledged = context.inputs.asked.acknowledge
    after: list[AlarmState] | None = None
    events: list[Event] = []
    for at in _to_be_judged(board, context, before):
        alarm = board[at]
        side = CONDITIONS[at].side(context)
        asks = side is (Side.CLEAR if alarm.standing else Side.RAISE)
        no_longer_fitted = side is Side.NOT_FITTED and alarm.standing
        if alarm.pending is RESET and not (asks or no_longer_fitted or acknowledged):
            continue  # no timer runs and nothing starts one
        step = _step(alarm, side, context)
        if step.event is not None:
            events.append(step.event)
        one = step.alarm
        if one.standing and not one.acknowledged and alarm.name in acknowledged:
            one = one._replace(acknowledged=True)
            events.append(Event(EventKind.ACKNOWLEDGED, alarm.name.value, alarm.about))
        if one != alarm:
            after = after or list(board)
            after[at] = one
    if after is None:
        return board, tuple(events)
    changed = tuple(after)
    return (CALM_BOARD if changed == CALM_BOARD else changed), tuple(events)


_ALL = tuple(range(len(CONDITIONS)))


def _to_be_judged(
    board: tuple[AlarmState, ...], context: AlarmContext, before: AlarmContext | None
) -> Sequence[int]:
    """Return the rows that may change, in their order."""
    if before is None or before.law is not context.law or context.inputs.asked.acknowledge:
        return _ALL
    rows = rows_reading(changes_since(before, context))
    if board is CALM_BOARD:
        return rows
    timed = [at for at, alarm in enumerate(board) if alarm.pending is not RESET]
    return sorted({*rows, *timed}) if timed else rows


@dataclass(frozen=True, slots=True)
class _AlarmChange:
    alarm: AlarmState
    event: Event | None = None


def _step(alarm: AlarmState, side: Side, context: AlarmContext) -> _AlarmChange:
    """Return an alarm after one decision."""
    now, inputs, name = context.now, context.inputs, alarm.name
    if side is Side.NOT_FITTED:
        if alarm.standing:
            return _ended(alarm, Evidence.UNKNOWN)
        return _AlarmChange(
            alarm._replace(pending=RESET)
        )  # what is fitted later has its whole delay
    asks = side is (Side.CLEAR if alarm.standing else Side.RAISE)
    seen_to = alarm.acknowledged or name in inputs.asked.acknowledge
    if asks and alarm.standing and seen_to and name in ENDED_BY_ACKNOWLEDGING:
        return _ended(alarm, Evidence.ACKNOWLEDGED)
    pending = alarm.pending.timed(None if side is Side.UNKNOWN else asks, now)
    delay = context.law.alarms.delay_of(name)
    if not asks or pending.elapsed_s(now) < (delay.clear_s if alarm.standing else delay.raise_s):
        return _AlarmChange(alarm if pending == alarm.pending else alarm._replace(pending=pending))
    if alarm.standing:
        return _ended(alarm, Evidence.MEASURED)
    raised = alarm._replace(standing=True, acknowledged=False, pending=RESET)
    about = alarm.about
    if name is AlarmName.OUTPUT_FAILED and inputs.output_fault:
        about = inputs.output_fault
    return _AlarmChange(raised, Event(EventKind.RAISED, name.value, about))


def _ended(alarm: AlarmState, evidence: Evidence) -> _AlarmChange:
    return _AlarmChange(
        alarm._replace(standing=False, acknowledged=False, pending=RESET),
        Event(EventKind.CLEARED, alarm.name.value, alarm.about, evidence),
    )


def alarm_instants(board: tuple[AlarmState, ...], context: AlarmContext) -> Iterator[float]:
    """Yield the instants at which time alone can change an alarm."""
    if board is CALM_BOARD:
        return  # no delay runs
    for alarm in board:
        if alarm.pending.since is not None:
            delay = context.law.alarms.delay_of(alarm.name)
            ends = alarm.pending.reaches(delay.clear_s if alarm.standing else delay.raise_s)
            if ends is not None:
                yield ends
