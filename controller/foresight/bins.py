"""Five-minute means of what the probes showed, the only thing that foresight looks at."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

BIN_S = 300.0
HELD_S = 180.0
"""A reading holds until the next one, but no longer than this [s]: records keep one a minute."""
SETTLED_S = 1200.0
"""Records come in batches: a bin is closed for good this long after its end [s]."""
LEAST_COVERED = 0.4
"""A mean over less of its five minutes than this is no reading [-]."""


class RecordedSample(NamedTuple):
    """What was recorded at an instant [°C]; None where a probe was lost or is not fitted."""

    at_s: float
    """Seconds since 1970, UTC."""
    air_c: float | None
    water_c: float | None
    room_c: float | None
    cooling: bool | None
    """Pump and fan both on; None: not recorded."""


class Bin(NamedTuple):
    """Means over five minutes; None where too little was recorded."""

    start_s: float
    """Seconds since 1970, UTC; a multiple of `BIN_S`."""
    air_c: float | None
    water_c: float | None
    room_c: float | None
    duty: float | None
    """Share of the time with pump and fan on."""
    air_low_c: float | None = None
    """Coldest reading of the air."""

    @property
    def end_s(self) -> float:
        """When it ends [s]."""
        return self.start_s + BIN_S


def bins_of(samples: Iterable[RecordedSample], *, until_s: float) -> Iterator[Bin]:
    """Yield the bins that samples fill, without a hole from the first to the last whole one.

    Args:
        samples: In the order of time.
        until_s: Nothing later than this is looked at; a bin that ends later is left out.
    """
    making = _Making()
    last: RecordedSample | None = None
    for sample in samples:
        if sample.at_s >= until_s:
            break
        if last is not None and sample.at_s > last.at_s:
            yield from making.spread(last, min(sample.at_s, last.at_s + HELD_S), sample.at_s)
        last = sample
    if last is not None:
        yield from making.spread(last, min(until_s, last.at_s + HELD_S), until_s)


class _Making:
    """The bin being filled: sums of value times seconds, and the seconds."""

    def __init__(self) -> None:
        self._start_s: float | None = None
        self._clear()

    def _clear(self) -> None:
        self._sums = [0.0, 0.0, 0.0, 0.0]
        self._seconds = [0.0, 0.0, 0.0, 0.0]
        self._low_c: float | None = None

    def spread(self, sample: RecordedSample, held_until_s: float, next_s: float) -> Iterator[Bin]:
        """Spread a sample over the bins that it covers; yield those that end by *next_s*."""
        if self._start_s is None:
            self._start_s = sample.at_s // BIN_S * BIN_S
        at_s = sample.at_s
        cooling = None if sample.cooling is None else float(sample.cooling)
        values = (sample.air_c, sample.water_c, sample.room_c, cooling)
        while True:
            end_s = self._start_s + BIN_S
            covered_s = min(held_until_s, end_s) - at_s
            if covered_s > 0.0:
                for index, value in enumerate(values):
                    if value is not None:
                        self._sums[index] += value * covered_s
                        self._seconds[index] += covered_s
                if sample.air_c is not None and (self._low_c is None or sample.air_c < self._low_c):
                    self._low_c = sample.air_c
                at_s += covered_s
            if end_s > next_s:
                return
            yield self._closed()
            self._start_s = end_s
            at_s = max(at_s, end_s)

    def _closed(self) -> Bin:
        assert self._start_s is not None
        air_c, water_c, room_c, duty = (
            total / seconds if seconds >= LEAST_COVERED * BIN_S else None
            for total, seconds in zip(self._sums, self._seconds, strict=True)
        )
        low_c = None if air_c is None else self._low_c
        made = Bin(self._start_s, air_c, water_c, room_c, duty, low_c)
        self._clear()
        return made


class BinLog:
    """Samples as they come, and the bins that they fill; a bin is filled once."""

    def __init__(self) -> None:
        self._closed: list[Bin] = []
        self._open: list[RecordedSample] = []
        """What the bins to come are made of: since just before the end of the last closed one."""

    @property
    def newest_s(self) -> float | None:
        """Instant of the newest sample [s since 1970], None before the first."""
        return self._open[-1].at_s if self._open else None

    def add(self, samples: Iterable[RecordedSample], *, since_s: float | None = None) -> None:
        """Take more samples.

        Args:
            samples: In the order of time.
            since_s: What came before for this instant and later is replaced by them; None: they
                follow what is here.
        """
        if since_s is not None:
            while self._closed and self._closed[-1].end_s > since_s:
                self._closed.pop()
            self._open = [sample for sample in self._open if sample.at_s < since_s]
        self._open.extend(samples)

    def forget_before(self, since_s: float) -> None:
        """Forget bins and samples that are older than this [s since 1970]."""
        self._closed = [each for each in self._closed if each.start_s >= since_s]
        self._open = [sample for sample in self._open if sample.at_s >= since_s]

    def until(self, now_s: float) -> list[Bin]:
        """Return the bins until an instant, without a hole from the first to the last whole one.

        Args:
            now_s: Samples at this instant or later are not looked at [s since 1970].
        """
        if self._closed and self._closed[-1].end_s > now_s:
            return [each for each in self._closed if each.end_s <= now_s]
        begins_s = self._closed[-1].end_s if self._closed else -math.inf
        made = [each for each in bins_of(self._open, until_s=now_s) if each.start_s >= begins_s]
        self._close(made, now_s)
        return [*self._closed, *(each for each in made if each.end_s > self._closed_until_s)]

    @property
    def _closed_until_s(self) -> float:
        return self._closed[-1].end_s if self._closed else -math.inf

    def _close(self, made: Sequence[Bin], now_s: float) -> None:
        newest_s = min(now_s, self._open[-1].at_s) if self._open else now_s
        self._closed.extend(each for each in made if each.end_s <= newest_s - SETTLED_S)
        ends_s = self._closed_until_s
        first = bisect_left(self._open, ends_s, key=lambda sample: sample.at_s)
        if first > 0:  # the one before reaches into the bin
            del self._open[: first - 1]


def line_to(values: Sequence[float | None], *, bins: int) -> float | None:
    """Return where a straight line through the last bins ends; None with too few readings.

    Args:
        values: Means of consecutive bins, the last one ending now.
        bins: How many to look back.
    """
    points = [
        (float(i - bins) + 0.5, value)
        for i, value in enumerate(values[-bins:], start=bins - min(bins, len(values)))
        if value is not None
    ]
    if len(points) < 3:
        return points[-1][1] if points else None
    n = len(points)
    mean_t = sum(t for t, _ in points) / n
    mean_v = sum(v for _, v in points) / n
    spread = sum((t - mean_t) ** 2 for t, _ in points)
    slope = sum((t - mean_t) * (v - mean_v) for t, v in points) / spread
    return mean_v - slope * mean_t
