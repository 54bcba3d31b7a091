"""When the lamp or buzzer is on: for what, since when, and for a buzzer ever more rarely.

A buzzer that never stops is unplugged, and then calls for nothing. So it may grow rarer: a minute
at first, then a minute again after pauses that double from one minute to half an hour. It never
falls silent by itself while an alarm is active that nobody has acknowledged.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum

from controller.core.state import AlarmState
from controller.domain.alarms import AlarmName

ON_S = 60.0
"""How long it is on at a time [s]: no tick of the loop is longer, so none passes over it."""
FIRST_PAUSE_S, LONGEST_PAUSE_S = 60.0, 1800.0


class SignalPattern(Enum):
    """How a signal is on while an alarm calls for it."""

    STEADY = "steady"
    """All the time, as a lamp."""
    RARER = "rarer"
    """At growing intervals, as a buzzer that people live with."""


@dataclass(frozen=True, slots=True)
class Call:
    """The alarms that a signal calls for, and since when."""

    alarms: frozenset[tuple[AlarmName, str]] = frozenset()
    """Name and probe or load of each."""
    since: float = 0.0
    """When the newest of them came [monotonic s]."""


NO_CALL = Call()


def call_of(
    before: Call, alarms: tuple[AlarmState, ...], names: frozenset[AlarmName], now: float
) -> Call:
    """Return what a signal calls for: active alarms that nobody has acknowledged.

    Args:
        before: What it called for until now; another alarm begins the pattern anew.
        alarms: All alarms.
        names: Those that it is for.
        now: Monotonic time [s].
    """
    wanted = frozenset(
        (alarm.name, alarm.about)
        for alarm in alarms
        if alarm.standing and not alarm.acknowledged and alarm.name in names
    )
    if wanted == before.alarms:
        return before
    return Call(wanted, now) if wanted - before.alarms else replace(before, alarms=wanted)


def is_sounding(call: Call, now: float, pattern: SignalPattern) -> bool:
    """Return whether the signal is on.

    Args:
        call: What it calls for.
        now: Monotonic time [s].
        pattern: How it is on.
    """
    if not call.alarms or pattern is SignalPattern.STEADY:
        return bool(call.alarms)
    left_s, pause_s = now - call.since, FIRST_PAUSE_S
    while left_s >= ON_S + pause_s:
        if pause_s >= LONGEST_PAUSE_S:
            left_s %= ON_S + LONGEST_PAUSE_S
            break
        left_s -= ON_S + pause_s
        pause_s = min(2.0 * pause_s, LONGEST_PAUSE_S)
    return left_s < ON_S
