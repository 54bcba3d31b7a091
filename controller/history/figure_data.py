"""What the page's figure shows: readings, swaps and alarms of a span."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from enum import Enum
from pathlib import Path

from controller.domain.alarm_guide import alarm_title
from controller.domain.events import BAND, EventKind, RecordedEvent
from controller.domain.zones import local_time
from controller.pictures.chamber_chart import INTERVALS, ChamberHistory, ChamberPoint, Part
from controller.pictures.chart import Expected
from controller.pictures.words import moment, pack_count, temperature
from controller.records.columns import Column, Extent, read_columns
from controller.records.reader import (
    RecordedReading,
    first_reading_at,
    last_event,
    read_events,
    read_readings,
)
from controller.records.requests_file import swaps
from controller.records.snapshot import Snapshot

DETAIL_UP_TO = timedelta(hours=10)
"""Up to here a picture is drawn from single readings; beyond, from what each interval of it had."""
CLOSEST, FARTHEST = timedelta(minutes=1), timedelta(days=3660)
EARLIEST = datetime(1970, 1, 1, tzinfo=UTC)
LONGEST_INSTANT = 40
UNREADABLE = "The past cannot be shown: the records cannot be read. coldpin report says why."


class Span(Enum):
    """How far back a figure goes."""

    DAY = "day"
    WEEK = "week"
    CROP = "crop"
    YEAR = "year"

    @property
    def length(self) -> timedelta:
        """How far."""
        return timedelta(days={"day": 1, "week": 7, "crop": 90, "year": 365}[self.value])

    @property
    def words(self) -> str:
        """What the page calls it."""
        return {
            "day": "a day",
            "week": "a week",
            "crop": "a crop, 90 days",
            "year": "a year",
        }[self.value]


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """From when to when a figure goes; aware."""

    since: datetime
    until: datetime

    @property
    def is_long(self) -> bool:
        """Whether single readings are finer than the pixels of a picture by far."""
        return self.until - self.since > DETAIL_UP_TO


def window_of(span: Span, since: str, until: str, *, now: datetime, zone: tzinfo | None) -> Window:
    """Return what a browser wants to see: a span up to now, or a part that it looks closer at.

    Args:
        span: Where nothing closer is asked for.
        since: ISO 8601, in the chamber's zone where it names none; or empty.
        until: The same.
        now: Now, aware.
        zone: The chamber's zone.

    Raises:
        ValueError: The two are no instants in order, or too far away.
    """
    if not since and not until:
        return Window(since=now - span.length, until=now)
    begins, ends = (_instant(text, zone) for text in (since, until))
    if not (begins >= EARLIEST and CLOSEST <= ends - begins <= FARTHEST):
        raise ValueError("since, until: allowed: a minute to ten years, since 1970, in this order")
    return Window(since=begins, until=ends)


def _instant(text: str, zone: tzinfo | None) -> datetime:
    try:
        at = datetime.fromisoformat(text[:LONGEST_INSTANT])
        return (at if at.tzinfo is not None else at.replace(tzinfo=zone)).astimezone(UTC)
    except (ValueError, OverflowError):
        raise ValueError("since, until: allowed: both, as date and time") from None


def _words_of(columns: Sequence[Column], unit: str) -> str:
    if not columns:
        return "Nothing was recorded in this time."
    parts = []
    for name in ("air", "reservoir", "room"):
        extents = [getattr(column, f"{name}_mc") for column in columns]
        known = [extent for extent in extents if extent is not None]
        if known:
            low, high = min(each.low_mc for each in known), max(each.high_mc for each in known)
            parts.append(f"{name} {temperature(low, unit)} to {temperature(high, unit)}")
    shares = [
        (column.pump_share, column.known_s) for column in columns if column.pump_share is not None
    ]
    if shares:
        lasted_s = sum(known_s for _, known_s in shares)
        on_s = sum(share * known_s for share, known_s in shares)
        parts.append(f"pump on {on_s / lasted_s if lasted_s else 0.0:.0%} of the time")
    else:
        parts.append("pump not recorded")
    words = ", ".join(parts)
    return f"{words[0].upper()}{words[1:]}."


def history_of(
    records: Path,
    requests: Path,
    *,
    snapshot: Snapshot,
    window: Window,
    unit: str,
    zone: tzinfo | None,
) -> tuple[ChamberHistory, str]:
    """Return what a figure shows, and the same in a sentence, which says what cannot be read.

    Args:
        records: The records database.
        requests: The requests file.
        snapshot: How the chamber is now.
        window: From when to when.
        unit: ``C`` or ``F``.
        zone: The chamber's zone.
    """
    since, until = window.since, window.until
    past = Pictured(window=window)
    raised: list[RecordedEvent] = []
    bands: list[tuple[float, float, float]] = []
    unreadable = False
    try:
        past = pictured(records, window)
        raised = [
            event
            for event in read_events(records, since=since, kinds={EventKind.RAISED.value})
            if event.at < until
        ]
        bands = bands_of(records, window)
    except OSError:
        past, raised, bands = Pictured(window=window), [], []
        unreadable = records.exists()  # a chamber that is new has none yet
    try:
        noted = [swap for swap in swaps(requests) if since <= swap.at < until]
    except OSError:
        noted = []
    status = snapshot.status
    if not bands and status is not None:
        bands = [(since.timestamp(), status.cut_out_c, status.cut_in_c)]
    history = ChamberHistory(
        points=past.points,
        parts=past.parts,
        bands_c=bands,
        since_s=past.window.since.timestamp(),
        pack_changes=[(swap.at.timestamp(), pack_count(swap.packs)) for swap in noted],
        alarms=[(event.at.timestamp(), alarm_title(event.name, event.detail)) for event in raised],
        until_s=until.timestamp(),
        cold_ends=_cold_ends(snapshot, zone),
        unit=unit,
        zone=zone,
    )
    return history, UNREADABLE if unreadable else _words_of(past.columns, unit)


def bands_of(records: Path, window: Window) -> list[tuple[float, float, float]]:
    """Return since when which band was in force: instant [s], cut-out and cut-in [°C].

    Raises:
        OSError: The records cannot be read.
    """
    before = last_event(records, before=window.since, kind=BAND)
    events = read_events(records, since=window.since, kinds={BAND})
    bands = []
    for event in (*([] if before is None else [before]), *events):
        band = event.band
        if event.at < window.until and band is not None:
            at = max(event.at, window.since)
            bands.append((at.timestamp(), band.cut_out_mc / 1000, band.cut_in_mc / 1000))
    return bands


def points_of(rows: Iterable[RecordedReading]) -> list[ChamberPoint]:
    """Return recorded readings as a figure shows them, five minutes as their lowest and highest."""
    points: list[ChamberPoint] = []
    for row in rows:
        if row.air_min_mc is None or row.air_max_mc is None:
            points.append(_point(row, row.air_mc, 0.0))
        else:
            points.append(_point(row, row.air_min_mc, -60.0))
            points.append(_point(row, row.air_max_mc, 60.0))
    return points


@dataclass(frozen=True, slots=True, kw_only=True)
class Pictured:
    """What a picture shows of the readings of a time."""

    window: Window
    """From the first reading on: a week's records fill a year's picture, as fine as its pixels."""
    points: Sequence[ChamberPoint] = ()
    """Of a short time."""
    parts: Sequence[Part] = ()
    """Of a long one."""
    columns: Sequence[Column] = ()


def pictured(records: Path, window: Window) -> Pictured:
    """Return what a picture shows of the readings of a time.

    Raises:
        OSError: The records cannot be read.
    """
    begun = first_reading_at(records, since=window.since)
    if begun is None or window.until - begun < CLOSEST:
        begun = window.since
    drawn = Window(since=begun, until=window.until)
    columns = read_columns(records, since=begun, until=window.until, columns=INTERVALS)
    if drawn.is_long:
        return Pictured(
            window=drawn, parts=[part_of(column) for column in columns], columns=columns
        )
    rows = read_readings(records, since=begun, until=window.until)
    return Pictured(window=drawn, points=points_of(rows), columns=columns)


def part_of(column: Column) -> Part:
    """Return a column as a figure shows it."""

    def celsius(extent: Extent | None) -> tuple[float, float, float] | None:
        return None if extent is None else tuple(value / 1000 for value in extent)  # type: ignore[return-value]

    return Part(
        number=column.number,
        air_c=celsius(column.air_mc),
        reservoir_c=celsius(column.reservoir_mc),
        room_c=celsius(column.room_mc),
        coil_outlet_c=celsius(column.coil_outlet_mc),
        pump=column.pump_share,
    )


def _point(row: RecordedReading, air_mc: int | None, shift_s: float) -> ChamberPoint:
    air, reservoir, room, outlet = (
        None if value is None else value / 1000
        for value in (air_mc, row.reservoir_mc, row.room_mc, row.coil_outlet_mc)
    )
    pump = row.pump if row.pump_share is None else row.pump_share
    return ChamberPoint(
        at_s=row.at.timestamp() + shift_s,
        air_c=air,
        reservoir_c=reservoir,
        room_c=room,
        coil_outlet_c=outlet,
        pump=pump if row.switches_known else None,
    )


def _cold_ends(snapshot: Snapshot, zone: tzinfo | None) -> Expected | None:
    forecast = snapshot.forecast
    if forecast is None or forecast.early is None or forecast.swap_due is None:
        return None
    early, likely = forecast.early, forecast.swap_due
    if early <= snapshot.at_utc:
        return None
    text = f"cold lasts to {moment(early, local_time(snapshot.at_utc, zone), far=False)}"
    return Expected(early_s=early.timestamp(), likely_s=likely.timestamp(), text=text)
