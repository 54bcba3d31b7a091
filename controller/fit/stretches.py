"""What was recorded of a plant without a hole, and which of it is compared with a model."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from controller.foresight.swaps import Swap

LONGEST_SPAN_S = 180.0
"""Records keep one reading a minute; after a longer pause the replay begins anew [s]."""
SETTLING_S = 2 * 3600.0
"""Time in which crop and fabric, which no probe sees, come to where they were [s]."""
SWAP_SETTLING_S = 20 * 60.0
"""After a swap the water is stirred and the lid was open [s]."""


class Observed(NamedTuple):
    """What was recorded at an instant [°C], and what ran from then on."""

    at_s: float
    """Seconds since 1970, UTC."""
    air_c: float
    water_c: float
    room_c: float
    pump: bool
    fan: bool
    lights: bool = False
    """By the clock."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Readings without a hole, and the swaps that fell into them."""

    seen: tuple[Observed, ...]
    swaps: tuple[Swap, ...]

    @property
    def seconds(self) -> float:
        """Length [s]."""
        return self.seen[-1].at_s - self.seen[0].at_s


def stretches_of(
    seen: Sequence[Observed], swaps: Sequence[Swap], *, least_s: float = 2 * SETTLING_S
) -> Iterator[Stretch]:
    """Yield the stretches of a record that are long enough to say something.

    Args:
        seen: In the order of time.
        swaps: In the order of time.
        least_s: Shorter stretches are passed over [s].
    """
    begin = 0
    for index in range(1, len(seen) + 1):
        ends = index == len(seen) or seen[index].at_s - seen[index - 1].at_s > LONGEST_SPAN_S
        if not ends:
            continue
        first_s, last_s = seen[begin].at_s, seen[index - 1].at_s
        if last_s - first_s >= least_s:
            inside = tuple(swap for swap in swaps if first_s <= swap.at_s < last_s)
            yield Stretch(seen=tuple(seen[begin:index]), swaps=inside)
        begin = index


@dataclass(frozen=True, slots=True, kw_only=True)
class Offsets:
    """What the probes are off, each against the one in the air [K]."""

    water_k: float = 0.0
    room_k: float = 0.0


class ReadingIntegral:
    """Readings as a course of straight lines, and its means."""

    def __init__(self, at_s: Any, values: Sequence[float]) -> None:
        read = np.array(values)
        steps = np.diff(at_s) * 0.5 * (read[1:] + read[:-1])
        self._at_s, self._read = at_s, read
        self._sums = np.concatenate([[0.0], np.cumsum(steps)])

    def _until(self, instant_s: float) -> float:
        at_s, read = self._at_s, self._read
        index = min(max(int(np.searchsorted(at_s, instant_s, side="right")) - 1, 0), len(at_s) - 1)
        past_s = instant_s - float(at_s[index])
        end = float(np.interp(instant_s, at_s, read))
        return float(self._sums[index]) + past_s * 0.5 * (float(read[index]) + end)

    def mean(self, begins_s: float, ends_s: float) -> float:
        """Return the mean between two instants."""
        return (self._until(ends_s) - self._until(begins_s)) / (ends_s - begins_s)


def since_first_s(stretch: Stretch) -> Any:
    """Return the instants of the readings, counted from the first one [s]."""
    return np.array([reading.at_s - stretch.seen[0].at_s for reading in stretch.seen])


def sets_in(stretch: Stretch, *, whole_set: int) -> list[Swap]:
    """Return the swaps by which a whole set went in, from which on the packs are known."""
    return [s for s in stretch.swaps if s.packs is None or s.packs >= whole_set]


def counts_for_air(stretch: Stretch) -> list[bool]:
    """Return which readings of the air are compared: those after the model has settled."""
    begins_s = stretch.seen[0].at_s + SETTLING_S
    return [reading.at_s >= begins_s for reading in stretch.seen]


def counts_for_water(stretch: Stretch, *, whole_set: int) -> list[bool]:
    """Return which readings of the reservoir are compared.

    Those from the first whole set on, from which the model has one, but not those about a swap.
    """
    sets = sets_in(stretch, whole_set=whole_set)
    begins_s = sets[0].at_s if sets else math.inf
    swaps = [swap.at_s for swap in stretch.swaps]
    return [
        reading.at_s >= begins_s
        and not any(-SWAP_SETTLING_S / 2 <= reading.at_s - at_s < SWAP_SETTLING_S for at_s in swaps)
        for reading in stretch.seen
    ]
