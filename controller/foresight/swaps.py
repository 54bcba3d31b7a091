"""Swaps, from what people logged and from the reservoir's fall, which knows better when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from controller.foresight.bins import BIN_S, Bin

SWAP_DROP_K = 1.5
SWAP_DROP_BINS = 6
"""Water that drops so far within so many bins has been given packs."""
APART_S = 3600.0
"""A second log within the hour is the same swap."""
LOG_AFTER_S, LOG_BEFORE_S = 90 * 60.0, 15 * 60.0
"""A log belongs to a fall that began up to 90 minutes before it, or 15 minutes after."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Logged:
    """What a person noted."""

    at_s: float
    packs: int
    through: bool | None = None
    """Whether the packs were frozen through, where the person said so."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Swap:
    """A swap as it is believed to have been."""

    at_s: float
    packs: int | None
    """None: nobody logged it; a full set is supposed."""
    through: bool | None = None
    seen: bool = True
    """Whether the reservoir's fall shows it."""


def find_swaps(bins: Sequence[Bin], logged: Sequence[Logged]) -> list[Swap]:
    """Return the swaps in the order of time.

    Args:
        bins: One after the other without a hole.
        logged: In any order.
    """
    if not bins:
        return []
    notes: list[Logged] = []
    for note in sorted(logged, key=lambda each: each.at_s):
        if note.packs > 0 and (not notes or note.at_s - notes[-1].at_s >= APART_S):
            notes.append(note)
    swaps: list[Swap] = []
    matched: set[int] = set()
    for onset_s in _falls(bins):
        match = next(
            (
                i
                for i, note in enumerate(notes)
                if i not in matched and -LOG_BEFORE_S <= note.at_s - onset_s <= LOG_AFTER_S
            ),
            None,
        )
        if match is None:
            swaps.append(Swap(at_s=onset_s, packs=None))
        else:
            matched.add(match)
            note = notes[match]
            swaps.append(Swap(at_s=onset_s, packs=note.packs, through=note.through))
    begins_s, ends_s = bins[0].start_s, bins[-1].end_s
    for i, note in enumerate(notes):
        if i not in matched and begins_s <= note.at_s <= ends_s:
            at_s = note.at_s // BIN_S * BIN_S
            if all(abs(at_s - swap.at_s) >= APART_S for swap in swaps):
                swaps.append(Swap(at_s=at_s, packs=note.packs, through=note.through, seen=False))
    return sorted(swaps, key=lambda swap: swap.at_s)


def _falls(bins: Sequence[Bin]) -> list[float]:
    """Return when each fall of the water began [s]."""
    onsets: list[float] = []
    falling = False
    for index in range(1, len(bins)):
        water_c = bins[index].water_c
        if water_c is None:
            continue
        before = [
            (each.water_c, each.end_s)
            for each in bins[max(0, index - SWAP_DROP_BINS) : index]
            if each.water_c is not None
        ]
        if not before:
            continue
        highest = max(value for value, _ in before)
        if highest - water_c < SWAP_DROP_K:
            falling = False
            continue
        if falling:
            continue  # the same fall goes on
        falling = True
        # the last bin near the top: what follows is the fall
        onset_s = max(end_s for value, end_s in before if value > highest - 0.15)
        if not onsets or onset_s - onsets[-1] >= APART_S:
            onsets.append(onset_s)
    return onsets
