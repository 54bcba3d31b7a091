"""How long, and within which readings, a decision stands.

A decision is settled when deciding once more from the same inputs changes nothing. From then on it
stands until an instant and within a box of readings: air, reservoir, room and coil outlet each
between two bounds, all of them together. Whoever calls the law need not ask it while every reading
stays inside, and a rehearsal need not even work such readings out.

The box is drawn from the thresholds that the law compares with. It may be smaller than it could
be, never larger; a property test holds it.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from math import floor, inf

from controller.core.conditions import EXCHANGED_BY_MK, EXCHANGED_NO_MORE_MK
from controller.core.expectations import (
    AIR_DROP_MK,
    RISE_MK,
)
from controller.core.flow import answer_mc
from controller.core.law import Band, Law
from controller.core.rules import started_early
from controller.core.state import AlarmContext, Cooling, DecisionWindow, Inputs, ReadingBounds
from controller.domain.temperatures import Reading, Seen

_SLACK_S = 1e-6
"""Look again this much before a timer ends: ``since + limit`` and ``now - since`` round apart."""
_WATER_SHARE = 4
"""Where two readings share the way to a threshold between them, the air has all but one part in so
many: the reservoir is the slower of the two."""


class Bounds:
    """Bounds of one reading, narrowed threshold by threshold around what was decided from."""

    __slots__ = ("highest", "lowest", "value")

    def __init__(self, value: int) -> None:
        """Begin with everything allowed.

        Args:
            value: The reading [m°C].
        """
        self.value = value
        self.lowest: float = -inf
        self.highest: float = inf

    def between_edges(self, edges: tuple[int, ...]) -> None:
        """Keep the reading between two neighbours of many thresholds, each met at or above itself.

        Args:
            edges: The thresholds, rising [m°C].
        """
        above = bisect_right(edges, self.value)
        if above:
            self.at_least(edges[above - 1])
        if above < len(edges):
            self.at_most(edges[above] - 1)

    def threshold(self, at_mc: int) -> None:
        """Keep the reading on its side of a threshold that is met at or above *at_mc*."""
        if self.value >= at_mc:
            self.at_least(at_mc)
        else:
            self.at_most(at_mc - 1)

    def at_or_below(self, at_mc: int) -> None:
        """Keep the reading on its side of a threshold that is met at or below *at_mc*."""
        self.threshold(at_mc + 1)

    # comparisons and not min() and max(): these run at every decision of a rehearsal
    def at_most(self, value_mc: float) -> None:
        """Let the reading, which is that or less, be no more."""
        if value_mc < self.highest:  # noqa: PLR1730
            self.highest = value_mc

    def at_least(self, value_mc: float) -> None:
        """Let the reading, which is that or more, be no less."""
        if value_mc > self.lowest:  # noqa: PLR1730
            self.lowest = value_mc

    def pin(self) -> None:
        """Let the reading not move: whatever comes next is decided anew."""
        self.at_least(self.value)
        self.at_most(self.value)

    def done(self) -> ReadingBounds:
        """Return the bounds."""
        return ReadingBounds(self.lowest, self.highest)


class _Box:
    """The bounds of all readings; None for one that is lost or not fitted."""

    __slots__ = ("air", "coil_outlet", "reservoir", "room")

    def __init__(self, inputs: Inputs) -> None:
        """Begin with everything allowed.

        Args:
            inputs: What was decided from.
        """
        self.air = _around(inputs.air)
        self.reservoir = _around(inputs.reservoir)
        self.room = _around(inputs.room)
        self.coil_outlet = _around(inputs.coil_outlet)


def _around(reading: Reading | None) -> Bounds | None:
    return Bounds(reading.value_mc) if isinstance(reading, Seen) else None


def keep_apart(warm: Bounds | None, cold: Bounds | None, by_mk: int) -> None:
    """Keep two readings on their side of *warm* being warmer than *cold* by at least *by_mk*.

    To be called after all thresholds: it shares out what these have left.
    """
    if warm is None or cold is None:
        return
    upper, lower = warm.value, cold.value
    left = upper - lower - by_mk
    if left >= 0:
        want = max(lower + left // _WATER_SHARE, warm.lowest - by_mk)
        cold.at_most(lower if lower > want else want)  # noqa: FURB136
        warm.at_least(cold.highest + by_mk)
    else:
        short = -left - 1
        want = min(lower - short // _WATER_SHARE, warm.highest - by_mk + 1)
        cold.at_least(lower if lower < want else want)  # noqa: FURB136
        warm.at_most(cold.lowest + by_mk - 1)


def window_of(context: AlarmContext, instants: Iterator[float]) -> DecisionWindow | None:
    """Return until when and within which readings a settled decision stands.

    None where a timer is about to end: it stands for no time at all.

    Args:
        context: What was decided, and from what; nothing may be asked in its inputs.
        instants: When time alone can change something; some may lie in the past.
    """
    cooling, inputs, now, law = (context.cooling, context.inputs, context.now, context.law)
    earliest = now - _SLACK_S
    until = inf
    for at in instants:
        if earliest < at < until:
            until = at
    until -= _SLACK_S
    if until <= now:
        return None
    box = _Box(inputs)
    if box.air is not None:
        _of_the_call(box.air, cooling, started_early(inputs.band, cooling, law))
        box.air.between_edges(law.air_edges_mc)
    if box.reservoir is not None:
        box.reservoir.between_edges(law.reservoir_edges_mc)
    _of_the_reservoir(box, cooling, inputs, law)
    if cooling.pump and cooling.fan:
        _of_the_flow(box, cooling, inputs, now, law)
    _of_the_expectations(box, context)
    return DecisionWindow(
        law=law,
        inputs=inputs,
        until=until,
        air=box.air.done() if box.air else None,
        reservoir=box.reservoir.done() if box.reservoir else None,
        room=box.room.done() if box.room else None,
        coil_outlet=box.coil_outlet.done() if box.coil_outlet else None,
    )


def _of_the_call(air: Bounds, cooling: Cooling, band: Band) -> None:
    if cooling.call:
        air.at_or_below(band.cut_out_mc)
    else:
        air.threshold(band.cut_in_mc)


def _of_the_reservoir(box: _Box, cooling: Cooling, inputs: Inputs, law: Law) -> None:
    """Keep on its side what rule 5 compares, where a start or a run depends on it."""
    margin_mk = law.limits.reservoir_margin_mk
    if box.air is not None:
        if cooling.pump or cooling.call:
            keep_apart(box.air, box.reservoir, margin_mk)
    elif box.reservoir is not None:
        box.reservoir.at_or_below(inputs.band.cut_out_mc - margin_mk)


def _of_the_flow(box: _Box, cooling: Cooling, inputs: Inputs, now: float, law: Law) -> None:
    """Keep on its side what rule 7 compares: the answer, what is expected, and what is doubt."""
    rule, flow, air = law.flow, cooling.flow, box.air
    if air is None:
        return
    watched = box.coil_outlet is not None
    if flow.proved_mc is not None and not watched:
        air.threshold(flow.proved_mc + rule.doubt_rise_mk)
        if air.value >= flow.proved_mc + rule.doubt_rise_mk:
            keep_apart(air, box.reservoir, rule.colder_by_mk)
        return
    if flow.air_peak_mc is not None:
        air.threshold(flow.air_peak_mc + 1)
        air.at_or_below(floor(answer_mc(flow.air_peak_mc, cooling, inputs, now, rule)))
        room = box.room
        if room is not None and flow.room_mc is not None and room.value < flow.room_mc:
            room.at_most(room.value)  # a warmer room explains less
    if watched:
        keep_apart(air, box.coil_outlet, rule.outlet_drop_mk)
    keep_apart(air, box.reservoir, rule.colder_by_mk)


def _of_the_expectations(box: _Box, context: AlarmContext) -> None:
    """Keep on its side what rule 12 compares."""
    air = box.air
    keep_apart(box.reservoir, air, EXCHANGED_BY_MK)
    keep_apart(box.reservoir, air, EXCHANGED_NO_MORE_MK + 1)
    seen = context.expectations
    settled = seen.settled
    if context.cooling.pump or settled is None or air is None:
        return
    if seen.cooling_while_off:
        air.threshold(settled.air_mc + RISE_MK)
        return
    fallen_mc = settled.air_mc - AIR_DROP_MK
    air.at_or_below(fallen_mc)
    if air.value <= fallen_mc:
        # room and water may explain the fall; what they have to be hangs on all three
        for bounds in (air, box.reservoir, box.room, box.coil_outlet):
            if bounds is not None:
                bounds.pin()
