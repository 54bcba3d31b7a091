"""One decision of the control law: pure, from state, inputs and an instant given by the caller."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from controller.core.alarm_board import alarm_instants, board_of, judge_alarms
from controller.core.expectations import expectation_instants, expectations_after
from controller.core.law import Law
from controller.core.memory import SWINGS, Expectations, Recent
from controller.core.phases import regulate
from controller.core.recent import recent_after, recent_instants
from controller.core.rules import timer_instants
from controller.core.state import (
    NOTHING_ASKED,
    AlarmContext,
    AlarmState,
    Cooling,
    Decision,
    Event,
    Inputs,
    State,
)
from controller.core.window import window_of
from controller.domain.alarms import Alarm, AlarmName
from controller.domain.control_phase import Phase, Reason
from controller.domain.events import EventKind

_TRIPS = frozenset(
    {
        Reason.PAUSED,
        Reason.RESERVOIR_WARM,
        Reason.LOW_LIMIT,
        Reason.OUTPUT_FAILED,
        Reason.FLOW_WAIT,
        Reason.LOCKOUT,
        Reason.RESERVOIR_EMPTY,
        Reason.AIR_LOST,
    }
)


def begin(
    now: float,
    *,
    last_stop: float | None = None,
    failed_tries: int = 0,
    locked_since: float | None = None,
    paused_until: float | None = None,
    alarms: Iterable[Alarm] = (),
) -> State:
    """Return the state of a controller that has just started, both outputs off.

    Args:
        now: Monotonic instant [s].
        last_stop: Instant of the pump's last stop on the same clock, where a record proves it.
            Without proof the pump counts as stopped just now, so that a restart can never
            shorten its rest.
        failed_tries: Runs without proved flow before the restart.
        locked_since: Beginning of a lockout that a restart must not end.
        paused_until: End of a pause that a restart must not end.
        alarms: Those that stood, from `standing_alarms`; they stand on until evidence ends them.

    Raises:
        ValueError: *last_stop* or *locked_since* lies in the future.
    """
    for name, at in (("last stop", last_stop), ("lockout", locked_since)):
        if at is not None and at > now:
            raise ValueError(f"the {name} lies {at - now:.1f} s in the future")
    locked = locked_since is not None
    board = board_of(alarms)
    standing = {alarm.name for alarm in board if alarm.standing}
    cooling = Cooling(
        phase=Phase.LOCKOUT if locked else Phase.REST,
        reason=Reason.LOCKOUT if locked else Reason.NO_CALL,
        call=False,
        pump=False,
        fan=False,
        pump_since=now if last_stop is None else last_stop,
        phase_since=now if locked_since is None else locked_since,
        paused_until=paused_until,
        failed_tries=failed_tries,
        flow_suspect=AlarmName.FLOW_NOT_PROVED in standing,
        overran=AlarmName.LONG_RUN in standing,
    )
    misplaced = AlarmName.RESERVOIR_PROBE_MISPLACED in standing
    decision = Decision(False, False, cooling.phase, cooling.reason)
    return State(
        cooling=cooling,
        alarms=board,
        recent=Recent(since=now),
        expectations=Expectations(
            cooling_while_off=AlarmName.COOLING_WHILE_OFF in standing,
            against_nature=SWINGS if misplaced else 0,
        ),
        decision=decision,
    )


def decide(state: State, inputs: Inputs, now: float, law: Law) -> tuple[State, Decision]:
    """Return the state and what shall be on from *now* on.

    The same state, inputs, instant and law always give the same answer, so a recorded run replays
    exactly. Inside the window of the last decision that decision is returned without working it
    out again.

    Args:
        state: From `begin` or the decision before.
        inputs: Judged readings, the band in force, and what people asked for.
        now: Monotonic instant [s], never before the one of the last decision.
        law: Timers, limits and alarm rules.

    Raises:
        ValueError: *now* lies before the pump's last switch: the clock is not monotonic.
    """
    if state.window is not None and state.window.holds(inputs, now, law):
        return state, state.decision
    previous = state.cooling
    if now < previous.pump_since:
        back_s = previous.pump_since - now
        raise ValueError(f"clock went back {back_s:.1f} s; pass a monotonic clock")
    cooling = regulate(previous, inputs, now, law)
    recent = recent_after(state.recent, previous, cooling, inputs, now)
    seen = expectations_after(state.expectations, previous, cooling, inputs, now)
    context = AlarmContext(
        cooling=cooling, recent=recent, expectations=seen, inputs=inputs, now=now, law=law
    )
    alarms, alarm_events = judge_alarms(state.alarms, context, before=state.judged)
    events = (*_changes(previous, cooling), *alarm_events)
    decision, window = state.decision, None
    if (
        cooling.phase is not decision.phase
        or cooling.reason is not decision.reason
        or cooling.pump is not decision.pump
        or cooling.fan is not decision.fan
    ):
        decision = Decision(cooling.pump, cooling.fan, cooling.phase, cooling.reason)
    if inputs.asked is NOTHING_ASKED and _settled(previous, state.expectations, context):
        window = window_of(context, _instants(alarms, context))
    after = State(
        cooling=cooling,
        alarms=alarms,
        recent=recent,
        expectations=seen,
        decision=decision,
        window=window,
        judged=context,
    )
    return after, decision._replace(events=events) if events else decision


def _settled(previous: Cooling, known: Expectations, context: AlarmContext) -> bool:
    """Return whether deciding once more, at the same instant, would change nothing.

    Alarms judged again by the same context stay as they are, and the last hour counts nothing
    twice, so cooling and expectations are all that must be asked.
    """
    cooling, seen, inputs, now = (
        context.cooling,
        context.expectations,
        context.inputs,
        context.now,
    )
    if cooling is not previous and regulate(cooling, inputs, now, context.law) is not cooling:
        return False
    if cooling is previous and seen is known:
        return True
    return expectations_after(seen, cooling, cooling, inputs, now) is seen


def _instants(alarms: tuple[AlarmState, ...], context: AlarmContext) -> Iterator[float]:
    """Yield when time alone can change anything; some may lie in the past."""
    yield from timer_instants(context.cooling, context.inputs, context.law)
    yield from alarm_instants(alarms, context)
    yield from recent_instants(context.recent, context.law)
    yield from expectation_instants(context.expectations, context.cooling)


def _changes(previous: Cooling, cooling: Cooling) -> tuple[Event, ...]:
    if cooling is previous:
        return ()
    events: list[Event] = []
    if cooling.pump is not previous.pump:
        events.append(Event(EventKind.SWITCH, "pump", "on" if cooling.pump else "off"))
    if cooling.fan is not previous.fan:
        events.append(Event(EventKind.SWITCH, "fan", "on" if cooling.fan else "off"))
    if cooling.phase is not previous.phase:
        events.append(Event(EventKind.PHASE, cooling.phase.value, cooling.reason.value))
    if (
        (previous.pump or previous.fan)
        and not (cooling.pump or cooling.fan)
        and cooling.reason in _TRIPS
    ):
        events.append(Event(EventKind.TRIP, cooling.reason.name.lower(), cooling.reason.value))
    return tuple(events)
