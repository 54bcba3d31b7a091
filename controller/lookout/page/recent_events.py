"""What happened since somebody last looked: alarms, trips, and what people asked for."""

from __future__ import annotations

import re
from contextlib import suppress
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path

from controller.core.state import EventKind
from controller.domain.alarm_guide import alarm_title
from controller.domain.events import RecordedEvent
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
)
from controller.pictures.words import moment
from controller.records.reader import read_events
from controller.records.requests import asked_since

MOST = 30
WORTH_TELLING = {
    EventKind.RAISED.value: "alarm: ",
    EventKind.CLEARED.value: "over: ",
    EventKind.TRIP.value: "trip: ",
}
"""Kinds of event that a person wants to read of; phases come and go by the hundred."""
ONE_LOOK = timedelta(minutes=30)
"""Pages asked for within this time of each other are one look at the chamber."""
LONGEST_MEMORY = timedelta(days=30)
_COOKIE = re.compile(r"(\d{1,10})\.(\d{1,10})", re.ASCII)


def since_last_look(cookie: str | None, now: datetime) -> tuple[datetime, str]:
    """Return since when to tell what happened, and what the browser is to remember of this look.

    Whoever turns from the day's picture to the week's, or notes a swap, is still at the same
    look: what happened before it stays to be read.

    Args:
        cookie: What the browser remembers, not to be believed.
        now: Now, aware.
    """
    since = now - timedelta(days=1)
    found = _COOKIE.fullmatch(cookie or "")
    if found is not None:
        told_since, seen = (datetime.fromtimestamp(int(text), UTC) for text in found.groups())
        if now - LONGEST_MEMORY < told_since <= seen <= now:
            since = told_since if now - seen < ONE_LOOK else seen
    return since, f"{int(since.timestamp())}.{int(now.timestamp())}"


def happened(
    records: Path, requests: Path, *, since: datetime, now: datetime, zone: tzinfo | None
) -> list[tuple[str, str]]:
    """Return times and sentences, newest first; what cannot be read is left out.

    Args:
        records: The records database.
        requests: The requests file.
        since: From when on, aware.
        now: Now, aware.
        zone: The chamber's zone.
    """
    local = now.astimezone(zone)
    told: list[tuple[datetime, str]] = []
    with suppress(OSError):
        told += [
            (event.at, _of_event(event))
            for event in read_events(records, since=since, kinds=WORTH_TELLING)
        ]
    with suppress(OSError):
        told += [
            (datetime.fromtimestamp(request.asked_utc_ms / 1000, UTC), _of_request(request))
            for request in asked_since(requests, since)
        ]
    told.sort(key=lambda each: each[0], reverse=True)
    return [(moment(at, local, far=False), words) for at, words in told[:MOST]]


def _of_event(event: RecordedEvent) -> str:
    if event.kind == EventKind.TRIP.value:
        return f"{WORTH_TELLING[event.kind]}{event.name.replace('_', ' ')} {event.detail}".strip()
    return f"{WORTH_TELLING[event.kind]}{alarm_title(event.name, event.detail)}"


def _of_request(request: Request) -> str:
    answer = "no answer yet" if request.answer is None else request.answer.text
    return f"{request.who} asked: {_wanted(request)} ({answer})"


def _wanted(request: Request) -> str:
    match request.payload:
        case LogSwap(packs=packs, frozen_through=through):
            more = {
                FrozenThrough.YES: ", frozen through",
                FrozenThrough.NO: ", not frozen through",
                FrozenThrough.UNKNOWN: "",
            }[through]
            return f"note {packs} packs{more}"
        case SetStage(name=name):
            return f"stage {name}"
        case Pause(for_s=for_s):
            return f"pause for {for_s / 60:.0f} min"
        case Resume():
            return "end the pause"
        case Acknowledge(alarm=alarm):
            return "alarms seen" if alarm is None else f"alarm seen: {alarm_title(alarm)}"
        case Reset():
            return "end the lockout"
        case ReportSwapDue():
            return "forecast"
