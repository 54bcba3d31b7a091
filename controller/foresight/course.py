"""One set of packs, from its swap on: what drove the water, and what the water did."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from controller.foresight.band import SPENT_BY_K, SPENT_FOR_S, HeldBand
from controller.foresight.bins import BIN_S, Bin
from controller.foresight.swaps import Swap
from controller.foresight.water_side import Group, Water, WaterCourse, WaterDrive

HELD_BINS = 24
"""Where nothing was recorded, the coil is taken to have worked as in the two hours before."""
DUTY_KNOWN = 0.5
"""A set of packs teaches nothing, and has no forecast, where less than this is known [share]."""
HARD_AT_WORK = 0.9
NEARLY_USELESS_K = 1.0
"""Water this close to the limit of its use makes the pump come and go [K]."""

HourAt = Callable[[float], float]
"""Local hour at an instant [s since 1970]."""


def steps_of(bins: Sequence[Bin], *, usual_room_c: Callable[[float], float]) -> list[WaterDrive]:
    """Return what drove the water, with holes filled by what was before them.

    Args:
        bins: Without a hole.
        usual_room_c: The room at an instant [s], for where it was not measured.
    """
    steps: list[WaterDrive] = []
    air_c = next((each.air_c for each in bins if each.air_c is not None), 15.0)
    duties: list[float] = []
    room_off_k: float | None = None
    for each in bins:
        if each.air_c is not None:
            air_c = each.air_c
        if each.duty is not None:
            duties.append(each.duty)
            duty = each.duty
        else:
            recent = duties[-HELD_BINS:]
            duty = sum(recent) / len(recent) if recent else 0.0
        usual_c = usual_room_c(each.start_s)
        if each.room_c is not None:
            room_off_k = each.room_c - usual_c
            room_c = each.room_c
        else:
            room_c = usual_c + (room_off_k or 0.0)
        steps.append(WaterDrive(duty, air_c, room_c))
    return steps


def groups_after(swap: Swap, before: tuple[Group, ...], packs_in_set: int) -> tuple[Group, ...]:
    """Return the packs in the water after a swap: the most spent ones went out.

    Args:
        swap: The swap.
        before: The packs in the water until then.
        packs_in_set: Packs of a full set.
    """
    share = 1.0 if swap.packs is None or packs_in_set < 1 else min(1.0, swap.packs / packs_in_set)
    fresh = Group(share, 0.0, None)
    stays = max(0.0, 1.0 - share)
    kept: list[Group] = []
    for group in sorted(before, key=lambda each: each.melted):
        if stays <= 1e-9:
            break
        part = min(group.share, stays)
        frozen = 1.0 if group.frozen is None else group.frozen
        kept.append(group._replace(share=part, frozen=frozen))
        stays -= part
    if stays > 1e-9:
        kept.append(Group(stays, 1.0, 1.0, None))
    return (fresh, *kept)


def course_of(
    bins: Sequence[Bin], groups: tuple[Group, ...], *, usual_room_c: Callable[[float], float]
) -> WaterCourse:
    """Return the course of a set of packs.

    Args:
        bins: From the swap on.
        groups: The packs then.
        usual_room_c: See `steps_of`.
    """
    begun_c = next((each.water_c for each in bins if each.water_c is not None), 8.0)
    return WaterCourse(
        start=Water(begun_c, groups),
        steps=steps_of(bins, usual_room_c=usual_room_c),
        seen_c=[each.water_c for each in bins],
    )


def duty_known(bins: Sequence[Bin]) -> bool:
    """Return whether it was recorded how long the coil worked, for most of what was recorded."""
    recorded = sum(each.air_c is not None or each.water_c is not None for each in bins)
    return sum(each.duty is not None for each in bins) >= DUTY_KNOWN * recorded


def due_seen(bins: Sequence[Bin], band: HeldBand, hour_at: HourAt) -> float | None:
    """Return when the cold of this set had run out, None where that was not seen.

    The first 20 minutes of the air above its limit, after it had come back to cut-in, while the
    coil worked hard or the water was nearly useless: a small chamber swings that far with cold
    water too. They are counted from where the mean of the air crossed the limit: a single reading
    below it tells of noise.
    """
    came_back = False
    warm: list[int] = []
    cut_ins_c = [band.at(hour_at(each.start_s + 0.5 * BIN_S))[0] for each in bins]
    for index, (each, cut_in_c) in enumerate(zip(bins, cut_ins_c, strict=True)):
        if each.air_c is None:
            warm.clear()
            continue
        if each.air_c <= cut_in_c:
            came_back = True
        if came_back and too_warm(each, cut_in_c, band):
            warm.append(index)
            if len(warm) * BIN_S >= SPENT_FOR_S:
                return _crossed_s(bins, cut_ins_c, warm[0])
        else:
            warm.clear()
    return None


def _crossed_s(bins: Sequence[Bin], cut_ins_c: Sequence[float], index: int) -> float:
    """Return when the mean of the air crossed its limit, before a bin that lies above [s]."""
    while index > 0:
        after, before = bins[index], bins[index - 1]
        over_k = (after.air_c or 0.0) - (cut_ins_c[index] + SPENT_BY_K)
        if before.air_c is None:
            break
        under_k = cut_ins_c[index - 1] + SPENT_BY_K - before.air_c
        if under_k >= 0.0:
            return before.start_s + BIN_S * (0.5 + under_k / (under_k + over_k))
        if before.duty is None or before.duty <= HARD_AT_WORK:
            break  # the air swings with the pump
        index -= 1
    return bins[index].start_s


def too_warm(each: Bin, cut_in_c: float, band: HeldBand) -> bool:
    """Return whether the air stayed above its limit although the coil did what it could."""
    if each.air_c is None or each.duty is None:
        return False
    low_c = each.air_c if each.air_low_c is None else each.air_low_c
    return low_c > cut_in_c + SPENT_BY_K and (
        each.duty > HARD_AT_WORK or nearly_useless(each, band)
    )


def nearly_useless(each: Bin, band: HeldBand) -> bool:
    """Return whether the water is hardly colder than it must be to be used at all."""
    return (
        each.water_c is not None
        and each.air_c is not None
        and each.water_c >= each.air_c - band.margin_k - NEARLY_USELESS_K
    )
