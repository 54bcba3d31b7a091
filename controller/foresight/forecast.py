"""Swap due: what was recorded goes in, the moment by which packs must be changed comes out.

The same bins, logs and instant give the same forecast. What was learned from earlier sets of packs
is kept between calls and made anew when the past looks different from what it was.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from random import Random

from controller.foresight.air_side import UNBROKEN, AirSide, Load, Point
from controller.foresight.algebra import Matrix, Vector, cholesky
from controller.foresight.band import SPENT_FOR_S, HeldBand
from controller.foresight.bins import BIN_S, Bin
from controller.foresight.course import (
    HourAt,
    course_of,
    due_seen,
    groups_after,
    line_to,
    nearly_useless,
    too_warm,
)
from controller.foresight.forward import FARTHEST_S, End, Start, run_out
from controller.foresight.room_side import Room, learned_room, sized_room
from controller.foresight.sized import Sized
from controller.foresight.swaps import FALL_BINS, FALL_K, Logged, Swap, find_swaps
from controller.foresight.water_side import (
    FROZEN,
    HIGHEST,
    LOWEST,
    WIDENED,
    Belief,
    Course,
    Fit,
    Group,
    Water,
    WaterSide,
    first_belief,
    fit,
    gone,
    next_belief,
    told_not_through,
)

MOST_CYCLES = 12
"""Sets of packs that are looked back at."""
PAST_CYCLES = 5
LEADS_S = (3600.0, 3 * 3600.0, 6 * 3600.0)
FIRST_GUESS_S = (300.0, 1500.0, 1500.0)
"""Error supposed before any was seen, by lead: late close to the end [s]."""
FADING = 0.8
PAIRS = 24
DISTURBED = 0.08
DISTURBANCE_LASTS_S = 6 * 3600.0
NARROWED = 0.5
"""The ensemble is twice too wide, because its errors partly cancel."""
WIDER_AT_FIRST = (1.7, 1.5, 1.4, 1.4)
NARROWEST_S = 300.0
LEAST_FROZEN = 0.83
"""A set less frozen than this teaches nothing about the next one."""
EARLY, LATE = 0.1, 0.9
_HALF_DAY_BINS = 144


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """What can be said at an instant; times in seconds since 1970, UTC."""

    as_of_s: float
    due_s: float | None
    """None: not within sixty hours, or nothing can be said (``basis`` tells which)."""
    early_s: float | None
    """One time in ten it is due before this."""
    late_s: float | None
    """One time in ten it is due after this."""
    reserve_kj: float | None
    reserve_early_kj: float | None
    reserve_late_kj: float | None
    cycles_learned: int
    """Sets of packs whose end was seen."""
    basis: str
    """``sized``, ``mixed``, ``learned`` or ``unknown``."""
    swap: Swap | None
    """The swap that the forecast starts from."""
    taken_up_kj: float | None
    """Heat taken up since that swap."""
    note: str
    """What makes it less sure than it could be, in plain words; empty where nothing does."""


@dataclass(frozen=True, slots=True)
class _Past:
    """A set of packs that is over."""

    first: int
    """Index of its first bin."""
    groups: tuple[Group, ...]
    due_s: float | None
    through: bool | None


class Foresight:
    """The forecasts of one chamber."""

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
        self._hour_at = hour_at
        self._room_probe = room_probe
        self._first = first_belief(sized)
        self._forget()

    def _forget(self) -> None:
        self._known: list[tuple[float, int | None]] = []
        self._belief = self._first
        self._air = AirSide(self.sized, self.band, room_probe=self._room_probe)
        self._groups: tuple[Group, ...] = ()
        self._past: list[_Past] = []
        self._dues = 0
        self._judged: dict[tuple[float, float], bool] = {}
        self._errors: dict[float, float] = dict(zip(LEADS_S, FIRST_GUESS_S, strict=True))

    @property
    def belief(self) -> Belief:
        """What is believed of the reservoir's unknowns before the next set."""
        return self._belief

    def forecast(self, bins: Sequence[Bin], logged: Sequence[Logged], *, now_s: float) -> Forecast:
        """Return the forecast at an instant.

        Args:
            bins: Without a hole; those that end later are not looked at.
            logged: Swaps that people noted by now.
            now_s: The instant.
        """
        bins = [each for each in bins if each.end_s <= now_s]
        swaps = find_swaps(bins, [note for note in logged if note.at_s <= now_s])
        swaps = swaps[-MOST_CYCLES:]
        if not bins or not swaps or bins[-1].end_s < now_s - 6 * 3600.0:
            return _unknown(now_s, "no swap is known yet" if bins else "nothing is recorded yet")
        swap, first = self._learn(bins, swaps)
        return self._now(bins, swap, first)

    # --- learning

    def _learn(self, bins: Sequence[Bin], swaps: list[Swap]) -> tuple[Swap, int]:
        """Learn from every set of packs that is over; return the present one and its first bin."""

        def index_of(swap: Swap) -> int:
            return max(0, round((swap.at_s - bins[0].start_s) / BIN_S))

        hours = self._hours(bins)
        finished: list[tuple[float, int | None]] = []
        present = swaps[0]
        if self._known and self._known[0] != (present.at_s, present.packs):
            self._forget()
        for swap in swaps[1:]:
            until = index_of(swap)
            number = len(finished)
            if number < len(self._known) and self._known[number] != (present.at_s, present.packs):
                self._forget()
                return self._learn(bins, swaps)
            if swap.packs is None and not self._is_swap(bins, hours, present, swap):
                continue
            if number >= len(self._known):
                self._finish(bins[:until], hours[:until], present, index_of(present))
                self._known.append((present.at_s, present.packs))
            finished.append((present.at_s, present.packs))
            present = swap
        if len(self._known) > len(finished):
            self._forget()
            return self._learn(bins, swaps)
        return present, index_of(present)

    def _is_swap(self, bins: Sequence[Bin], hours: Vector, before: Swap, fall: Swap) -> bool:
        """Return whether a fall that nobody logged is more than the packs in the water explain."""
        key = (before.at_s, fall.at_s)
        if key in self._judged:
            return self._judged[key]
        first = max(0, round((before.at_s - bins[0].start_s) / BIN_S))
        onset = round((fall.at_s - bins[0].start_s) / BIN_S)
        after = bins[onset : onset + FALL_BINS]
        if onset - first < FALL_BINS or not after:
            return onset - first >= FALL_BINS
        room = self._room(bins[:onset], hours[:onset])
        groups = groups_after(before, self._groups, self.sized.packs_in_set)
        course = self._course(bins[first : onset + len(after)], groups, room)
        until = Course(course.start, course.steps[: -len(after)], course.seen_c[: -len(after)])
        fitted = fit(self._belief, until, self.sized)
        water = self._present(until, fitted)
        expected = WaterSide(fitted.belief.mean, self.sized).run(water, course.steps[-len(after) :])
        seen = [value for value in course.seen_c[-len(after) :] if value is not None]
        if not seen:
            return False
        more_k = min(state.water_c for state in expected) - min(seen)
        swap = more_k > FALL_K * 0.6
        if len(after) == FALL_BINS and bins[-1].end_s > after[-1].end_s:
            self._judged[key] = swap
        return swap

    def _finish(self, bins: Sequence[Bin], hours: Vector, swap: Swap, first: int) -> None:
        """Learn from a set of packs that is over."""
        own = bins[first:]
        if len(own) < 6:
            return
        groups = groups_after(swap, self._groups, self.sized.packs_in_set)
        room = self._room(bins, hours)
        course = self._course(own, groups, room)
        prior = told_not_through(self._belief) if swap.through is False else self._belief
        fitted = fit(prior, course, self.sized)
        self._groups = tuple(
            group
            if group.frozen is not None
            else Group(group.share, group.melted, math.exp(fitted.belief.mean[FROZEN]))
            for group in fitted.now.groups
        )
        if math.exp(fitted.belief.mean[FROZEN]) >= LEAST_FROZEN:
            self._belief = next_belief(fitted.belief, first=self._first)
        due_s = due_seen(own, self.band, self._hour_at)
        points = self._air.points(bins, hours)
        self._air.learn_shape(points, now_s=bins[-1].end_s, coil_w_k=self._coil_w_k())
        self._past.append(_Past(first, groups, due_s, swap.through))
        if due_s is not None:
            self._dues += 1
            self._judge_itself(bins, hours, points)

    def _judge_itself(self, bins: Sequence[Bin], hours: Vector, points: list[Point]) -> None:
        """Forecast the last dues again with what is known today, and keep the mean error."""
        seen = [past for past in self._past if past.due_s is not None][-PAST_CYCLES:]
        load = self._air.load(points, now_s=bins[-1].end_s, coil_w_k=self._coil_w_k())
        for lead_s, guess_s in zip(LEADS_S, FIRST_GUESS_S, strict=True):
            weights, total = 1.0, guess_s
            for age, past in enumerate(reversed(seen)):
                assert past.due_s is not None
                until = round((past.due_s - lead_s - bins[0].start_s) / BIN_S)
                if until - past.first < 9:
                    continue
                ended = self._ended(bins[:until], hours[:until], past, load, points)
                if ended is None:
                    continue
                error_s = bins[until - 1].end_s + ended - past.due_s
                weight = FADING**age / (1.0 + (error_s / (20.0 * 60.0 + 0.25 * lead_s)) ** 2 / 4.0)
                weights += weight
                total += weight * error_s
            self._errors[lead_s] = total / weights

    def _ended(
        self, bins: Sequence[Bin], hours: Vector, past: _Past, load: Load, points: list[Point]
    ) -> float | None:
        """Return how far ahead the end was at the end of *bins*, by today's knowledge [s]."""
        now_s = bins[-1].end_s
        room = self._room(bins, hours)
        course = self._course(bins[past.first :], past.groups, room)
        prior = told_not_through(self._belief) if past.through is False else self._belief
        fitted = gone(fit(prior, course, self.sized), course, self.sized)
        then = [point for point in points if point.end_s <= now_s]
        was = self._air.load(then, now_s=now_s, coil_w_k=self._coil_w_k())
        start = self._start(bins, hours, past.first)
        end = self._end(
            start,
            self._present(course, fitted),
            fitted.belief.mean,
            replace(load, today_k=was.today_k),
            room,
        )
        return None if end is None else end.ahead_s

    # --- now

    def _now(self, bins: Sequence[Bin], swap: Swap, first: int) -> Forecast:
        hours = self._hours(bins)
        now_s = bins[-1].end_s
        own = bins[first:]
        if len(own) < 2:
            return _unknown(now_s, "the packs have only just gone in")
        room = self._room(bins, hours)
        groups = groups_after(swap, self._groups, self.sized.packs_in_set)
        course = self._course(own, groups, room)
        prior = told_not_through(self._belief) if swap.through is False else self._belief
        fitted = gone(fit(prior, course, self.sized), course, self.sized)
        points = self._air.points(bins, hours)
        load = self._air.load(points, now_s=now_s, coil_w_k=self._coil_w_k())
        start = self._start(bins, hours, first)
        water = self._present(course, fitted)
        if start.came_back and start.too_warm_for_s >= SPENT_FOR_S:
            begun_s = now_s - start.too_warm_for_s
            return self._said(
                bins, swap, begun_s, begun_s, begun_s, (0.0, 0.0, 0.0), course, fitted
            )
        plain = self._end(start, water, fitted.belief.mean, load, room)
        ends, reserves = self._ensemble(start, course, fitted, load, room, swap)
        ends.sort()
        reserves.sort()
        middle_s = _quantile(ends, 0.5)
        point_s = middle_s if plain is None else 0.5 * (plain.ahead_s + middle_s)
        if point_s >= FARTHEST_S * 0.98:
            early_s = _quantile(ends, EARLY)
            early = None if early_s >= FARTHEST_S * 0.98 else now_s + early_s
            reserve = tuple(_quantile(reserves, q) for q in (0.5, EARLY, LATE))
            return self._said(bins, swap, None, early, None, reserve, course, fitted)
        corrected_s = max(0.0, point_s - self._error_s(point_s))
        wide = NARROWED * WIDER_AT_FIRST[min(self._dues, len(WIDER_AT_FIRST) - 1)]
        before_s = max(NARROWEST_S, wide * (middle_s - _quantile(ends, EARLY)))
        behind_s = max(NARROWEST_S, wide * (_quantile(ends, LATE) - middle_s))
        reserve = tuple(_quantile(reserves, q) for q in (0.5, EARLY, LATE))
        return self._said(
            bins,
            swap,
            now_s + corrected_s,
            now_s + max(0.0, corrected_s - before_s),
            now_s + corrected_s + behind_s,
            reserve,
            course,
            fitted,
        )

    def _ensemble(
        self, start: Start, course: Course, fitted: Fit, load: Load, room: Room, swap: Swap
    ) -> tuple[list[float], list[float]]:
        """Return ends [s ahead] and reserves [kJ] under what is not known."""
        random = Random(round(swap.at_s))  # noqa: S311 - repeatable draws, not a secret
        water_root = cholesky(_widened(fitted.belief.covariance))
        load_root = cholesky(load.covariance)
        keep = math.exp(-BIN_S / DISTURBANCE_LASTS_S)
        shake = DISTURBED * load.typical_k * math.sqrt(1.0 - keep * keep)
        ends: list[float] = []
        reserves: list[float] = []
        for _ in range(PAIRS):
            of_water = [random.gauss(0.0, 1.0) for _ in water_root]
            of_load = [random.gauss(0.0, 1.0) for _ in load_root]
            waves = [random.gauss(0.0, 1.0) for _ in range(int(FARTHEST_S / BIN_S))]
            for sign in (1.0, -1.0):
                values = [
                    min(
                        max(
                            mean + sign * sum(r * z for r, z in zip(row, of_water, strict=True)),
                            low,
                        ),
                        high,
                    )
                    for mean, row, low, high in zip(
                        fitted.belief.mean, water_root, LOWEST, HIGHEST, strict=True
                    )
                ]
                coefficients = [
                    mean + sign * sum(r * z for r, z in zip(row, of_load, strict=True))
                    for mean, row in zip(load.mean, load_root, strict=True)
                ]
                side = WaterSide(values, self.sized)
                groups = side.run(course.start, course.steps)[-1].groups
                water = Water(self._present(course, fitted).water_c, groups)
                level = [0.0, 0.0]

                def disturbance_k(
                    index: int,
                    level: list[float] = level,
                    sign: float = sign,
                    waves: list[float] = waves,
                ) -> float:
                    level[0] = keep * level[0] + sign * shake * waves[index]
                    return level[0]

                end = run_out(
                    start=start,
                    water=water,
                    side=side,
                    load=load,
                    values=coefficients,
                    room=room.ahead_c,
                    room_probe=self._room_probe,
                    band=self.band,
                    disturbance_k=disturbance_k,
                )
                ends.append(FARTHEST_S if end is None else end.ahead_s)
                reserves.append(_reserve_kj(side, water, end))
        return ends, reserves

    def _end(
        self, start: Start, water: Water, values: Vector, load: Load, room: Room
    ) -> End | None:
        return run_out(
            start=start,
            water=water,
            side=WaterSide(values, self.sized),
            load=load,
            values=load.mean,
            room=room.ahead_c,
            room_probe=self._room_probe,
            band=self.band,
        )

    def _start(self, bins: Sequence[Bin], hours: Vector, first: int) -> Start:
        """Return how things stand at the end of *bins*; the present set began at *first*."""
        hour = self._hour_at(bins[-1].end_s)
        cut_in_c, cut_out_c = self.band.at(hour)
        air_c = line_to([each.air_c for each in bins[-8:]], bins=8)
        slow_c: float | None = None
        share = 1.0 - math.exp(-BIN_S / (2.5 * 3600.0))
        for each in bins[-_HALF_DAY_BINS:]:
            if each.air_c is not None:
                slow_c = each.air_c if slow_c is None else slow_c + share * (each.air_c - slow_c)
        over = [
            each.air_c - self.band.middle_c(at)
            for each, at in zip(bins[-_HALF_DAY_BINS:], hours[-_HALF_DAY_BINS:], strict=True)
            if each.air_c is not None
            and each.duty is not None
            and 0.0 < each.duty < 0.9
            and each.air_c < self.band.at(at)[0] + 1.0
        ]
        recent = [each.duty for each in bins[-6:] if each.duty is not None]
        came_back = any(
            each.air_c is not None and each.air_c <= self.band.at(at)[0]
            for each, at in zip(bins[first:], hours[first:], strict=True)
        )
        warm_s = 0.0
        for each, at in zip(reversed(bins[first:]), reversed(hours[first:]), strict=True):
            if not too_warm(each, self.band.at(at)[0], self.band):
                break
            warm_s += BIN_S
        air_c = 0.5 * (cut_in_c + cut_out_c) if air_c is None else air_c
        return Start(
            hour=hour,
            air_c=air_c,
            slow_c=air_c if slow_c is None else slow_c,
            over_middle_k=sum(over) / len(over) if over else 0.0,
            unbroken=bool(recent)
            and (
                min(recent) > UNBROKEN
                or (air_c > cut_in_c and (not came_back or nearly_useless(bins[-1], self.band)))
            ),
            came_back=came_back,
            too_warm_for_s=warm_s if came_back else 0.0,
        )

    def _present(self, course: Course, fitted: Fit) -> Water:
        """Return the water now: from what was seen, or from the model where the probe is lost."""
        recent = course.seen_c[-5:]
        seen = [value for value in recent if value is not None]
        if len(seen) < 4 or recent[-1] is None:
            return fitted.now
        water_c = line_to(course.seen_c, bins=5)
        return fitted.now if water_c is None else replace(fitted.now, water_c=water_c)

    def _course(self, bins: Sequence[Bin], groups: tuple[Group, ...], room: Room) -> Course:
        return course_of(bins, groups, usual_room_c=lambda at_s: room.usual_c(self._hour_at(at_s)))

    def _room(self, bins: Sequence[Bin], hours: Vector) -> Room:
        if not self._room_probe:
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

    def _hours(self, bins: Sequence[Bin]) -> Vector:
        return [self._hour_at(each.start_s + 0.5 * BIN_S) for each in bins]

    def _coil_w_k(self) -> float:
        return math.exp(self._belief.mean[0])

    def _error_s(self, lead_s: float) -> float:
        """Return the forecast's usual error this long before the end [s]; late is positive."""
        leads, errors = LEADS_S, [self._errors[lead] for lead in LEADS_S]
        if lead_s <= leads[0]:
            return errors[0] * lead_s / leads[0] if lead_s < leads[0] else errors[0]
        for i in range(1, len(leads)):
            if lead_s <= leads[i]:
                share = (lead_s - leads[i - 1]) / (leads[i] - leads[i - 1])
                return errors[i - 1] + share * (errors[i] - errors[i - 1])
        return errors[-1]

    def _said(
        self,
        bins: Sequence[Bin],
        swap: Swap,
        due_s: float | None,
        early_s: float | None,
        late_s: float | None,
        reserve: tuple[float, ...],
        course: Course,
        fitted: Fit,
    ) -> Forecast:
        side = WaterSide(fitted.belief.mean, self.sized)
        taken_kj = (
            side.ice_left_j(course.start)
            - side.ice_left_j(fitted.now)
            + side.capacity_j_k(fitted.now)
            * (self._present(course, fitted).water_c - course.start.water_c)
        ) / 1000.0
        notes = []
        if swap.packs is None:
            notes.append(
                "a swap was seen in the reservoir that nobody logged; a full set is supposed"
            )
        if swap.through is False:
            notes.append("the packs were not frozen through")
        if not self._room_probe:
            notes.append("without a room probe a change of weather is noticed late")
        if course.seen_c[-1] is None:
            notes.append("the reservoir probe is lost; the water is reckoned")
        basis = "sized" if not self._past else "learned" if self._dues >= 3 else "mixed"
        return Forecast(
            as_of_s=bins[-1].end_s,
            due_s=due_s,
            early_s=early_s,
            late_s=late_s,
            reserve_kj=reserve[0],
            reserve_early_kj=reserve[1],
            reserve_late_kj=reserve[2],
            cycles_learned=self._dues,
            basis=basis,
            swap=swap,
            taken_up_kj=max(0.0, taken_kj),
            note="; ".join(notes),
        )


def _unknown(now_s: float, note: str) -> Forecast:
    return Forecast(
        as_of_s=now_s, due_s=None, early_s=None, late_s=None, reserve_kj=None,
        reserve_early_kj=None, reserve_late_kj=None, cycles_learned=0, basis="unknown", swap=None,
        taken_up_kj=None, note=note,
    )  # fmt: skip


def _reserve_kj(side: WaterSide, water: Water, end: End | None) -> float:
    """Return the heat that the reservoir still takes before it stops being useful [kJ]."""
    last_c = water.water_c if end is None else end.water_c
    left_j = side.ice_left_j(water) + side.capacity_j_k(water) * (last_c - water.water_c)
    return max(0.0, left_j / 1000.0)


def _widened(covariance: Matrix) -> Matrix:
    return [[WIDENED * value for value in row] for row in covariance]


def _quantile(ordered: Sequence[float], share: float) -> float:
    """Return a quantile of values in order, linear between them."""
    at = share * (len(ordered) - 1)
    low = int(at)
    high = min(low + 1, len(ordered) - 1)
    return ordered[low] + (at - low) * (ordered[high] - ordered[low])
