"""What is published to a broker: topics and documents, each with a schema made from its type."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from typing import Annotated, Any, TypedDict

from pydantic import Field

from controller.domain.alarms import Alarm
from controller.domain.codec import Codec
from controller.domain.events import BandPoints, band_points
from controller.domain.instants import FINITE, require_aware
from controller.domain.published_forecast import PublishedForecast
from controller.domain.status import Status
from controller.lookout.broker.identity import Identity, RunMode
from controller.records.event_feed import FedEvent
from controller.records.snapshot import Snapshot

STATE, FORECAST, ALARMS, EVENTS = "state", "forecast", "alarms", "events"
PRESENT, ASK, ANSWER = "present", "ask", "answer"
TOPICS = (STATE, FORECAST, ALARMS, EVENTS, PRESENT, ASK, ANSWER)
SCHEMA_DIALECT = "https://json-schema.org/draft/2020-12/schema"

ShortText = Annotated[str, Field(min_length=1, max_length=80)]
FieldText = Annotated[str, Field(max_length=200)]
_CLOSED = {"extra": "forbid"}
"""Reading rule of a document that others write: unknown keys are refused."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Document:
    __pydantic_config__ = FINITE

    instance: str
    """The configuration's name."""
    machine: Annotated[str, Field(pattern=r"^[0-9a-f]{8}$")]
    """Short name of the machine that publishes; another board has another."""
    mode: RunMode
    """Whether the values are real."""
    chamber: str
    sent: datetime
    """When it was published, aware."""

    def __post_init__(self) -> None:
        require_aware(self.sent)


@dataclass(frozen=True, slots=True, kw_only=True)
class StateDocument(_Document):
    """Retained. How the chamber is now."""

    silent: bool
    """The control process has written nothing for too long."""
    age_s: float | None
    """Age of the newest status [s]."""
    status: Status | None
    """None while the control process is silent."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmsDocument(_Document):
    """Retained. The alarms that stand."""

    alarms: tuple[Alarm, ...] | None
    """None while the control process is silent."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastDocument(_Document):
    """Retained. When the packs must be changed, and the plan of the pack changes."""

    forecast: PublishedForecast | None


@dataclass(frozen=True, slots=True, kw_only=True)
class EventDocument(_Document):
    """QoS 1, not retained. Something that happened; the same id may come twice: take it once."""

    id: str
    """Never that of another event."""
    at: datetime | None
    """Aware; None where the clock was never known."""
    kind: str
    name: str
    detail: str
    band: BandPoints | None = None
    """The band that was put in force; None where this is no such event."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PresentDocument(_Document):
    """Retained, and the last will. Whether the lookout is connected."""

    present: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerDocument(_Document):
    """QoS 1. What became of something that was asked for."""

    id: str
    """Of what was asked for; empty where it had none."""
    accepted: bool
    """Put before the control process, which answers in its own time."""
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AskDocument:
    """QoS 1, never retained. Asks for what the page can ask for; only with [mqtt] commands."""

    __pydantic_config__ = _CLOSED

    id: ShortText
    """Chosen by whoever asks; one id is done once, also after a restart."""
    sent: datetime
    """When it was asked, aware; a message older than five minutes is refused."""
    what: ShortText
    fields: Mapping[FieldText, FieldText] = field(default_factory=dict)
    """swap: packs, through (yes, no, unknown), at; stage: name; pause: minutes; ack: alarm."""
    who: ShortText = "somebody"

    def __post_init__(self) -> None:
        require_aware(self.sent)
        texts = (self.id, self.what, self.who, *self.fields, *self.fields.values())
        if not all(text.isprintable() for text in texts):
            raise ValueError("allowed: text of printable characters, on one line")


STATE_CODEC = Codec(StateDocument)
FORECAST_CODEC = Codec(ForecastDocument)
ALARMS_CODEC = Codec(AlarmsDocument)
EVENT_CODEC = Codec(EventDocument)
PRESENT_CODEC = Codec(PresentDocument)
ASK_CODEC = Codec(AskDocument)
ANSWER_CODEC = Codec(AnswerDocument)
_CODECS: dict[str, Codec[Any]] = {
    STATE: STATE_CODEC,
    FORECAST: FORECAST_CODEC,
    ALARMS: ALARMS_CODEC,
    EVENTS: EVENT_CODEC,
    PRESENT: PRESENT_CODEC,
    ASK: ASK_CODEC,
    ANSWER: ANSWER_CODEC,
}


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
    return {"$schema": SCHEMA_DIALECT, **_CODECS[what].schema()}


class _Head(TypedDict):
    instance: str
    machine: str
    mode: RunMode
    chamber: str
    sent: datetime


class Messages:
    """Documents about one chamber, as they are sent."""

    def __init__(self, identity: Identity, *, chamber: str, zone: tzinfo | None) -> None:
        """Keep what every document carries.

        Args:
            identity: Who publishes.
            chamber: The chamber's name.
            zone: The chamber's zone.
        """
        self._identity = identity
        self._chamber = chamber
        self._zone = zone

    def state(self, snapshot: Snapshot) -> bytes:
        """Return how the chamber is; where nobody knows it, that and no old numbers."""
        return _packed(
            STATE_CODEC,
            StateDocument(
                **self._head(snapshot.at_utc),
                silent=snapshot.silent,
                age_s=None if snapshot.age_s is None else round(snapshot.age_s, 1),
                status=None if snapshot.silent else snapshot.status,
            ),
        )

    def alarms(self, snapshot: Snapshot) -> bytes:
        """Return the alarms that stand; None for them where nobody knows."""
        status = None if snapshot.silent else snapshot.status
        return _packed(
            ALARMS_CODEC,
            AlarmsDocument(
                **self._head(snapshot.at_utc),
                alarms=None if status is None else status.alarms,
            ),
        )

    def forecast(self, snapshot: Snapshot) -> bytes:
        """Return the newest forecast; None for it where there is none."""
        return _packed(
            FORECAST_CODEC,
            ForecastDocument(
                **self._head(snapshot.at_utc),
                forecast=snapshot.forecast,
            ),
        )

    def event(self, event: FedEvent, now: datetime) -> bytes:
        """Return an event."""
        return _packed(
            EVENT_CODEC,
            EventDocument(
                **self._head(now),
                id=f"{self._identity.instance}-{event.id}",
                at=None if event.at is None else event.at.astimezone(self._zone),
                kind=event.kind,
                name=event.name,
                detail=event.detail,
                band=band_points(event.kind, event.name),
            ),
        )

    def present(self, now: datetime, *, present: bool) -> bytes:
        """Return that the lookout is there, or is not."""
        return _packed(
            PRESENT_CODEC,
            PresentDocument(
                **self._head(now),
                present=present,
            ),
        )

    def answer(self, now: datetime, *, asked: str, accepted: bool, why: str) -> bytes:
        """Return what became of something that was asked for."""
        return _packed(
            ANSWER_CODEC,
            AnswerDocument(
                **self._head(now),
                id=asked,
                accepted=accepted,
                why=why,
            ),
        )

    def _head(self, now: datetime) -> _Head:
        return {
            "instance": self._identity.instance,
            "machine": self._identity.machine,
            "mode": self._identity.mode,
            "chamber": self._chamber,
            "sent": now.astimezone(self._zone),
        }


def _packed(codec: Codec[Any], document: _Document) -> bytes:
    return codec.text(document).encode()
