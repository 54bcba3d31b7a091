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


class Box:
    """Bounds that are narrowed threshold by threshold around the readings of one decision."""

    def __init__(self, inputs: Inputs) -> None:
        """Begin with everything allowed.

        Args:
            inputs: What was decided from.
        """
        self._values: dict[str, int] = {}
        self._lowest: dict[str, float] = {}
        self._highest: dict[str, float] = {}
        readings: tuple[tuple[str, Reading | None], ...] = (
            ("air", inputs.air),
            ("reservoir", inputs.reservoir),
            ("room", inputs.room),
            ("coil_outlet", inputs.coil_outlet),
        )
        for name, reading in readings:
            if isinstance(reading, Seen):
                self._values[name] = reading.value_mc
                self._lowest[name], self._highest[name] = -inf, inf

    def between_edges(self, name: str, edges: tuple[int, ...]) -> None:
        """Keep a reading between two neighbours of many thresholds, each met at or above itself.

        Args:
            name: Which reading.
            edges: The thresholds, rising [m°C].
        """
        value = self._values.get(name)
        if value is None:
            return
        above = bisect_right(edges, value)
        if above:
            self._at_least(name, edges[above - 1])
        if above < len(edges):
            self.at_most(name, edges[above] - 1)

    def threshold(self, name: str, at_mc: int) -> None:
        """Keep a reading on its side of a threshold that is met at or above *at_mc*."""
        value = self._values.get(name)
        if value is None:
            return
        if value >= at_mc:
            self._at_least(name, at_mc)
        else:
            self.at_most(name, at_mc - 1)

    def at_or_below(self, name: str, at_mc: int) -> None:
        """Keep a reading on its side of a threshold that is met at or below *at_mc*."""
        self.threshold(name, at_mc + 1)

    # comparisons and not min() and max(): these run at every decision of a rehearsal
    def at_most(self, name: str, value_mc: float) -> None:
        """Let a reading, which is that or less, be no more."""
        if value_mc < self._highest[name]:  # noqa: PLR1730
            self._highest[name] = value_mc

    def _at_least(self, name: str, value_mc: float) -> None:
        if value_mc > self._lowest[name]:  # noqa: PLR1730
            self._lowest[name] = value_mc

    def apart(self, warm: str, cold: str, by_mk: int) -> None:
        """Keep two readings on their side of *warm* being warmer than *cold* by at least *by_mk*.

        To be called after `threshold`: it shares out what the other thresholds have left.
        """
        if warm not in self._values or cold not in self._values:
            return
        upper, lower = self._values[warm], self._values[cold]
        left = upper - lower - by_mk
        if left >= 0:
            want = max(lower + left // _WATER_SHARE, self._lowest[warm] - by_mk)
            self.at_most(cold, lower if lower > want else want)  # noqa: FURB136
            self._at_least(warm, self._highest[cold] + by_mk)
        else:
            short = -left - 1
            want = min(lower - short // _WATER_SHARE, self._highest[warm] - by_mk + 1)
            self._at_least(cold, lower if lower < want else want)  # noqa: FURB136
            self.at_most(warm, self._lowest[cold] + by_mk - 1)

    def pin(self) -> None:
        """Let no reading move: whatever comes next is decided anew."""
        for name, value in self._values.items():
            self._lowest[name] = self._highest[name] = value

    def span(self, name: str) -> ReadingBounds | None:
        """Return the bounds of a reading; None for one that is lost or not fitted."""
        if name not in self._values:
            return None
        return ReadingBounds(self._lowest[name], self._highest[name])


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
    box = Box(inputs)
    _of_the_call(box, cooling, started_early(inputs.band, cooling, law))
    box.between_edges("air", law.air_edges_mc)
    box.between_edges("reservoir", law.reservoir_edges_mc)
    _of_the_reservoir(box, cooling, inputs, law)
    if cooling.pump and cooling.fan:
        _of_the_flow(box, cooling, inputs, now, law)
    _of_the_expectations(box, context)
    return DecisionWindow(
        law=law,
        inputs=inputs,
        until=until,
        air=box.span("air"),
        reservoir=box.span("reservoir"),
        room=box.span("room"),
        coil_outlet=box.span("coil_outlet"),
    )


def _of_the_call(box: Box, cooling: Cooling, band: Band) -> None:
    if cooling.call:
        box.at_or_below("air", band.cut_out_mc)
    else:
        box.threshold("air", band.cut_in_mc)


def _of_the_reservoir(box: Box, cooling: Cooling, inputs: Inputs, law: Law) -> None:
    """Keep on its side what rule 5 compares, where a start or a run depends on it."""
    margin_mk = law.limits.reservoir_margin_mk
    if isinstance(inputs.air, Seen):
        if cooling.pump or cooling.call:
            box.apart("air", "reservoir", margin_mk)
    else:
        box.at_or_below("reservoir", inputs.band.cut_out_mc - margin_mk)


def _of_the_flow(box: Box, cooling: Cooling, inputs: Inputs, now: float, law: Law) -> None:
    """Keep on its side what rule 7 compares: the answer, what is expected, and what is doubt."""
    rule, flow, air = law.flow, cooling.flow, inputs.air
    if not isinstance(air, Seen):
        return
    watched = isinstance(inputs.coil_outlet, Seen)
    if flow.proved_mc is not None and not watched:
        box.threshold("air", flow.proved_mc + rule.doubt_rise_mk)
        if air.value_mc >= flow.proved_mc + rule.doubt_rise_mk:
            box.apart("air", "reservoir", rule.colder_by_mk)
        return
    if flow.air_peak_mc is not None:
        box.threshold("air", flow.air_peak_mc + 1)
        box.at_or_below("air", floor(answer_mc(flow.air_peak_mc, cooling, inputs, now, rule)))
        room = inputs.room
        if isinstance(room, Seen) and flow.room_mc is not None and room.value_mc < flow.room_mc:
            box.at_most("room", room.value_mc)  # a warmer room explains less
    if watched:
        box.apart("air", "coil_outlet", rule.outlet_drop_mk)
    box.apart("air", "reservoir", rule.colder_by_mk)


def _of_the_expectations(box: Box, context: AlarmContext) -> None:
    """Keep on its side what rule 12 compares."""
    box.apart("reservoir", "air", EXCHANGED_BY_MK)
    box.apart("reservoir", "air", EXCHANGED_NO_MORE_MK + 1)
    seen, air = context.expectations, context.inputs.air
    settled = seen.settled
    if context.cooling.pump or settled is None or not isinstance(air, Seen):
        return
    if seen.cooling_while_off:
        box.threshold("air", settled.air_mc + RISE_MK)
        return
    box.at_or_below("air", settled.air_mc - AIR_DROP_MK)
    if air.value_mc <= settled.air_mc - AIR_DROP_MK:
        box.pin()  # room and water may explain the fall; what they have to be hangs on all three
