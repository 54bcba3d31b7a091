"""How things stand at an instant: everything that a forecast starts from."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from controller.foresight.air_side import SLOW_S, UNBROKEN, LearnedLoad
from controller.foresight.algebra import Vector
from controller.foresight.band import HeldBand
from controller.foresight.bins import BIN_S, Bin, line_to
from controller.foresight.course import nearly_useless, too_warm
from controller.foresight.forward import Outlook, RunConditions, Start
from controller.foresight.room_side import Room
from controller.foresight.sized import Sized
from controller.foresight.swaps import Swap
from controller.foresight.water_fit import LINE_BINS, WaterFit
from controller.foresight.water_side import Water, WaterCourse, WaterSide

HALF_DAY_BINS = 144
LINE_OF_AIR_BINS = 8
CYCLING_BINS = 6
CYCLING_COUNTS = 2.0
"""What the band itself counts for in the mean of cycling air [half hours] …"""
CYCLING_WITHIN_K = 1.0
"""… and how far over cut-in that mean may lie to be one of cycling air [K]."""
PULL_DOWN_BINS = 36
"""Fresh packs bring the air back to cut-in within three hours, or not at all."""


@dataclass(frozen=True, kw_only=True)
class Situation:
    """The chamber at the end of the last bin."""

    now_s: float
    """Seconds since 1970, UTC."""
    swap: Swap
    """The swap that brought the packs that are in the water."""
    sized: Sized
    course: WaterCourse
    fitted: WaterFit
    start: Start
    water: Water
    load: LearnedLoad
    room: Room
    band: HeldBand
    room_probe: bool

    @cached_property
    def around(self) -> RunConditions:
        """What acts on the chamber from now on, as far as it is known."""
        return self.around_later(0.0, hour=self.start.hour)

    def around_later(self, later_s: float, *, hour: float) -> RunConditions:
        """Return what acts on the chamber from a later moment on.

        Args:
            later_s: How long from now [s].
            hour: Local hour then.
        """
        return RunConditions(
            load=self.load,
            values=self.load.mean,
            outlook=Outlook(
                hour=hour,
                room=self.room.ahead_c,
                band=self.band,
                lights=self.sized.lights,
                today_lasts_s=self.load.today_lasts_s,
                later_s=later_s,
            ),
            room_probe=self.room_probe,
            margin_k=self.band.margin_k,
        )

    @property
    def side(self) -> WaterSide:
        """The reservoir's equation with the values that fit best."""
        return WaterSide(self.fitted.belief.mean, self.sized)


def present_water(course: WaterCourse, fitted: WaterFit) -> Water:
    """Return the water now: from what was seen, or from the model where the probe is lost."""
    recent = course.seen_c[-LINE_BINS:]
    if sum(value is not None for value in recent) < 4 or recent[-1] is None:
        return fitted.now
    water_c = line_to(course.seen_c, bins=LINE_BINS)
    return fitted.now if water_c is None else fitted.now._replace(water_c=water_c)


def _over_cut_out_k(
    lately: Sequence[tuple[Bin, float]], band: HeldBand, hour: float
) -> tuple[float, float]:
    """Return how far the mean of the air lies over cut-out: by the share of rests, and usually [K].

    Half hours of the last ones, in a line through nothing where the coil never rests: the air is
    then at cut-out. A long pause lets it climb, far beyond cut-in where it climbs quickly.
    """
    cut_in_c, cut_out_c = band.at(hour)
    squares = CYCLING_COUNTS * 0.25
    products = (cut_in_c - cut_out_c) * squares
    over_k, counted = 0.5 * CYCLING_COUNTS * (cut_in_c - cut_out_c), CYCLING_COUNTS
    for first in range(0, len(lately) - CYCLING_BINS + 1, CYCLING_BINS):
        part = lately[first : first + CYCLING_BINS]
        air = [each.air_c for each, _ in part if each.air_c is not None]
        duties = [each.duty for each, _ in part if each.duty is not None]
        if len(air) < CYCLING_BINS or len(duties) < CYCLING_BINS:
            continue
        air_c, rests = sum(air) / len(air), 1.0 - sum(duties) / len(duties)
        held_in_c, held_out_c = band.at(part[0][1])
        if min(duties) < UNBROKEN and rests < 1.0 and air_c < held_in_c + CYCLING_WITHIN_K:
            squares += rests * rests
            products += rests * (air_c - held_out_c)
            over_k += air_c - held_out_c
            counted += 1.0
    return max(0.0, products / squares), max(0.0, over_k / counted)


def start_of(
    bins: Sequence[Bin], hours: Vector, *, first: int, hour_now: float, band: HeldBand
) -> Start:
    """Return how the air stands at the end of *bins*.

    Args:
        bins: Without a hole.
        hours: Local hour of the middle of each.
        first: Index of the bin in which the present packs went in.
        hour_now: Local hour at the end.
        band: What the air is held between.
    """
    cut_in_c, cut_out_c = band.at(hour_now)
    lately = list(zip(bins[-HALF_DAY_BINS:], hours[-HALF_DAY_BINS:], strict=True))
    share = 1.0 - math.exp(-BIN_S / SLOW_S)
    slow_c: float | None = None
    for each, _ in lately:
        if each.air_c is None:
            continue
        slow_c = each.air_c if slow_c is None else slow_c + share * (each.air_c - slow_c)
    own = list(zip(bins[first:], hours[first:], strict=True))
    came_back = any(each.air_c is not None and each.air_c <= band.at(hour)[0] for each, hour in own)
    warm_s = 0.0
    for each, hour in reversed(own):
        if not too_warm(each, band.at(hour)[0], band):
            break
        warm_s += BIN_S
    air_c = line_to([each.air_c for each in bins[-LINE_OF_AIR_BINS:]], bins=LINE_OF_AIR_BINS)
    air_c = 0.5 * (cut_in_c + cut_out_c) if air_c is None else air_c
    recent = [each.duty for each in bins[-6:] if each.duty is not None]
    hard_pressed = air_c > cut_in_c and (not came_back or nearly_useless(bins[-1], band))
    over_k, usually_over_k = _over_cut_out_k(lately, band, hour_now)
    return Start(
        hour=hour_now,
        air_c=air_c,
        slow_c=air_c if slow_c is None else slow_c,
        over_cut_out_k=over_k,
        usually_over_k=usually_over_k,
        unbroken=bool(recent) and (min(recent) > UNBROKEN or hard_pressed),
        came_back=came_back,
        too_warm_for_s=warm_s if came_back else 0.0,
    )
