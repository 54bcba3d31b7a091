"""What earlier sets of packs taught, kept from one forecast to the next.

It is made anew when the past looks different from what it was: a swap logged late moves everything
that was learned after it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from controller.foresight.air_side import AirSide, Load, Point
from controller.foresight.algebra import Vector
from controller.foresight.band import HeldBand
from controller.foresight.bins import BIN_S, Bin
from controller.foresight.course import HourAt, course_of, due_seen, groups_after
from controller.foresight.forward import run_out
from controller.foresight.outdoors import Outdoors
from controller.foresight.room_side import Room, learned_room, sized_room
from controller.foresight.situation import Situation, present_water, start_of
from controller.foresight.sized import Sized
from controller.foresight.swaps import FALL_BINS, FALL_K, Swap
from controller.foresight.water_side import (
    COIL,
    FROZEN,
    Belief,
    Course,
    Group,
    WaterSide,
    first_belief,
    fit,
    gone,
    next_belief,
    told_not_through,
)

MOST_CYCLES = 12
"""Sets of packs that are looked back at when everything is learned anew."""
PAST_CYCLES = 5
LEADS_S = (3600.0, 3 * 3600.0, 6 * 3600.0)
FIRST_GUESS_S = (300.0, 1500.0, 1500.0)
"""Error supposed before any was seen, by lead: late [s]."""
FADING = 0.8
LEAST_FROZEN = 0.83
"""A set less frozen than this teaches nothing about the next one."""
SHORTEST_BINS = 6
UNEXPLAINED = 0.6
"""Share of `FALL_K` that the packs in the water may not explain, for a fall to be a swap [-]."""


@dataclass(frozen=True, slots=True)
class _Past:
    """A set of packs that is over."""

    begun_s: float
    groups: tuple[Group, ...]
    due_s: float | None
    through: bool | None


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
        """The weather to come, where somebody foretells it; may be put anew at any time."""
        self.first_belief = first_belief(sized)
        self._forget()

    def _forget(self) -> None:
        self._known: list[tuple[float, int | None]] = []
        self._past: list[_Past] = []
        self._judged: dict[tuple[float, float], bool] = {}
        self._groups: tuple[Group, ...] = ()
        self._air = AirSide(self.sized, self.band, room_probe=self.room_probe)
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
        hours = [self.hour_at(each.start_s + 0.5 * BIN_S) for each in bins]
        swap = self._caught_up(bins, hours, list(swaps))
        first = _index(bins, swap.at_s)
        if len(bins) - first < 2:
            return None
        groups = groups_after(swap, self._groups, self.sized.packs_in_set)
        points = self._air.points(bins, hours)
        load = self._air.load(points, now_s=bins[-1].end_s, coil_w_k=self._coil_w_k())
        return self._stands(bins, hours, swap, groups, load)

    def _stands(
        self,
        bins: Sequence[Bin],
        hours: Vector,
        swap: Swap,
        groups: tuple[Group, ...],
        load: Load,
    ) -> Situation:
        first = _index(bins, swap.at_s)
        room = self._room(bins, hours)
        course = self._course(bins[first:], groups, room)
        fitted = gone(fit(self._prior(swap), course, self.sized), course, self.sized)
        now_s = bins[-1].end_s
        return Situation(
            now_s=now_s,
            swap=swap,
            sized=self.sized,
            course=course,
            fitted=fitted,
            start=start_of(bins, hours, first=first, hour_now=self.hour_at(now_s), band=self.band),
            water=present_water(course, fitted),
            load=load,
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
            self._forget()
            swaps = swaps[-MOST_CYCLES:]
        number = 0
        present = swaps[0]
        for swap in swaps[1:]:
            key = (present.at_s, present.packs)
            if number < len(self._known) and self._known[number] != key:
                break
            if swap.packs is None and not self._is_swap(bins, hours, present, swap):
                continue
            if number == len(self._known):
                until = _index(bins, swap.at_s)
                self._finish(bins[:until], hours[:until], present)
                self._known.append(key)
            number += 1
            present = swap
        if number == len(self._known):
            return present
        self._forget()  # the past is not what it was
        return self._caught_up(bins, hours, swaps)

    def _is_swap(self, bins: Sequence[Bin], hours: Vector, before: Swap, fall: Swap) -> bool:
        """Return whether a fall that nobody logged is more than the packs in the water explain."""
        key = (before.at_s, fall.at_s)
        if key in self._judged:
            return self._judged[key]
        first, onset = _index(bins, before.at_s), _index(bins, fall.at_s)
        after = min(FALL_BINS, len(bins) - onset)
        if onset - first < FALL_BINS or after < 1:
            return False
        room = self._room(bins[:onset], hours[:onset])
        groups = groups_after(before, self._groups, self.sized.packs_in_set)
        course = self._course(bins[first : onset + after], groups, room)
        until = Course(course.start, course.steps[:-after], course.seen_c[:-after])
        fitted = fit(self._prior(before), until, self.sized)
        side = WaterSide(fitted.belief.mean, self.sized)
        expected = side.run(present_water(until, fitted), course.steps[-after:])
        seen = [value for value in course.seen_c[-after:] if value is not None]
        unexplained_k = min(state.water_c for state in expected) - min(seen) if seen else 0.0
        swap = unexplained_k > UNEXPLAINED * FALL_K
        if onset + FALL_BINS < len(bins):
            self._judged[key] = swap
        return swap

    def _finish(self, bins: Sequence[Bin], hours: Vector, swap: Swap) -> None:
        """Learn from a set of packs that is over at the end of *bins*."""
        first = _index(bins, swap.at_s)
        own = bins[first:]
        groups = groups_after(swap, self._groups, self.sized.packs_in_set)
        due_s = due_seen(own, self.band, self.hour_at)
        self._past.append(_Past(bins[first].start_s, groups, due_s, swap.through) if own else
                          _Past(swap.at_s, groups, None, swap.through))  # fmt: skip
        if len(own) < SHORTEST_BINS:
            return
        fitted = fit(
            self._prior(swap), self._course(own, groups, self._room(bins, hours)), self.sized
        )
        frozen = math.exp(fitted.belief.mean[FROZEN])
        self._groups = tuple(
            group if group.frozen is not None else group._replace(frozen=frozen)
            for group in fitted.now.groups
        )
        if frozen >= LEAST_FROZEN:
            self.belief = next_belief(fitted.belief, first=self.first_belief)
        points = self._air.points(bins, hours)
        self._air.learn_shape(points, now_s=bins[-1].end_s, coil_w_k=self._coil_w_k())
        if due_s is not None:
            self.dues += 1
            self._judge_itself(bins, hours, points)

    def _judge_itself(self, bins: Sequence[Bin], hours: Vector, points: list[Point]) -> None:
        """Forecast the last dues again with what is known today, and keep the mean error.

        The forecasts given then are no measure: they carry what was not known yet.
        """
        seen = [past for past in self._past if past.due_s is not None][-PAST_CYCLES:]
        load = self._air.load(points, now_s=bins[-1].end_s, coil_w_k=self._coil_w_k())
        for lead_s, guess_s in zip(LEADS_S, FIRST_GUESS_S, strict=True):
            weights, total_s = 1.0, guess_s
            for age, past in enumerate(reversed(seen)):
                error_s = self._error_again_s(bins, hours, past, lead_s, load, points)
                if error_s is None:
                    continue
                # an error far out of the usual belongs to its set, not to the plant
                far = error_s / (2400.0 + 0.5 * lead_s)
                weight = FADING**age / (1.0 + far * far)
                weights += weight
                total_s += weight * error_s
            self._errors_s[lead_s] = total_s / weights

    # all of it is one instant's knowledge: a value of its own would only be unpacked again
    def _error_again_s(  # noqa: PLR0917
        self,
        bins: Sequence[Bin],
        hours: Vector,
        past: _Past,
        lead_s: float,
        load: Load,
        points: list[Point],
    ) -> float | None:
        """Return the error of today's knowledge so long before a due that was seen [s]."""
        assert past.due_s is not None
        until = _index(bins, past.due_s - lead_s)
        if past.begun_s < bins[0].start_s or until - _index(bins, past.begun_s) < 9:
            return None
        bins, hours = bins[:until], hours[:until]
        now_s = bins[-1].end_s
        then = [point for point in points if point.end_s <= now_s]
        today_k = self._air.load(then, now_s=now_s, coil_w_k=self._coil_w_k()).today_k
        swap = Swap(at_s=past.begun_s, packs=None, through=past.through)
        situation = self._stands(bins, hours, swap, past.groups, replace(load, today_k=today_k))
        end = run_out(situation.start, situation.water, situation.side, situation.around)
        return None if end is None else now_s + end.ahead_s - past.due_s

    def _prior(self, swap: Swap) -> Belief:
        return told_not_through(self.belief) if swap.through is False else self.belief

    def _course(self, bins: Sequence[Bin], groups: tuple[Group, ...], room: Room) -> Course:
        return course_of(bins, groups, usual_room_c=lambda at_s: room.usual_c(self.hour_at(at_s)))

    def _room(self, bins: Sequence[Bin], hours: Vector) -> Room:
        if not self.room_probe:
            return sized_room(self.sized)
        now_s = bins[-1].end_s
        return learned_room(
            self.sized,
            (
                (now_s - bins[i].end_s, hours[i], room_c)
                for i in range(len(bins) - 1, -1, -6)
                if (room_c := bins[i].room_c) is not None
            ),
        )

    def _under_weather(self, room: Room, now_s: float) -> Room:
        outdoors = self.outdoors
        if outdoors is None or not self.room_probe:
            return room
        return replace(room, weather_k=lambda ahead_s: outdoors.off_k(now_s + ahead_s))

    def _coil_w_k(self) -> float:
        return math.exp(self.belief.mean[COIL])


def _index(bins: Sequence[Bin], at_s: float) -> int:
    """Return the index of the bin that begins at an instant, 0 for an earlier one."""
    return max(0, round((at_s - bins[0].start_s) / BIN_S))
