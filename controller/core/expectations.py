"""Rule 12: what the plant must do after a command. What does not agree becomes an alarm only.

Cooling while off: the pump is off and the air goes on falling though the room does not explain it,
or warms far more slowly than this chamber's air does (`warming`). A relay stays closed, or water
moves by itself. Probe out of place: run after run the reservoir gets
colder while the pump runs and warmer while it rests, the wrong way round for water with ice in it.
Probes exchanged is a plain comparison of two readings and stands among the alarms.

The limits were chosen on rehearsed plants; `tests.benchmarks.expectations` prints how soon faults
are noticed by them and how often a sound plant is blamed.
"""

from __future__ import annotations

from collections.abc import Iterator

from controller.core.memory import SWINGS, Expectations, Settled
from controller.core.state import Cooling, Inputs
from controller.core.warming import (
    LEARNED_BLOCKS,
    SLOW_BLOCKS,
    SOUND_BLOCKS,
    expected_speed_k_h,
    warming_after,
)
from controller.domain.alarms import AlarmName
from controller.domain.temperatures import Seen

SETTLED_S = 900.0
"""The cold coil, the fan's run-on and the probe's lag are over so long after a stop [s]."""
AIR_DROP_MK = 1000
"""A fall from there that a resting plant does not show."""
RISE_MK = 250
"""A rise from there that a plant which goes on cooling does not show."""
ROOM_WARMER_MK = 2000
"""A room this much warmer cannot have cooled the air."""
WATER_COLDER_MK = 2000
"""Only a reservoir this much colder can have cooled it."""
WATER_WARMED_MK = 250
"""Without a room probe the reservoir must have taken up the heat,"""
WITHIN_S = 7200.0
"""and soon: later a cold night may have done it. With one the fall is counted anew so often [s]."""
SWING_MK = 500
"""How far the reservoir must move against its nature, in a run and in the rest after it."""


def expectations_after(
    seen: Expectations, previous: Cooling, cooling: Cooling, inputs: Inputs, now: float
) -> Expectations:
    """Return what is known of the plant's answers after a decision; the same object if no more."""
    acknowledged = inputs.asked.acknowledge
    if AlarmName.COOLING_WHILE_OFF in acknowledged:
        warming = seen.warming._replace(slow=0, sound=0)
        seen = seen._replace(cooling_while_off=False, settled=None, warming=warming)
    if AlarmName.RESERVOIR_PROBE_MISPLACED in acknowledged:
        seen = seen._replace(against_nature=0)
    seen = _warmed(seen, previous, cooling, inputs, now)
    if cooling.pump is not previous.pump:
        return _switched(seen, inputs, started=cooling.pump)
    air, water, room = inputs.air, inputs.reservoir, inputs.room
    if cooling.pump or not (isinstance(air, Seen) and isinstance(water, Seen)):
        return seen
    settled, room_mc = seen.settled, room.value_mc if isinstance(room, Seen) else None
    if settled is None:
        if now - cooling.pump_since < SETTLED_S:
            return seen
        return seen._replace(settled=Settled(now, air.value_mc, water.value_mc, room_mc))
    if seen.cooling_while_off:
        # a room probe that is lost for a while leaves the judgement to the warming, which waits
        learned = seen.warming.line.blocks >= LEARNED_BLOCKS and room is not None
        risen = not learned and air.value_mc >= settled.air_mc + RISE_MK
        return seen._replace(cooling_while_off=False) if risen else seen
    if room_mc is not None and now - settled.at >= WITHIN_S:
        return seen._replace(settled=Settled(now, air.value_mc, water.value_mc, room_mc))
    cools = _cools_by_itself(seen, settled, inputs, now)
    if not cools:
        return seen
    return seen._replace(cooling_while_off=True, warming=seen.warming._replace(sound=0))


def _warmed(
    seen: Expectations, previous: Cooling, cooling: Cooling, inputs: Inputs, now: float
) -> Expectations:
    """Take in a piece of a rest: what is learned, and what slow or sound blocks say."""
    standing = seen.cooling_while_off
    warming = warming_after(seen.warming, previous, cooling, inputs, now, learn=not standing)
    if warming is seen.warming:
        return seen
    if standing and warming.sound >= SOUND_BLOCKS:
        return seen._replace(cooling_while_off=False, warming=warming._replace(slow=0))
    slow = warming.slow >= SLOW_BLOCKS
    return seen._replace(cooling_while_off=standing or slow, warming=warming)


def _cools_by_itself(seen: Expectations, settled: Settled, inputs: Inputs, now: float) -> bool:
    """Return whether the air has fallen as only cold water can have made it."""
    air, water, room = inputs.air, inputs.reservoir, inputs.room
    if not (isinstance(air, Seen) and isinstance(water, Seen)):
        return False
    air_mc, water_mc = air.value_mc, water.value_mc
    if air_mc > settled.air_mc - AIR_DROP_MK or air_mc - water_mc < WATER_COLDER_MK:
        return False
    if not isinstance(room, Seen):
        warmed = water_mc >= settled.water_mc + WATER_WARMED_MK
        return warmed and now - settled.at < WITHIN_S
    room_mc = room.value_mc
    if room_mc - air_mc < ROOM_WARMER_MK:
        return False
    if settled.room_mc is not None:
        if settled.room_mc - settled.air_mc < ROOM_WARMER_MK:
            return False  # it has come to its balance with a room that only now is warmer
        if air_mc > settled.air_mc - AIR_DROP_MK - max(0, settled.room_mc - room_mc):
            return False  # the room fell too
    if seen.warming.line.blocks < LEARNED_BLOCKS:
        return True
    return expected_speed_k_h(seen.warming.line, (room_mc - air_mc) / 1000.0) is not None


def _switched(seen: Expectations, inputs: Inputs, *, started: bool) -> Expectations:
    water = inputs.reservoir
    if not isinstance(water, Seen):
        return seen._replace(settled=None, water_mc=None, run_change_mk=None)
    change_mk = None if seen.water_mc is None else water.value_mc - seen.water_mc
    if not started:
        return seen._replace(settled=None, water_mc=water.value_mc, run_change_mk=change_mk)
    against = seen.against_nature
    if change_mk is not None and seen.run_change_mk is not None:
        wrong = seen.run_change_mk <= -SWING_MK and change_mk >= SWING_MK
        against = min(against + 1, SWINGS) if wrong else 0
    return seen._replace(settled=None, water_mc=water.value_mc, against_nature=against)


def expectation_instants(seen: Expectations, cooling: Cooling) -> Iterator[float]:
    """Yield when time alone can change what is known; some may lie in the past."""
    if seen.settled is not None:
        yield seen.settled.at + WITHIN_S
    elif not cooling.pump:
        yield cooling.pump_since + SETTLED_S
