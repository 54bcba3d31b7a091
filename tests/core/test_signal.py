"""The lamp or buzzer: for which alarms, and at which moments."""

from __future__ import annotations

from itertools import pairwise

import pytest

from controller.core.alarm_board import CALM_BOARD
from controller.core.signal import (
    LONGEST_PAUSE_S,
    NO_CALL,
    ON_S,
    Call,
    SignalPattern,
    call_of,
    is_sounding,
)
from controller.core.state import AlarmState
from controller.domain.alarms import AlarmName

NAMES = frozenset({AlarmName.AIR_HIGH, AlarmName.AIR_LOW})
HIGH, LOW = AlarmName.AIR_HIGH, AlarmName.AIR_LOW
RARER, STEADY = SignalPattern.RARER, SignalPattern.STEADY


def board(*standing: AlarmName, acknowledged: bool = False) -> tuple[AlarmState, ...]:
    return tuple(
        each._replace(standing=True, acknowledged=acknowledged) if each.name in standing else each
        for each in CALM_BOARD
    )


def sounding_at(call: Call, until_s: float, pattern: SignalPattern = RARER) -> list[int]:
    """Return the whole minutes at which it is on."""
    return [
        m for m in range(round(until_s / 60)) if is_sounding(call, call.since + 60 * m, pattern)
    ]


@pytest.mark.parametrize(
    ("alarms", "calls"),
    [
        (board(HIGH), True),
        (board(HIGH, acknowledged=True), False),
        (board(AlarmName.LONG_RUN), False),
        (board(), False),
    ],
    ids=["active", "acknowledged", "not-for-it", "calm"],
)
def test_it_calls_for_chosen_alarms_that_nobody_has_seen(
    alarms: tuple[AlarmState, ...], calls: bool
) -> None:
    """Whatever the pattern: at once."""
    call = call_of(NO_CALL, alarms, NAMES, 100.0)

    assert is_sounding(call, 100.0, STEADY) is calls
    assert is_sounding(call, 100.0, RARER) is calls


def test_a_buzzer_grows_rarer_and_never_falls_silent() -> None:
    """A minute on, then pauses of 1, 2, 4, 8, 16 and 30 minutes, and of 30 for ever."""
    call = call_of(NO_CALL, board(HIGH), NAMES, 500.0)

    assert sounding_at(call, 8 * 3600)[:9] == [0, 2, 5, 10, 19, 36, 67, 98, 129]
    week = [minute for minute in sounding_at(call, 7 * 86_400) if minute >= 36]
    gaps = {after - before for before, after in pairwise(week)}
    assert gaps == {round((ON_S + LONGEST_PAUSE_S) / 60)}


def test_a_lamp_is_on_all_the_time() -> None:
    """As it was before there was a choice."""
    call = call_of(NO_CALL, board(HIGH), NAMES, 500.0)

    assert len(sounding_at(call, 3600, STEADY)) == 60


def test_another_alarm_begins_the_pattern_anew_and_the_end_of_one_does_not() -> None:
    """What is new is heard at once; what is over makes no noise."""
    first = call_of(NO_CALL, board(HIGH), NAMES, 0.0)
    same = call_of(first, board(HIGH), NAMES, 1000.0)
    both = call_of(same, board(HIGH, LOW), NAMES, 1000.0)
    one = call_of(both, board(HIGH), NAMES, 2000.0)

    assert [call.since for call in (first, same, both, one)] == [0.0, 0.0, 1000.0, 1000.0]
    assert same is first
    assert call_of(one, board(), NAMES, 2000.0).alarms == frozenset()


def test_no_tick_passes_over_it() -> None:
    """Looked at once a minute, the longest tick there is, at any phase: every turn is met."""
    call = call_of(NO_CALL, board(HIGH), NAMES, 0.0)

    for phase_s in range(60):
        met = [t for t in range(phase_s, 4 * 3600, 60) if is_sounding(call, t, RARER)]
        assert len(met) == 12
