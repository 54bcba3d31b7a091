"""A learning that is handed one truth at a time, to find which error of the forecast costs most.

What it is handed comes from the record after the instant of the forecast, as nobody could know it:

- ``water``: the reservoir's unknowns, fitted to the whole set until its cold ran out;
- ``load``: how far the load was off what was expected, half hour by half hour;
- ``room``: the room as it was measured.

Only the forecast that is asked for is helped, not the past ones by which it is corrected.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from controller.foresight.air_side import AirSide
from controller.foresight.algebra import Vector
from controller.foresight.bins import BIN_S, Bin
from controller.foresight.forecaster import Forecaster
from controller.foresight.forward import Ambient, Outlook
from controller.foresight.learning import Learning
from controller.foresight.room_side import Room
from controller.foresight.situation import Situation
from controller.foresight.swaps import Swap
from controller.foresight.water_fit import fit

TRUTHS = ("water", "load", "room")
SURE = 0.02
"""What is left of the variance of unknowns that are known [-]."""
FADES = 0.98
"""How the load's distance from the expected one fades after the record, a step [-]."""


KnownUntil = Callable[[float], float | None]
"""Until when the record tells of the set that is in the water at an instant [s since 1970]."""


def let_know(
    forecaster: Forecaster, whole: Sequence[Bin], until_s: KnownUntil, knows: frozenset[str]
) -> None:
    """Hand truths to a forecaster that has seen nothing yet.

    Args:
        forecaster: The forecaster.
        whole: The record from its beginning to its end.
        until_s: How far it tells of each set.
        knows: Some of `TRUTHS`.
    """
    usual = forecaster._learning
    knowing = KnowingLearning(
        usual.sized, usual.band, hour_at=usual.hour_at, room_probe=usual.room_probe
    )
    knowing.whole, knowing.until_s, knowing.knows = whole, until_s, knows
    forecaster._learning = knowing


class KnowingLearning(Learning):
    """Knows of each present set what came after."""

    whole: Sequence[Bin]
    until_s: KnownUntil
    knows: frozenset[str]

    def situation(self, bins: Sequence[Bin], swaps: Sequence[Swap]) -> Situation | None:
        """Return how things stand, and what would come."""
        situation = super().situation(bins, swaps)
        if situation is None:
            return None
        until_s = self.until_s(situation.now_s)
        if until_s is None:
            return situation
        later = [each for each in self.whole if bins[0].start_s <= each.start_s <= until_s - BIN_S]
        if len(later) <= len(bins):
            return situation
        if "water" in self.knows:
            situation = self._water_known(situation, later, len(bins))
        if "room" in self.knows and self.room_probe:
            situation = replace(situation, room=_room_known(situation, later[len(bins) :]))
        if "load" in self.knows:
            _give_load(situation, self._residuals(situation, later))
        return situation

    def _water_known(self, situation: Situation, later: Sequence[Bin], until: int) -> Situation:
        swap = situation.swap
        first = max(0, round((swap.at_s - later[0].start_s) / BIN_S))
        course = self._course(later[first:], situation.course.start.groups, situation.room)
        whole = fit(self._prior(swap), course, self.sized)
        covariance = [[SURE * value for value in row] for row in whole.belief.covariance]
        fitted = replace(
            whole,
            belief=replace(whole.belief, covariance=covariance),
            states=whole.states[: until - first + 1],
            melt_slopes=tuple([0.0] * len(row) for row in whole.melt_slopes),
        )
        water = situation.water._replace(groups=fitted.now.groups)
        return replace(situation, fitted=fitted, water=water)

    def _residuals(self, situation: Situation, later: Sequence[Bin]) -> dict[int, float]:
        """Return the load less the expected one, by step ahead [K]."""
        air, load = AirSide(self.sized, self.band, room_probe=self.room_probe), situation.load
        off_k: dict[int, float] = {}
        hours: Vector = [self.hour_at(each.start_s + 0.5 * BIN_S) for each in later]
        for point in air.points(later, hours):
            if point.end_s <= situation.now_s:
                continue
            expected_k = sum(a * b for a, b in zip(load.mean, point.terms, strict=True))
            expected_k += load.lights_k if point.lit else 0.0
            ends = round((point.end_s - situation.now_s) / BIN_S)
            for step in range(ends - 6, ends):
                off_k[step] = point.load_k(load.offset, load.dry) - expected_k
        return off_k


def _room_known(situation: Situation, to_come: Sequence[Bin]) -> Room:
    seen_c = {
        round((each.start_s - situation.now_s) / BIN_S): each.room_c
        for each in to_come
        if each.room_c is not None
    }
    return _SeenRoom(situation.room, seen_c)


class _SeenRoom(Room):
    """The room as it was; beyond the record as it is expected."""

    __slots__ = ("_seen_c",)

    def __init__(self, room: Room, seen_c: dict[int, float]) -> None:
        Room.__init__(self, room.wave, room.off_k, room.weather_k)
        object.__setattr__(self, "_seen_c", seen_c)

    def ahead_c(self, hour: float, ahead_s: float) -> float:
        """Return the room this long from now [°C]."""
        seen_c = self._seen_c.get(int(ahead_s / BIN_S))
        return Room.ahead_c(self, hour, ahead_s) if seen_c is None else seen_c


class _SeenLoad(Outlook):
    """What acts on the chamber, with the load's distance from the expected one as it was."""

    def __init__(self, outlook: Outlook, off_k: dict[int, float]) -> None:
        self._outlook, self._off_k = outlook, off_k

    def at(self, index: int) -> Ambient:
        """Return what acts over a step; beyond the record the last distance fades."""
        last = max(self._off_k, default=-1)
        off_k = self._off_k.get(index, 0.0)
        if index > last >= 0:
            off_k = self._off_k[last] * FADES ** (index - last)
        return self._outlook.at(index)._replace(today_share=off_k)


def _give_load(situation: Situation, off_k: dict[int, float]) -> None:
    """Let the runs forward meet the load as it was."""
    around = situation.around
    around = replace(
        around,
        load=replace(situation.load, today_k=1.0),
        outlook=_SeenLoad(around.outlook, off_k),
    )
    situation.__dict__["around"] = around  # where `cached_property` keeps it
