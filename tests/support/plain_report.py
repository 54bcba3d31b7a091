"""A report's figures by going through every reading, one after the other.

The report joins sums of hours; this is what they are held against. It is slow and plain, shares no
code with the program but the type of a reading, and rounds nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta, tzinfo

from controller.domain.events import BAND, STAGE, RecordedEvent
from controller.records.reader import RecordedReading

HELD = timedelta(minutes=5)
NEAR_MK = 500


@dataclass(slots=True)
class PlainStage:
    known_s: float = 0.0
    in_band_s: float = 0.0
    above_k_h: float = 0.0
    below_k_h: float = 0.0
    air_k_s: float = 0.0


@dataclass(slots=True)
class PlainReport:
    since: datetime
    until: datetime
    stages: dict[str, PlainStage] = field(default_factory=dict)
    recorded_s: float = 0.0
    air_lost_s: float = 0.0
    switches_known_s: float = 0.0
    pump_s: float = 0.0
    starts: int = 0
    starts_by_day: dict[str, int] = field(default_factory=dict)
    shortest_run_s: float | None = None
    longest_run_s: float | None = None
    shortest_rest_s: float | None = None
    duty_by_hour: list[float | None] = field(default_factory=lambda: [None] * 24)
    gaps: list[tuple[datetime, datetime]] = field(default_factory=list)


def plain_report(
    readings: Iterable[RecordedReading],
    events: Sequence[RecordedEvent],
    *,
    since: datetime,
    until: datetime,
    zone: tzinfo | None,
    stage: str,
    band_mc: tuple[int, int],
) -> PlainReport:
    """Return the figures; *events* in the order of time, from the first one on."""
    report = PlainReport(since=since, until=until)
    _times(report, readings, _Held(events, stage, band_mc), zone)
    return report


class _Held:
    """Stage and band in force as time goes on."""

    def __init__(
        self, events: Sequence[RecordedEvent], stage: str, band_mc: tuple[int, int]
    ) -> None:
        self._events = [event for event in events if event.kind in {BAND, STAGE}]
        self._next = 0
        self.stage = stage
        self.cut_out_mc, self.cut_in_mc = band_mc

    def move_to(self, at: datetime) -> None:
        while self._next < len(self._events) and self._events[self._next].at <= at:
            event = self._events[self._next]
            self._next += 1
            if event.kind == STAGE:
                self.stage = event.name
                continue
            if event.band is not None:
                self.cut_out_mc, self.cut_in_mc = event.band.cut_out_mc, event.band.cut_in_mc


class _Runs:
    """Lengths of runs and rests that began and ended within the record."""

    def __init__(self, report: PlainReport) -> None:
        self._report = report
        self._on: bool | None = None
        self._since: datetime | None = None

    def see(self, at: datetime, on: bool) -> bool:
        """Take note of the pump; return whether it has just started."""
        started = on and self._on is False
        if self._on is not None and on is not self._on:
            if self._since is not None:
                self._ended((at - self._since).total_seconds())
            self._since = at
        self._on = on
        return started

    def forget(self) -> None:
        """Begin anew after a gap."""
        self._on = self._since = None

    def _ended(self, length_s: float) -> None:
        report = self._report
        if self._on:
            report.longest_run_s = max(report.longest_run_s or 0.0, length_s)
            report.shortest_run_s = _least(report.shortest_run_s, length_s)
        else:
            report.shortest_rest_s = _least(report.shortest_rest_s, length_s)


def _least(shortest_s: float | None, length_s: float) -> float:
    return length_s if shortest_s is None else min(shortest_s, length_s)


def _times(
    report: PlainReport, readings: Iterable[RecordedReading], held: _Held, zone: tzinfo | None
) -> None:
    """Sum what depends on how long each reading held."""
    runs = _Runs(report)
    hours = [[0.0, 0.0] for _ in range(24)]
    last: RecordedReading | None = None
    ended = report.since

    def close(reading: RecordedReading, lasted: timedelta) -> datetime:
        lasted_s = lasted.total_seconds()
        held.move_to(reading.at)
        report.recorded_s += lasted_s
        _air(report, reading.air_mc, lasted_s, held)
        if reading.switches_known:
            share = float(reading.pump) if reading.pump_share is None else reading.pump_share
            report.switches_known_s += lasted_s
            report.pump_s += share * lasted_s
            hour = hours[reading.at.astimezone(zone).hour]
            hour[0] += share * lasted_s
            hour[1] += lasted_s
        return reading.at + lasted

    for reading in readings:
        if last is not None:
            ended = close(last, min(reading.at - last.at, HELD))
        if reading.at - ended > timedelta(seconds=1):
            report.gaps.append((ended, reading.at))
            runs.forget()
        ended = reading.at
        if not reading.switches_known:
            runs.forget()
        elif reading.starts is not None:
            runs.forget()
            _started(report, reading.at, reading.starts, zone)
        elif runs.see(reading.at, reading.pump):
            _started(report, reading.at, 1, zone)
        last = reading
    if last is not None:
        ended = close(last, min(report.until - last.at, HELD))
    if report.until - ended > HELD:
        report.gaps.append((ended, report.until))
    report.duty_by_hour = [on_s / known_s if known_s else None for on_s, known_s in hours]


def _started(report: PlainReport, at: datetime, count: int, zone: tzinfo | None) -> None:
    day = at.astimezone(zone).date().isoformat()
    report.starts += count
    report.starts_by_day[day] = report.starts_by_day.get(day, 0) + count


def _air(report: PlainReport, air_mc: int | None, lasted_s: float, held: _Held) -> None:
    if air_mc is None:
        report.air_lost_s += lasted_s
        return
    figures = report.stages.setdefault(held.stage, PlainStage())
    figures.known_s += lasted_s
    figures.air_k_s += air_mc / 1000 * lasted_s
    above_mk = max(0, air_mc - held.cut_in_mc)
    below_mk = max(0, held.cut_out_mc - air_mc)
    if max(above_mk, below_mk) <= NEAR_MK:
        figures.in_band_s += lasted_s
    figures.above_k_h += above_mk / 1000 * lasted_s / 3600.0
    figures.below_k_h += below_mk / 1000 * lasted_s / 3600.0
