"""The past in pieces of an hour at most, summed so that they can be joined without loss.

A piece is made of readings that follow each other within one hour on the site's clock, while one
stage and one band were in force. Joining pieces gives what going through every reading gives; so a
year is summed up in a moment, and its figures stay as they are when its readings are thinned.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from itertools import count

from controller.domain.events import STAGE, InForce, RecordedEvent
from controller.records.columns import HELD_MS
from controller.records.reader import RecordedReading
from controller.records.runs import FOREVER_MS

NEAR_MK = 500
"""Air this close to its band counts as in it [mK]: probes lag."""
LEAST_GAP_MS = 1000
"""A shorter time without a reading is no gap [ms]."""
HOUR_MS = 3_600_000


class ForceOverTime:
    """Which stage and band were in force when; asked in the order of time."""

    def __init__(self, events: Iterable[RecordedEvent], first: InForce) -> None:
        """Take the events in.

        Args:
            events: Stages and bands put in force, in any order; others are passed over.
            first: In force before the first of them.
        """
        self._changes: list[tuple[int, InForce]] = []
        now = first
        for event in sorted(events, key=lambda event: event.at):
            band = event.band
            then = InForce(
                stage=event.name if event.kind == STAGE else now.stage,
                cut_out_mc=now.cut_out_mc if band is None else band.cut_out_mc,
                cut_in_mc=now.cut_in_mc if band is None else band.cut_in_mc,
            )
            if then != now:  # each start of the service names them again
                self._change(ms_of(event.at), then, before=first)
                now = then
        self._next = 0
        self._now = first

    def _change(self, at_ms: int, then: InForce, *, before: InForce) -> None:
        """Take a change in; of several in one instant the last counts, and may change nothing."""
        if self._changes and self._changes[-1][0] == at_ms:
            self._changes.pop()
        if then != (self._changes[-1][1] if self._changes else before):
            self._changes.append((at_ms, then))

    def at(self, at_ms: int) -> InForce:
        """Return what is in force at an instant [ms since 1970], no earlier than the last one."""
        while self._next < len(self._changes) and self._changes[self._next][0] <= at_ms:
            self._now = self._changes[self._next][1]
            self._next += 1
        return self._now

    @property
    def passed(self) -> int:
        """How many changes had come by the instant asked for last."""
        return self._next

    @property
    def until_ms(self) -> int:
        """When the next change is due after the instant asked for last [ms since 1970]."""
        return self._changes[self._next][0] if self._next < len(self._changes) else FOREVER_MS


@dataclass(slots=True)
class Sums:
    """What readings add up to, each for as long as it stood, in whole ms and mK."""

    recorded_ms: int = 0
    air_lost_ms: int = 0
    in_band_ms: int = 0
    above_mk_ms: int = 0
    below_mk_ms: int = 0
    air_mc_ms: int = 0
    pump_ms: float = 0.0

    def stand(self, lasted_ms: int, air_mc: int | None, pump: float, force: InForce) -> None:
        """Add a reading that stood for a time [ms]."""
        self.recorded_ms += lasted_ms
        self.pump_ms += pump * lasted_ms
        if air_mc is None:
            self.air_lost_ms += lasted_ms
            return
        self.air_mc_ms += air_mc * lasted_ms
        above_mk = max(0, air_mc - force.cut_in_mc)
        below_mk = max(0, force.cut_out_mc - air_mc)
        if max(above_mk, below_mk) <= NEAR_MK:
            self.in_band_ms += lasted_ms
        self.above_mk_ms += above_mk * lasted_ms
        self.below_mk_ms += below_mk * lasted_ms

    def add(self, other: Sums) -> None:
        """Add what others add up to."""
        self.recorded_ms += other.recorded_ms
        self.air_lost_ms += other.air_lost_ms
        self.in_band_ms += other.in_band_ms
        self.above_mk_ms += other.above_mk_ms
        self.below_mk_ms += other.below_mk_ms
        self.air_mc_ms += other.air_mc_ms
        self.pump_ms += other.pump_ms


@dataclass(slots=True)
class PumpLengths:
    """Shortest and longest run, shortest rest, of those that began and ended within [ms]."""

    shortest_run_ms: int | None = None
    longest_run_ms: int | None = None
    shortest_rest_ms: int | None = None

    def ended(self, length_ms: int, *, pump_on: bool) -> None:
        """Take note of a run or a rest that ended."""
        if pump_on:
            self.shortest_run_ms = _least(self.shortest_run_ms, length_ms)
            self.longest_run_ms = max(self.longest_run_ms or 0, length_ms)
        else:
            self.shortest_rest_ms = _least(self.shortest_rest_ms, length_ms)

    def join(self, other: PumpLengths) -> None:
        """Take note of what others have seen."""
        self.shortest_run_ms = _least(self.shortest_run_ms, other.shortest_run_ms)
        self.shortest_rest_ms = _least(self.shortest_rest_ms, other.shortest_rest_ms)
        if other.longest_run_ms is not None:
            self.longest_run_ms = max(self.longest_run_ms or 0, other.longest_run_ms)


@dataclass(slots=True, kw_only=True)
class Piece:
    """Readings that are summed; the last one stands open until it is known what follows."""

    first_ms: int
    """When the first reading was taken [ms since 1970], and the last."""
    last_ms: int
    force: InForce
    switches_known: bool
    last_air_mc: int | None
    last_pump: float
    """Share of the time on, 0 to 1, for which the last reading stands."""
    sums: Sums = field(default_factory=Sums)
    """Of each reading but the last, until the next one."""
    gaps: list[tuple[int, int]] = field(default_factory=list)
    """Begin and end of each time without readings within the piece."""
    starts: int = 0
    """Of the pump, but for one at the first reading, which the piece before decides."""
    first_on: bool | None = None
    """Whether the pump ran at the first reading; None: it is a row of five minutes, or unknown."""
    first_change_ms: int | None = None
    """When the pump first changed; None: not before the first gap or row of five minutes."""
    broken: bool = False
    """Whether a gap or a row of five minutes separates what came before from what comes after."""
    last_on: bool | None = None
    """Whether the pump ran at the end; None: not known."""
    since_ms: int | None = None
    """Since when, by a change within the piece."""
    lengths: PumpLengths = field(default_factory=PumpLengths)
    """Runs and rests that both began and ended within."""


class PumpJoin:
    """Starts, runs and rests of pieces that follow each other."""

    def __init__(self) -> None:
        """Begin without a past."""
        self.lengths = PumpLengths()
        self._on: bool | None = None
        self._since_ms: int | None = None

    def forget(self) -> None:
        """Begin anew behind a gap."""
        self._on = self._since_ms = None

    def follow(self, piece: Piece) -> int:
        """Take the next piece in; return how often the pump started in it."""
        starts = piece.starts
        if piece.first_on is None:
            self.forget()
        else:
            if self._on is not None and piece.first_on is not self._on:
                self._changed(piece.first_ms, self._on)
                starts += piece.first_on
            self._on = piece.first_on
            if piece.first_change_ms is not None:
                self._changed(piece.first_change_ms, piece.first_on)
        self.lengths.join(piece.lengths)
        if piece.broken or piece.first_change_ms is not None:
            self._since_ms = piece.since_ms
        self._on = piece.last_on
        return starts

    def _changed(self, at_ms: int, pump_on: bool) -> None:
        if self._since_ms is not None:
            self.lengths.ended(at_ms - self._since_ms, pump_on=pump_on)
        self._since_ms = at_ms


def pieces_of(
    readings: Iterable[RecordedReading], force: ForceOverTime, zone: tzinfo | None
) -> Iterator[Piece]:
    """Yield readings as pieces that are as long as they can be.

    Args:
        readings: In the order of time.
        force: What was in force.
        zone: The site's zone, whose hours bound the pieces.
    """
    piece: Piece | None = None
    passed = 0
    hour_ends_ms = -FOREVER_MS
    for reading in readings:
        at_ms = ms_of(reading.at)
        now = force.at(at_ms)
        if (
            piece is not None
            and at_ms < hour_ends_ms
            and force.passed == passed  # also of a change that no reading saw and that is undone
            and piece.switches_known is reading.switches_known
        ):
            _append(piece, reading, at_ms)
            continue
        if piece is not None:
            yield piece
        if at_ms >= hour_ends_ms:
            hour_ends_ms = hour_end(at_ms, zone)
        piece, passed = _begun(reading, at_ms, now), force.passed
    if piece is not None:
        yield piece


def hour_end(at_ms: int, zone: tzinfo | None) -> int:
    """Return when the hour of the site's clock ends in which an instant lies [ms since 1970].

    Where a change of the clock ends the hour earlier, that is the end.
    """
    local_ms = at_ms + _offset_ms(at_ms, zone)
    end_ms = at_ms - local_ms % HOUR_MS + HOUR_MS
    if _offset_ms(end_ms - 1, zone) == local_ms - at_ms:
        return end_ms
    # zones change at whole minutes: Lord Howe by half an hour, some in the past by less
    minute = next(
        minute
        for minute in count(at_ms // 60_000 + 1)
        if _offset_ms(minute * 60_000, zone) != local_ms - at_ms
    )
    return minute * 60_000


def ms_of(at: datetime) -> int:
    """Return an instant in milliseconds since 1970."""
    return round(at.timestamp() * 1000)


def utc_of(at_ms: int) -> datetime:
    """Return an instant [ms since 1970] as an aware one, UTC."""
    return datetime.fromtimestamp(at_ms / 1000, UTC)


def _offset_ms(at_ms: int, zone: tzinfo | None) -> int:
    offset = utc_of(at_ms).astimezone(zone).utcoffset()
    assert offset is not None
    return round(offset.total_seconds() * 1000)


def _begun(reading: RecordedReading, at_ms: int, force: InForce) -> Piece:
    """Return a piece of one reading."""
    single = reading.switches_known and reading.starts is None
    return Piece(
        first_ms=at_ms,
        last_ms=at_ms,
        force=force,
        switches_known=reading.switches_known,
        last_air_mc=reading.air_mc,
        last_pump=_pump_of(reading),
        starts=(reading.starts or 0) if reading.switches_known else 0,
        first_on=reading.pump if single else None,
        broken=not single,
        last_on=reading.pump if single else None,
    )


def _append(piece: Piece, reading: RecordedReading, at_ms: int) -> None:
    """Make a piece longer by the reading that follows its last one."""
    lasted_ms = max(0, min(at_ms - piece.last_ms, HELD_MS))
    piece.sums.stand(lasted_ms, piece.last_air_mc, piece.last_pump, piece.force)
    ended_ms = piece.last_ms + lasted_ms
    if at_ms - ended_ms > LEAST_GAP_MS:
        piece.gaps.append((ended_ms, at_ms))
        _break(piece)
    if not reading.switches_known:
        pass  # the whole piece says nothing of the pump
    elif reading.starts is not None:
        _break(piece)
        piece.starts += reading.starts
    else:
        _see(piece, at_ms, reading.pump)
    piece.last_ms = at_ms
    piece.last_air_mc = reading.air_mc
    piece.last_pump = _pump_of(reading)


def _break(piece: Piece) -> None:
    piece.broken = True
    piece.last_on = piece.since_ms = None


def _see(piece: Piece, at_ms: int, on: bool) -> None:
    """Take note of the pump at a reading."""
    if piece.last_on is not None and on is not piece.last_on:
        piece.starts += on
        if piece.since_ms is not None:
            piece.lengths.ended(at_ms - piece.since_ms, pump_on=not on)
        elif not piece.broken:
            piece.first_change_ms = at_ms
        piece.since_ms = at_ms
    piece.last_on = on


def _pump_of(reading: RecordedReading) -> float:
    return float(reading.pump) if reading.pump_share is None else reading.pump_share


def _least(one: int | None, other: int | None) -> int | None:
    if one is None or other is None:
        return other if one is None else one
    return min(one, other)
