"""What is told to a broker: topics and documents. ``schemas/`` describes each of them."""

from __future__ import annotations

import json
from datetime import datetime, tzinfo
from importlib.resources import files
from typing import Any

from controller.lookout.broker.identity import Identity
from controller.records.event_feed import FedEvent
from controller.records.snapshot import Snapshot

STATE, FORECAST, ALARMS, EVENTS = "state", "forecast", "alarms", "events"
PRESENT, ASK, ANSWER = "present", "ask", "answer"
TOPICS = (STATE, FORECAST, ALARMS, EVENTS, PRESENT, ASK, ANSWER)


def topic_of(prefix: str, instance: str, machine: str, what: str) -> str:
    """Return a topic.

    Args:
        prefix: What every topic begins with.
        instance: The configuration's name, as its state directory has it.
        machine: Short name of the machine.
        what: One of `TOPICS`.
    """
    return f"{prefix}/{instance}/{machine}/{what}"


def schema_of(what: str) -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of a topic's documents."""
    text = (
        files("controller.lookout.broker")
        .joinpath(f"schemas/{what}.json")
        .read_text(encoding="utf-8")
    )
    schema: dict[str, Any] = json.loads(text)
    return schema


class Messages:
    """Documents about one chamber."""

    def __init__(self, identity: Identity, *, chamber: str, zone: tzinfo | None) -> None:
        """Keep what every document carries.

        Args:
            identity: Who publishes.
            chamber: The chamber's name.
            zone: The chamber's zone.
        """
        self._about = {
            "instance": identity.instance,
            "machine": identity.machine,
            "mode": identity.mode.value,
            "chamber": chamber,
        }
        self._instance = identity.instance
        self._zone = zone

    def state(self, snapshot: Snapshot) -> dict[str, Any]:
        """Return how the chamber is; where nobody knows it, that and no old numbers."""
        return {
            **self._head(snapshot.taken_utc),
            "silent": snapshot.silent,
            "age_s": None if snapshot.age_s is None else round(snapshot.age_s, 1),
            "status": None if snapshot.silent else snapshot.status,
        }

    def alarms(self, snapshot: Snapshot) -> dict[str, Any]:
        """Return the alarms that stand; None for them where nobody knows."""
        status = None if snapshot.silent else snapshot.status
        return {
            **self._head(snapshot.taken_utc),
            "alarms": None if status is None else status["alarms"],
        }

    def forecast(self, snapshot: Snapshot) -> dict[str, Any]:
        """Return the newest forecast; None for it where there is none."""
        return {**self._head(snapshot.taken_utc), "forecast": snapshot.forecast}

    def event(self, event: FedEvent, now: datetime) -> dict[str, Any]:
        """Return an event."""
        return {
            **self._head(now),
            "id": f"{self._instance}-{event.id}",
            "at": None if event.at is None else self._iso(event.at),
            "kind": event.kind,
            "name": event.name,
            "detail": event.detail,
        }

    def present(self, now: datetime, *, present: bool) -> dict[str, Any]:
        """Return that the lookout is there, or is not."""
        return {**self._head(now), "present": present}

    def answer(self, now: datetime, *, asked: str, accepted: bool, why: str) -> dict[str, Any]:
        """Return what became of something that was asked for."""
        return {**self._head(now), "id": asked, "accepted": accepted, "why": why}

    def _head(self, now: datetime) -> dict[str, Any]:
        sent = now.astimezone(self._zone).isoformat(timespec="milliseconds")
        return {**self._about, "sent": sent}

    def _iso(self, at: datetime) -> str:
        return at.astimezone(self._zone).isoformat(timespec="seconds")


def packed(document: dict[str, Any]) -> bytes:
    """Return a document as it is sent.

    Raises:
        ValueError: It holds NaN or an infinity, which are no JSON.
    """
    text = json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return text.encode("utf-8", "replace")  # half a character ends no connection
