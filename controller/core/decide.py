"""One decision of the control law: pure, from state, inputs and an instant given by the caller."""

from __future__ import annotations

from controller.core.alarms import CALM_BOARD, HOUR_S, Situation, alarm_instants, judge_alarms
from controller.core.law import Law
from controller.core.phases import regulate
from controller.core.state import (
    NOTHING_ASKED,
    AlarmState,
    Cooling,
    Decision,
    Event,
    EventKind,
    Inputs,
    Phase,
    Reason,
    State,
)
from controller.core.timers import timer_instants

_SLACK_S = 1e-6
"""Look again this much before a timer ends: ``since + limit`` and ``now - since`` round apart."""

_TRIPS = frozenset(
    {
        Reason.PAUSED,
        Reason.RESERVOIR_WARM,
        Reason.LOW_LIMIT,
        Reason.OUTPUT_FAILED,
        Reason.FLOW_WAIT,
        Reason.LOCKOUT,
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

    Raises:
        ValueError: *last_stop* or *locked_since* lies in the future.
    """
    for name, at in (("last stop", last_stop), ("lockout", locked_since)):
        if at is not None and at > now:
            raise ValueError(f"the {name} lies {at - now:.1f} s in the future")
    locked = locked_since is not None
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
    )
    decision = Decision(False, False, cooling.phase, cooling.reason)
    return State(cooling=cooling, alarms=CALM_BOARD, starts=(), decision=decision)


def decide(state: State, inputs: Inputs, now: float, law: Law) -> tuple[State, Decision]:
    """Return the state and what shall be on from *now* on.

    The same state, inputs, instant and law always give the same answer, so a recorded run replays
    exactly. While the caller passes the very same inputs object and no timer has come due, the last
    decision is returned without working it out again.

    Args:
        state: From `begin` or the decision before.
        inputs: Judged readings, the band in force, and what people asked for.
        now: Monotonic instant [s], never before the one of the last decision.
        law: Timers, limits and alarm rules.

    Raises:
        ValueError: *now* lies before the pump's last switch: the clock is not monotonic.
    """
    if (
        now < state.quiet_until
        and state.decided_from is not None
        and state.decided_from[0] is inputs
        and state.decided_from[1] is law
    ):
        return state, state.decision
    was = state.cooling
    if now < was.pump_since:
        raise ValueError(f"clock went back {was.pump_since - now:.1f} s; pass a monotonic clock")
    cooling = regulate(was, inputs, now, law)
    starts = _starts_of_the_last_hour(state.starts, was, cooling, now)
    situation = Situation(cooling=cooling, starts=starts, inputs=inputs, now=now, law=law)
    alarms, alarm_events = judge_alarms(state.alarms, situation)
    events = (*_changes(was, cooling), *alarm_events)
    settled = (
        not events
        and cooling is was
        and alarms is state.alarms
        and starts is state.starts
        and inputs.asked is NOTHING_ASKED
    )
    if settled:
        decision = state.decision
        # the instants depend on nothing that this decision has changed, the law aside
        quiet_until = state.quiet_until
        before = state.decided_from
        if quiet_until <= now or before is None or before[1] is not law:
            quiet_until = _quiet_until(alarms, situation)
    else:
        decision = Decision(cooling.pump, cooling.fan, cooling.phase, cooling.reason)
        quiet_until = float("-inf")
    after = State(
        cooling=cooling,
        alarms=alarms,
        starts=starts,
        decision=decision,
        decided_from=(inputs, law),
        quiet_until=quiet_until,
    )
    if not events:
        return after, decision
    return after, Decision(cooling.pump, cooling.fan, cooling.phase, cooling.reason, events)


def _quiet_until(alarms: tuple[AlarmState, ...], situation: Situation) -> float:
    """Return the instant before which nothing but a new reading or wish can change anything."""
    earliest = situation.now - _SLACK_S
    instants = (
        *timer_instants(situation.cooling, situation.law),
        *alarm_instants(alarms, situation),
    )
    return min((at for at in instants if at > earliest), default=float("inf")) - _SLACK_S


def _starts_of_the_last_hour(
    starts: tuple[float, ...], was: Cooling, cooling: Cooling, now: float
) -> tuple[float, ...]:
    if cooling.pump and not was.pump:
        starts = (*starts, now)
    if starts and now - starts[0] >= HOUR_S:
        return tuple(at for at in starts if now - at < HOUR_S)
    return starts


def _changes(was: Cooling, cooling: Cooling) -> tuple[Event, ...]:
    if cooling is was:
        return ()
    events: list[Event] = []
    if cooling.pump is not was.pump:
        events.append(Event(EventKind.SWITCH, "pump", "on" if cooling.pump else "off"))
    if cooling.fan is not was.fan:
        events.append(Event(EventKind.SWITCH, "fan", "on" if cooling.fan else "off"))
    if cooling.phase is not was.phase:
        events.append(Event(EventKind.PHASE, cooling.phase.value, cooling.reason.value))
    if (was.pump or was.fan) and not (cooling.pump or cooling.fan) and cooling.reason in _TRIPS:
        events.append(Event(EventKind.TRIP, cooling.reason.name.lower(), cooling.reason.value))
    return tuple(events)
