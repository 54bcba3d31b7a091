"""What happened since the last visit: alarms, trips, and what people asked for."""

from __future__ import annotations

import re
from contextlib import suppress
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path

from controller.domain.alarm_guide import alarm_title
from controller.domain.events import EventKind, RecordedEvent
from controller.domain.requests import (
    Acknowledge,
    FrozenThrough,
    LogSwap,
    Pause,
    ReportSwapDue,
    Request,
    Reset,
    Resume,
    SetStage,
    Withdraw,
)
from controller.domain.zones import local_time
from controller.pictures.words import duration, moment, pack_count
from controller.records.reader import read_events
from controller.records.requests_file import asked_since

MOST = 30
UNREADABLE = "The records cannot be read, so what happened is not known"
SHOWN = frozenset({EventKind.RAISED.value, EventKind.CLEARED.value, EventKind.TRIP.value})
"""Kinds of event that a person wants to read of; phases come and go by the hundred."""
ONE_VISIT = timedelta(minutes=30)
"""Pages asked for within this time of each other are one visit."""
LONGEST_MEMORY = timedelta(days=30)
_COOKIE = re.compile(r"(\d{1,10})\.(\d{1,10})", re.ASCII)


def since_last_visit(cookie: str | None, now: datetime) -> tuple[datetime | None, str]:
    """Return since when to show what happened, and what the browser is to remember of this visit.

    Whoever turns from the day's picture to the week's, or logs a pack change, is still at the same
    visit: what happened before it stays to be read.

    Args:
        cookie: What the browser remembers, not to be believed.
        now: Now, aware.

    Returns:
        None instead of an instant at the first visit.
    """
    since: datetime | None = None
    match = _COOKIE.fullmatch(cookie or "")
    if match is not None:
        before, seen = (datetime.fromtimestamp(int(text), UTC) for text in match.groups())
        if now - LONGEST_MEMORY < before <= seen <= now:
            since = before if now - seen < ONE_VISIT else seen
    remembered = now if since is None else since
    return since, f"{int(remembered.timestamp())}.{int(now.timestamp())}"


def recent_events(
    records: Path, requests: Path, *, since: datetime, now: datetime, zone: tzinfo | None
) -> list[tuple[str, str]]:
    """Return times and sentences, newest first; that something cannot be read is one of them.

    Args:
        records: The records database.
        requests: The requests file.
        since: From when on, aware.
        now: Now, aware.
        zone: The chamber's zone.
    """
    local = local_time(now, zone)
    events: list[tuple[datetime, str]] = []
    try:
        events += [
            (event.at, _of_event(event)) for event in read_events(records, since=since, kinds=SHOWN)
        ]
    except OSError:
        if records.exists():  # a chamber that is new has none yet
            events.append((now, UNREADABLE))
    with suppress(OSError):
        events += [
            (datetime.fromtimestamp(request.asked_utc_ms / 1000, UTC), _of_request(request))
            for request in asked_since(requests, since)
        ]
    events.sort(key=lambda each: each[0], reverse=True)
    return [(moment(at, local, far=False), words) for at, words in events[:MOST]]


def _of_event(event: RecordedEvent) -> str:
    if event.kind == EventKind.TRIP.value:
        return f"Cooling stopped: {event.detail or event.name.replace('_', ' ')}"
    title = alarm_title(event.name, event.detail)
    return title if event.kind == EventKind.RAISED.value else f"Ended: {title}"


def _of_request(request: Request) -> str:
    answer = request.answer
    words = f"{request.who} {_done(request)}"
    if answer is None:
        return f"{words} (not answered yet)"
    if answer.found_nothing:
        return f"{words} ({answer.text})"
    return f"{words} (not done: {answer.text})" if answer.is_refusal else words


def _done(request: Request) -> str:
    match request.payload:
        case LogSwap(packs=packs, frozen_through=through):
            more = {
                FrozenThrough.YES: ", frozen through",
                FrozenThrough.NO: ", not frozen through",
                FrozenThrough.UNKNOWN: "",
            }[through]
            return f"logged a change of {pack_count(packs)}{more}"
        case Withdraw():
            return "took a pack change back"
        case SetStage(name=name):
            return f"changed the stage to {name}"
        case Pause(for_s=for_s):
            return f"paused for {duration(for_s)}"
        case Resume():
            return "ended the pause"
        case Acknowledge(alarm=alarm):
            return f"marked {'all alarms' if alarm is None else alarm_title(alarm)} as seen"
        case Reset():
            return "ended the lockout"
        case ReportSwapDue():
            return "forecast"
