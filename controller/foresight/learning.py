"""What earlier sets of packs taught, kept from one forecast to the next.

It is made anew when the past looks different from what it was: a pack change logged late moves
everything that was learned after it.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from controller.foresight.air_side import AirSide, LearnedLoad
from controller.foresight.algebra import Vector
from controller.foresight.band import HeldBand
from controller.foresight.bins import BIN_S, Bin
from controller.foresight.course import HourAt, course_of, due_seen, duty_known, groups_after
from controller.foresight.forward import run_out
from controller.foresight.outdoors import Outdoors
from controller.foresight.room_side import Room, RoomRow, learned_room, room_row, sized_room
from controller.foresight.situation import Situation, present_water, start_of
from controller.foresight.sized import Sized
from controller.foresight.swaps import SWAP_DROP_BINS, SWAP_DROP_K, Swap
from controller.foresight.unknowns import (
    Belief,
    first_belief,
    next_belief,
    not_frozen_through,
    not_logged,
)
from controller.foresight.water_fit import fit, with_knee
from controller.foresight.water_side import Group, WaterCourse, WaterSide

LEADS_S = (3600.0, 3 * 3600.0, 6 * 3600.0)
FIRST_GUESS_S = (300.0, 0.0, 0.0)
"""Error supposed before any was seen, by lead: late [s] …"""
FIRST_COUNTS = 4.0
"""… and what it counts for beside past ends [sets]."""
JUDGED_SETS = 6
"""Past ends that are forecast again."""
SPARE_SETS = 2
"""So many more are looked back at, because not every set was left until its end."""
FADING = 0.8
"""Weight of a past error beside that of the next set [-]."""
LEAST_FROZEN = 0.83
"""A set less frozen than this teaches nothing about the next one."""
ROOM_BINS = 6
"""The room is looked at once each half hour."""
SHORTEST_BINS = 6
LEAST_BINS_BEFORE = 9
"""A past forecast is made again only this long after its swap."""
USUAL_ERROR_S, USUAL_ERROR_SHARE = 2400.0, 0.5
"""A past error beyond this and this share of its lead belongs to its set, not to the plant."""
UNEXPLAINED = 0.6
"""Share of `SWAP_DROP_K` that the packs in the water may not explain, for a swap [-]."""


@dataclass(frozen=True, slots=True)
class PastSet:
    """A set of packs that is over."""

    due_s: float | None
    errors_s: dict[float, float] = field(default_factory=dict)
    """By lead, how late its end would have been forecast with what was known then [s]."""


class Learning:
    """What is known of one chamber."""

    def __init__(self, sized: Sized, band: HeldBand, *, hour_at: HourAt, room_probe: bool) -> None:
        """Begin with what sizing says.

        Args:
            sized: The plant as its owner describes it.
            band: What the air is held between.
            hour_at: Local hour at an instant.
            room_probe: Whether a room probe is fitted.
        """
        self.sized = sized
        self.band = band
        self.hour_at = hour_at
        self.room_probe = room_probe
        self.outdoors: Outdoors | None = None
        """The weather to come, where there is a forecast of it; may be put anew at any time."""
        self.first_belief = first_belief(sized)
        self._begins_s = -math.inf
        """Start of the first bin, from which everything kept is counted [s since 1970]."""
        self.forget()

    def forget(self) -> None:
        """Begin anew with what sizing says."""
        self._hours: Vector = []
        self._rooms: list[RoomRow] = []
        self._rooms_until = 0
        self._known: list[tuple[float, int | None]] = []
        self._past: list[PastSet] = []
        self._judged: dict[tuple[float, float], bool] = {}
        self._groups: tuple[Group, ...] = ()
        self._air = AirSide(self.sized, self.band, room_probe=self.room_probe)
        self._shape_at_s: float | None = None
        """End of the last set, where the coil's shape was not learned from it yet."""
        self._errors_s = dict(zip(LEADS_S, FIRST_GUESS_S, strict=True))
        self.belief = self.first_belief
        """What is believed of the reservoir's unknowns before the next set."""
        self.dues = 0
        """Sets of packs whose end was seen."""

    @property
    def sets(self) -> int:
        """Sets of packs that are over and were learned from."""
        return len(self._past)

    def error_s(self, lead_s: float) -> float:
        """Return the forecast's usual error this long before the end [s]; late is positive."""
        errors_s = [self._errors_s[lead] for lead in LEADS_S]
        if lead_s <= LEADS_S[0]:
            return errors_s[0] * lead_s / LEADS_S[0]
        for i in range(1, len(LEADS_S)):
            if lead_s <= LEADS_S[i]:
                share = (lead_s - LEADS_S[i - 1]) / (LEADS_S[i] - LEADS_S[i - 1])
                return errors_s[i - 1] + share * (errors_s[i] - errors_s[i - 1])
        return errors_s[-1]

    def situation(self, bins: Sequence[Bin], swaps: Sequence[Swap]) -> Situation | None:
        """Learn from every set that is over, and return how things stand now.

        Args:
            bins: Without a hole; the last one ends now.
            swaps: At least one, in the order of time.

        Returns:
            None where the packs have only just gone in.
        """
        hours = self._hours_of(bins)
        swap = self._caught_up(bins, hours, list(swaps))
        first = _index(bins, swap.at_s)
        if len(bins) - first < 2:
            return None
        groups = groups_after(swap, self._groups, self.sized.packs_in_set)
        return self._stands(bins, hours, swap, groups)

    def _load(self, bins: Sequence[Bin], hours: Vector) -> LearnedLoad:
        """Return the load as it is known at the end of *bins*."""
        points = self._air.points(bins, hours)
        coil_w_k = self._coil_w_k()
        if self._shape_at_s is not None:
            at_s, self._shape_at_s = self._shape_at_s, None
            until = [point for point in points if point.end_s <= at_s]
            self._air.learn_shape(until, now_s=at_s, coil_w_k=coil_w_k)
        return self._air.load(points, now_s=bins[-1].end_s, coil_w_k=coil_w_k)

    def _hours_of(self, bins: Sequence[Bin]) -> Vector:
        """Return the local hour of the middle of each bin."""
        begins_s = bins[0].start_s
        if begins_s != self._begins_s:
            self.forget()  # what is kept counts from the first bin
            self._begins_s = begins_s
        for each in bins[len(self._hours) :]:
            self._hours.append(self.hour_at(each.start_s + 0.5 * BIN_S))
        return self._hours[: len(bins)]

    def _stands(
        self,
        bins: Sequence[Bin],
        hours: Vector,
        swap: Swap,
        groups: tuple[Group, ...],
    ) -> Situation:
        first = _index(bins, swap.at_s)
        room = self._room(bins, hours)
        course = self._course(bins[first:], groups, room)
        fitted = fit(self._prior(swap), course, self.sized)
        fitted = with_knee(fitted, course, self.sized)
        now_s = bins[-1].end_s
        return Situation(
            now_s=now_s,
            swap=swap,
            sized=self.sized,
            course=course,
            fitted=fitted,
            start=start_of(bins, hours, first=first, hour_now=self.hour_at(now_s), band=self.band),
            water=present_water(course, fitted),
            load=self._load(bins, hours),
            room=self._under_weather(room, now_s),
            band=self.band,
            room_probe=self.room_probe,
        )

    def _caught_up(self, bins: Sequence[Bin], hours: Vector, swaps: list[Swap]) -> Swap:
        """Learn from every set that is over, and return the swap of the present one."""
        keys = [(swap.at_s, swap.packs) for swap in swaps]
        if self._known and self._known[0] in keys:
            swaps = swaps[keys.index(self._known[0]) :]
        else:
            self.forget()
        number = 0
        present = swaps[0]
        for place, swap in enumerate(swaps[1:], start=1):
            key = (present.at_s, present.packs)
            if number < len(self._known) and self._known[number] != key:
                break
            if swap.packs is None and not self._is_swap(bins, hours, present, swap):
                continue
            if number == len(self._known):
                until = _index(bins, swap.at_s)
                judged = len(swaps) - 1 - place <= JUDGED_SETS + SPARE_SETS
                self._finish(bins[:until], hours[:until], present, judged=judged)
                self._known.append(key)
            number += 1
            present = swap
        if number == len(self._known):
            return present
        self.forget()  # the past is not what it was
        return self._caught_up(bins, hours, swaps)

    def _is_swap(self, bins: Sequence[Bin], hours: Vector, before: Swap, detected: Swap) -> bool:
        """Return whether a fall that nobody logged is more than the packs in the water explain."""
        key = (before.at_s, detected.at_s)
        if key in self._judged:
            return self._judged[key]
        first, onset = _index(bins, before.at_s), _index(bins, detected.at_s)
        after = min(SWAP_DROP_BINS, len(bins) - onset)
        if onset - first < SWAP_DROP_BINS or after < 1:
            return False
        room = self._room(bins[:onset], hours[:onset])
        groups = groups_after(before, self._groups, self.sized.packs_in_set)
        course = self._course(bins[first : onset + after], groups, room)
        until = WaterCourse(course.start, course.steps[:-after], course.seen_c[:-after])
        fitted = fit(self._prior(before), until, self.sized)
        side = WaterSide(fitted.belief.mean, self.sized)
        expected = side.run(present_water(until, fitted), course.steps[-after:])
        seen = [value for value in course.seen_c[-after:] if value is not None]
        unexplained_k = min(state.water_c for state in expected) - min(seen) if seen else 0.0
        swap = unexplained_k > UNEXPLAINED * SWAP_DROP_K
        if onset + SWAP_DROP_BINS < len(bins):
            self._judged[key] = swap
        return swap

    def _finish(self, bins: Sequence[Bin], hours: Vector, swap: Swap, *, judged: bool) -> None:
        """Learn from a set of packs that is over at the end of *bins*.

        Args:
            bins: Until the next set went in.
            hours: Local hour of the middle of each.
            swap: How it went in.
            judged: Whether its end is forecast again, to see how far off that was.
        """
        first = _index(bins, swap.at_s)
        own = bins[first:]
        groups = groups_after(swap, self._groups, self.sized.packs_in_set)
        due_s = due_seen(own, self.band, self.hour_at)
        past = PastSet(due_s)
        if due_s is not None and judged and duty_known(own):
            past = PastSet(due_s, self._errors_again_s(bins, hours, swap, groups, due_s))
        self._past.append(past)
        if len(own) < SHORTEST_BINS or not duty_known(own):
            return
        fitted = fit(
            self._prior(swap), self._course(own, groups, self._room(bins, hours)), self.sized
        )
        frozen = math.exp(fitted.belief.mean.frozen)
        self._groups = tuple(
            group if group.frozen is not None else group._replace(frozen=frozen)
            for group in fitted.now.groups
        )
        if frozen >= LEAST_FROZEN:
            self.belief = next_belief(fitted.belief, first=self.first_belief)
        self._shape_at_s = bins[-1].end_s
        if due_s is not None:
            self.dues += 1
            self._take_errors()

    def _take_errors(self) -> None:
        """Keep the mean error of the past forecasts, by lead."""
        for lead_s, guess_s in zip(LEADS_S, FIRST_GUESS_S, strict=True):
            weights, total_s = FIRST_COUNTS, FIRST_COUNTS * guess_s
            past = [
                each.errors_s[lead_s]
                for each in self._past[-JUDGED_SETS - SPARE_SETS :]
                if lead_s in each.errors_s
            ]
            for age, error_s in enumerate(reversed(past[-JUDGED_SETS:])):
                far = error_s / (USUAL_ERROR_S + USUAL_ERROR_SHARE * lead_s)
                weight = FADING**age / (1.0 + far * far)
                weights += weight
                total_s += weight * error_s
            self._errors_s[lead_s] = total_s / weights

    def _errors_again_s(
        self,
        bins: Sequence[Bin],
        hours: Vector,
        swap: Swap,
        groups: tuple[Group, ...],
        due_s: float,
    ) -> dict[float, float]:
        """Return how late an end that was seen would have been forecast, by lead [s].

        With what was known then: hours of which the load was learned afterwards would make every
        error look small.
        """
        errors_s = {}
        for lead_s in LEADS_S:
            until = _index(bins, due_s - lead_s)
            if until - _index(bins, swap.at_s) < LEAST_BINS_BEFORE:
                continue
            then, hours_then = bins[:until], hours[:until]
            situation = self._stands(then, hours_then, swap, groups)
            end = run_out(situation.start, situation.water, situation.side, situation.around)
            if end is not None:
                errors_s[lead_s] = situation.now_s + end.ahead_s - due_s
        return errors_s

    def _prior(self, swap: Swap) -> Belief:
        if swap.through is False:
            return not_frozen_through(self.belief)
        return not_logged(self.belief) if swap.packs is None else self.belief

    def _course(self, bins: Sequence[Bin], groups: tuple[Group, ...], room: Room) -> WaterCourse:
        return course_of(bins, groups, usual_room_c=lambda at_s: room.usual_c(self.hour_at(at_s)))

    def _room(self, bins: Sequence[Bin], hours: Vector) -> Room:
        if not self.room_probe:
            return sized_room(self.sized)
        for index in range(self._rooms_until, len(bins), ROOM_BINS):
            room_c = bins[index].room_c
            if room_c is not None:
                self._rooms.append(room_row(bins[index].end_s, hours[index], room_c))
            self._rooms_until = index + ROOM_BINS
        now_s = bins[-1].end_s
        until = bisect_right(self._rooms, now_s, key=lambda row: row.at_s)
        newest = next(
            (each for each in reversed(bins[-ROOM_BINS:]) if each.room_c is not None), None
        )
        rows = self._rooms[:until]
        if newest is not None and newest.room_c is not None:
            hour = self.hour_at(newest.start_s + 0.5 * BIN_S)
            rows.append(room_row(newest.end_s, hour, newest.room_c))
        return learned_room(self.sized, rows, now_s=now_s)

    def _under_weather(self, room: Room, now_s: float) -> Room:
        outdoors = self.outdoors
        if outdoors is None or not self.room_probe:
            return room
        return replace(room, weather_k=lambda ahead_s: outdoors.off_k(now_s + ahead_s))

    def _coil_w_k(self) -> float:
        return math.exp(self.belief.mean.coil)


def _index(bins: Sequence[Bin], at_s: float) -> int:
    """Return the index of the bin that begins at an instant, 0 for an earlier one."""
    return max(0, round((at_s - bins[0].start_s) / BIN_S))
