"""Rule 12: how fast this chamber's air warms while the pump rests, learned and then expected of it.

A pump that runs on unseen, or water that moves by itself, takes a part of the heat for itself: the
air still warms, but more slowly than it did before. How fast it should warm is a straight line
through this chamber's own rests, against how much warmer the room is; older rests count less. A
room near the temperature at which a damp, ventilated chamber comes to rest by itself shows nothing
and is not judged, nor is one that is cooler than any the line was learned in.

The limits were chosen on rehearsed plants (`tests.benchmarks.expectations`): no block of a sound
one warmed at less than half its expected speed; a fifth of the fan's cooling left makes it less.
"""

from __future__ import annotations

from controller.core.memory import Block, Warming, WarmingLine
from controller.core.state import Cooling, Inputs
from controller.domain.temperatures import Seen

BLOCK_K_H = 3.0
"""So much excess of the room over the air, times time, is judged at once [K·h]: a third of an hour
in a room nine kelvin warmer. The probe's step of 1/16 K is nothing beside the rise in that time."""
LEAST_EXCESS_K = 2.0
"""A room less warm than this shows nothing [K]."""
LEARNED_BLOCKS = 8
"""The line is not trusted before so many blocks."""
FORGETTING = 1.0 - 1.0 / 40.0
"""What a block counts when the next one is there: some days are remembered, a season is not."""
TOWARDS_ORIGIN_K2 = 1.0
"""Weight of a line through the origin, where the room has hardly varied yet [K²]."""
LEAST_SPEED_K_H = 1.5
"""Air expected to warm more slowly than this is near its own balance, and is not judged [K/h]."""
SLOW_SHARE = 0.5
"""A block that warms at less than this share of the expected speed is slow,"""
SLOW_BLOCKS = 3
"""and so many in a row are no chance."""
SOUND_SHARE = 0.7
"""At this share or above the air warms as expected,"""
SOUND_BLOCKS = 2
"""and so many in a row end an alarm."""
_MK_S = BLOCK_K_H * 1000.0 * 3600.0
_NO_BLOCK = Block()


def warming_after(
    warming: Warming,
    previous: Cooling,
    cooling: Cooling,
    inputs: Inputs,
    now: float,
    *,
    learn: bool,
) -> Warming:
    """Return what is known of the air's warming after a decision; the same object if no more.

    Args:
        warming: What was known.
        previous: Where the cooling stood; its last mark of the air begins a piece of the rest.
        cooling: Where it stands from now on: a new mark, or the pump's start, ends that piece.
        inputs: Readings at *now*.
        now: Monotonic instant [s].
        learn: Whether what is seen is how the chamber should be; not while an alarm says no.
    """
    if cooling.trend is previous.trend or not previous.trend:
        return warming
    air, room, mark = inputs.air, inputs.room, previous.trend[-1]
    ended = (cooling.trend and cooling.trend[-1].at == now) or (cooling.pump and not previous.pump)
    if not (ended and isinstance(air, Seen) and isinstance(room, Seen)):
        return warming
    excess_mk, lasted_s = room.value_mc - (air.value_mc + mark.air_mc) / 2, now - mark.at
    if excess_mk < LEAST_EXCESS_K * 1000.0 or lasted_s <= 0.0:
        return warming
    block = Block(
        warming.block.excess_mk_s + excess_mk * lasted_s,
        warming.block.lasted_s + lasted_s,
        warming.block.risen_mk + air.value_mc - mark.air_mc,
    )
    if block.excess_mk_s < _MK_S:
        return warming._replace(block=block)
    return _judged(warming._replace(block=_NO_BLOCK), block, learn=learn)


def _judged(warming: Warming, block: Block, *, learn: bool) -> Warming:
    """Hold a whole block against the line, then let the line learn from it."""
    excess_k = block.excess_mk_s / block.lasted_s / 1000.0
    speed_k_h = block.risen_mk / 1000.0 / (block.lasted_s / 3600.0)
    expected_k_h = expected_speed_k_h(warming.line, excess_k)
    if expected_k_h is not None:
        slow = speed_k_h < SLOW_SHARE * expected_k_h
        sound = speed_k_h >= SOUND_SHARE * expected_k_h
        warming = warming._replace(
            slow=min(warming.slow + 1, SLOW_BLOCKS) if slow else 0,
            sound=min(warming.sound + 1, SOUND_BLOCKS) if sound else 0,
        )
    if not learn:
        return warming
    line = warming.line
    return warming._replace(
        line=WarmingLine(
            FORGETTING * line.weight + 1.0,
            FORGETTING * line.excess + excess_k,
            FORGETTING * line.speed + speed_k_h,
            FORGETTING * line.excess_squared + excess_k * excess_k,
            FORGETTING * line.excess_speed + excess_k * speed_k_h,
            min(line.blocks + 1, LEARNED_BLOCKS),
            min(line.least_excess_k, excess_k),
        ),
    )


def expected_speed_k_h(line: WarmingLine, excess_k: float) -> float | None:
    """Return how fast the air should warm [K/h]; None where that is not known, or too little.

    Args:
        line: What was learned.
        excess_k: How much warmer the room is than the air [K].
    """
    if line.blocks < LEARNED_BLOCKS or excess_k < line.least_excess_k:
        return None
    mean_k, mean_k_h = line.excess / line.weight, line.speed / line.weight
    through_origin = mean_k_h / mean_k
    spread = line.excess_squared / line.weight - mean_k * mean_k
    common = line.excess_speed / line.weight - mean_k * mean_k_h
    slope = (common + TOWARDS_ORIGIN_K2 * through_origin) / (spread + TOWARDS_ORIGIN_K2)
    speed_k_h = mean_k_h + slope * (excess_k - mean_k)
    if excess_k < mean_k:
        speed_k_h = min(speed_k_h, through_origin * excess_k)
    return speed_k_h if speed_k_h >= LEAST_SPEED_K_H else None
