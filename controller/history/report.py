"""What the crop had: figures of a span, from readings, events and swaps. Pure.

A reading holds until the next one, but no longer than five minutes; what is longer is a gap, named
as one and in no other figure.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta, tzinfo
from itertools import pairwise

from controller.core.state import EventKind
from controller.domain.alarms import AlarmName
from controller.domain.events import BAND, REFUSED, STAGE, RecordedEvent
from controller.domain.requests import LoggedSwap
from controller.history.alarm_figures import AlarmFigures, PastAlarm, alarm_figures
from controller.records.reader import RecordedReading

HELD = timedelta(minutes=5)
NEAR_MK = 500
"""Air this close to its band counts as in it: probes lag."""
_HOUR_S = 3600.0


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
    readings: Iterable[RecordedReading],
    events: Sequence[RecordedEvent],
    swaps: Sequence[LoggedSwap],
    *,
    since: datetime,
    until: datetime,
    zone: tzinfo | None,
    stage: str,
    band_mc: tuple[int, int],
) -> Report:
    """Return the figures of a span.

    Args:
        readings: In the order of time, of the span.
        events: In the order of time, from some days before the span on.
        swaps: In any order.
        since: Begin, aware.
        until: End, aware.
        zone: The chamber's zone, for days and hours.
        stage: Stage before the first that is recorded.
        band_mc: Cut-out and cut-in before the first that are recorded [m°C].
    """
    report = Report(since=since, until=until)
    _times(report, readings, _Held(events, stage, band_mc), zone)
    _swaps(report, swaps)
    _alarms(report, events)
    _refused(report, events)
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

    def __init__(self, report: Report) -> None:
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
            report.shortest_run_s = min(report.shortest_run_s or length_s, length_s)
        else:
            report.shortest_rest_s = min(report.shortest_rest_s or length_s, length_s)


def _times(
    report: Report, readings: Iterable[RecordedReading], held: _Held, zone: tzinfo | None
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


def _started(report: Report, at: datetime, count: int, zone: tzinfo | None) -> None:
    day = at.astimezone(zone).date().isoformat()
    report.starts += count
    report.starts_by_day[day] = report.starts_by_day.get(day, 0) + count


def _air(report: Report, air_mc: int | None, lasted_s: float, held: _Held) -> None:
    if air_mc is None:
        report.air_lost_s += lasted_s
        return
    figures = report.stages.setdefault(held.stage, StageFigures())
    figures.known_s += lasted_s
    figures.air_k_s += air_mc / 1000 * lasted_s
    above_mk = max(0, air_mc - held.cut_in_mc)
    below_mk = max(0, held.cut_out_mc - air_mc)
    if max(above_mk, below_mk) <= NEAR_MK:
        figures.in_band_s += lasted_s
    figures.above_k_h += above_mk / 1000 * lasted_s / _HOUR_S
    figures.below_k_h += below_mk / 1000 * lasted_s / _HOUR_S


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
