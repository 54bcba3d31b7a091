"""What the crop had: figures of a span, from readings, events and swaps. Pure.

A reading holds until the next one, but no longer than five minutes; what is longer is a gap, named
as one and in no other figure.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta, tzinfo
from itertools import pairwise

from controller.domain.alarms import AlarmName
from controller.domain.events import REFUSED, EventKind, RecordedEvent
from controller.domain.requests import LoggedSwap
from controller.history.alarm_figures import AlarmFigures, PastAlarm, alarm_figures
from controller.records.columns import HELD_MS
from controller.records.pieces import (
    LEAST_GAP_MS,
    Piece,
    PumpJoin,
    Sums,
    ms_of,
    utc_of,
)

REPORTED = frozenset(
    {
        EventKind.RAISED.value,
        EventKind.CLEARED.value,
        EventKind.TRIP.value,
        REFUSED,
    }
)
"""Kinds of event that a report is made of, beside stages and bands, which its pieces hold."""
_HOUR_S = 3600.0
_MK_MS_OF_K_H = 3.6e9


@dataclass(slots=True)
class StageFigures:
    """What one stage had."""

    known_s: float = 0.0
    in_band_s: float = 0.0
    above_k_h: float = 0.0
    below_k_h: float = 0.0
    air_k_s: float = 0.0

    @property
    def in_band_share(self) -> float:
        """Share of the known time in the band, half a kelvin allowed [-]."""
        return self.in_band_s / self.known_s if self.known_s else 0.0

    @property
    def mean_c(self) -> float | None:
        """Mean air [°C]."""
        return self.air_k_s / self.known_s if self.known_s else None


@dataclass(slots=True)
class Report:
    """All figures of a span."""

    since: datetime
    until: datetime
    stages: dict[str, StageFigures] = field(default_factory=dict)
    recorded_s: float = 0.0
    air_lost_s: float = 0.0
    switches_known_s: float = 0.0
    """Of the recorded time, that of which it was recorded whether pump and fan ran."""
    pump_s: float = 0.0
    starts: int = 0
    starts_by_day: dict[str, int] = field(default_factory=dict)
    shortest_run_s: float | None = None
    longest_run_s: float | None = None
    shortest_rest_s: float | None = None
    duty_by_hour: list[float | None] = field(default_factory=lambda: [None] * 24)
    packs: int = 0
    set_hours: list[float] = field(default_factory=list)
    """How long each set of packs was in, up to the next swap [h]."""
    alarms: list[PastAlarm] = field(default_factory=list)
    alarm_figures: tuple[AlarmFigures, ...] = ()
    """How each alarm behaved, the most frequent first."""
    trips: int = 0
    probes_lost: dict[str, int] = field(default_factory=dict)
    """How often each probe was lost."""
    refused: dict[str, dict[str, int]] = field(default_factory=dict)
    """Readings refused, by probe and reason."""
    gaps: list[tuple[datetime, datetime]] = field(default_factory=list)

    @property
    def duty(self) -> float | None:
        """Share of the time with the pump on, of that of which it is known; None: of none."""
        return self.pump_s / self.switches_known_s if self.switches_known_s else None

    @property
    def alarms_per_day(self) -> float:
        """How many alarms were raised a day, of a span of a day at least."""
        days = max(1.0, (self.until - self.since) / timedelta(days=1))
        return sum(each.count for each in self.alarm_figures) / days


def report_of(
    pieces: Iterable[Piece],
    events: Sequence[RecordedEvent],
    swaps: Sequence[LoggedSwap],
    *,
    since: datetime,
    until: datetime,
    zone: tzinfo | None,
) -> Report:
    """Return the figures of a span.

    Args:
        pieces: What was recorded, in the order of time, of the span.
        events: In the order of time, from some days before the span on.
        swaps: In any order.
        since: Begin, aware.
        until: End, aware.
        zone: The chamber's zone, for days and hours.
    """
    report = Report(since=since, until=until)
    _times(report, pieces, zone)
    _swaps(report, swaps)
    _alarms(report, events)
    _refused(report, events)
    return report


class _Joined:
    """Pieces of a record joined: what each adds up to, and how long its last reading stood."""

    def __init__(self, since_ms: int, zone: tzinfo | None) -> None:
        self.stages: dict[str, Sums] = {}
        self.hours = [[0.0, 0] for _ in range(24)]
        """Of each hour of the day: milliseconds with the pump on, and recorded ones."""
        self.gaps: list[tuple[int, int]] = []
        self.starts_by_day: dict[str, int] = {}
        self.pump = PumpJoin()
        self._zone = zone
        self._last: Piece | None = None
        self._last_hour = 0
        self._ended_ms = since_ms

    def take(self, piece: Piece) -> None:
        """Join the next piece."""
        self._close(piece.first_ms)
        if piece.first_ms - self._ended_ms > LEAST_GAP_MS:
            self.gaps.append((self._ended_ms, piece.first_ms))
            self.pump.forget()
        local = utc_of(piece.first_ms).astimezone(self._zone)
        self.gaps += piece.gaps
        self._add(piece, piece.sums, local.hour)
        starts = self.pump.follow(piece)
        if starts:
            day = local.date().isoformat()
            self.starts_by_day[day] = self.starts_by_day.get(day, 0) + starts
        self._last, self._last_hour = piece, local.hour

    def end(self, until_ms: int) -> None:
        """Join no more: the last reading stands until the end, or until nothing is known."""
        self._close(until_ms)
        if until_ms - self._ended_ms > HELD_MS:
            self.gaps.append((self._ended_ms, until_ms))

    def _close(self, next_ms: int) -> None:
        piece = self._last
        if piece is None:
            return
        lasted_ms = max(0, min(next_ms - piece.last_ms, HELD_MS))
        sums = Sums()
        sums.stand(lasted_ms, piece.last_air_mc, piece.last_pump, piece.force)
        self._add(piece, sums, self._last_hour)
        self._ended_ms = piece.last_ms + lasted_ms

    def _add(self, piece: Piece, sums: Sums, hour: int) -> None:
        self.stages.setdefault(piece.force.stage, Sums()).add(sums)
        if piece.switches_known:
            self.hours[hour][0] += sums.pump_ms
            self.hours[hour][1] += sums.recorded_ms


def _times(report: Report, pieces: Iterable[Piece], zone: tzinfo | None) -> None:
    """Fill in all that lasts: stages, running times, gaps."""
    joined = _Joined(ms_of(report.since), zone)
    for piece in pieces:
        joined.take(piece)
    joined.end(ms_of(report.until))
    total = Sums()
    for sums in joined.stages.values():
        total.add(sums)
    report.starts_by_day = joined.starts_by_day
    report.starts = sum(joined.starts_by_day.values())
    report.gaps = [(utc_of(begin), utc_of(end)) for begin, end in joined.gaps]
    report.recorded_s = total.recorded_ms / 1000
    report.air_lost_s = total.air_lost_ms / 1000
    report.pump_s = sum(on_ms for on_ms, _ in joined.hours) / 1000
    report.switches_known_s = sum(known_ms for _, known_ms in joined.hours) / 1000
    report.duty_by_hour = [
        on_ms / known_ms if known_ms else None for on_ms, known_ms in joined.hours
    ]
    lengths = joined.pump.lengths
    report.shortest_run_s = _seconds(lengths.shortest_run_ms)
    report.longest_run_s = _seconds(lengths.longest_run_ms)
    report.shortest_rest_s = _seconds(lengths.shortest_rest_ms)
    report.stages = {
        name: _stage_figures(sums)
        for name, sums in joined.stages.items()
        if sums.recorded_ms > sums.air_lost_ms
    }


def _stage_figures(sums: Sums) -> StageFigures:
    return StageFigures(
        known_s=(sums.recorded_ms - sums.air_lost_ms) / 1000,
        in_band_s=sums.in_band_ms / 1000,
        above_k_h=sums.above_mk_ms / _MK_MS_OF_K_H,
        below_k_h=sums.below_mk_ms / _MK_MS_OF_K_H,
        air_k_s=sums.air_mc_ms / 1_000_000,
    )


def _seconds(length_ms: int | None) -> float | None:
    return None if length_ms is None else length_ms / 1000


def _swaps(report: Report, swaps: Sequence[LoggedSwap]) -> None:
    ordered = sorted(swaps, key=lambda swap: swap.at)
    within = [swap for swap in ordered if report.since <= swap.at < report.until]
    report.packs = sum(swap.packs for swap in within)
    report.set_hours = [
        (after.at - before.at).total_seconds() / _HOUR_S
        for before, after in pairwise(ordered)
        if report.since <= after.at < report.until
    ]


def _alarms(report: Report, events: Sequence[RecordedEvent]) -> None:
    """Pair each alarm raised with its end; an alarm that stood before the span counts too."""
    standing: dict[tuple[str, str], datetime] = {}
    for event in events:
        # what an output failed of may read differently when it is over
        about = "" if event.name == AlarmName.OUTPUT_FAILED.value else event.detail
        key = (event.name, about)
        if event.kind == EventKind.RAISED.value:
            standing[key] = event.at
            if event.name == "probe_lost" and report.since <= event.at < report.until:
                report.probes_lost[event.detail] = report.probes_lost.get(event.detail, 0) + 1
        elif event.kind == EventKind.CLEARED.value:
            raised = standing.pop(key, None)
            if raised is not None and event.at >= report.since and raised < report.until:
                report.alarms.append(_past_alarm(key, raised, event.at))
        elif event.kind == EventKind.TRIP.value and report.since <= event.at < report.until:
            report.trips += 1
    report.alarms += [
        _past_alarm(key, raised, None) for key, raised in standing.items() if raised < report.until
    ]
    report.alarms.sort(key=lambda alarm: alarm.raised)
    report.alarm_figures = alarm_figures(report.alarms, since=report.since, until=report.until)


def _refused(report: Report, events: Sequence[RecordedEvent]) -> None:
    for event in events:
        count, _, fault = event.detail.partition(" ")
        if event.kind == REFUSED and count.isdigit() and report.since <= event.at < report.until:
            faults = report.refused.setdefault(event.name, {})
            faults[fault] = faults.get(fault, 0) + int(count)


def _past_alarm(key: tuple[str, str], raised: datetime, cleared: datetime | None) -> PastAlarm:
    return PastAlarm(name=key[0], about=key[1], raised=raised, cleared=cleared)
