"""Publishes to a broker how the chamber is (MQTT 5, OASIS standard), in a thread of its own.

State, forecast and alarms are retained: whoever comes later has them at once. Events go with QoS 1
from a place kept on disk, so that none is lost while the broker is away, and each carries an id by
which one that comes twice can be recognised. What goes wrong is logged once, and tried again after
pauses that grow and are never the same. The library's own reconnecting is not used: its pause is
the shortest again after every connection, so two clients of one name would end each other's each
second, and many lookouts would come back to a broker at the same instant.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.domain.backoff import backoff_s
from controller.domain.places import records_path
from controller.domain.status import Status
from controller.domain.zones import local_time
from controller.errors import SettingsError
from controller.log import Logger
from controller.lookout.broker.connection import Broker, broker_of, connect, new_client
from controller.lookout.broker.documents import (
    ALARMS,
    ANSWER,
    ASK,
    EVENTS,
    FORECAST,
    PRESENT,
    STATE,
    Messages,
    topic_of,
)
from controller.lookout.broker.identity import Identity, identity_of
from controller.lookout.broker.incoming_requests import IncomingRequests
from controller.lookout.broker.other_chambers import OF_OTHERS, Retained, receive
from controller.lookout.problem_log import ProblemLog
from controller.lookout.worker import Worker
from controller.records.event_feed import EventFeed
from controller.records.requests_file import REQUESTS
from controller.records.snapshot import Snapshot
from controller.settings.load import Settings

if TYPE_CHECKING:
    from paho.mqtt.client import Client

PLACE, ASKED = "mqtt-events.json", "mqtt-asked.json"
FIRST_PAUSE_S, LONGEST_PAUSE_S = 1.0, 300.0
STEADY_AFTER_S = 60.0
"""A connection that held this long was a good one [s]."""
SHORT_LIVED = 3
"""So many connections in a row that ended soon suggest a second client of the same name."""
SESSION_TAKEN_OVER = 0x8E
"""Reason of a disconnection: session taken over (MQTT 5, 3.14.2.1)."""
FEED_EVERY_S = 2.0
MOST_UNDER_WAY = 50
_TURN_S = 0.5

_LOGGER = "coldpin.mqtt"
_log = Logger(_LOGGER)


def publisher_of(
    settings: Settings, config: Path, place: Path, *, identity: Identity | None = None
) -> MqttPublisher | None:
    """Return what publishes to the broker, None where none is named.

    Args:
        settings: The configuration.
        config: Its file.
        place: The instance's state directory.
        identity: Who publishes; default: this machine, and what the configuration says.

    Raises:
        SettingsError: Password or certificates cannot be used, or the package is not installed.
    """
    broker = broker_of(settings, config.parent)
    if broker is None:
        return None
    try:
        import paho.mqtt.client  # noqa: F401, PLC0415 - not everybody has a broker
    except ImportError:
        problem = "mqtt.host: needs a package; pip install 'coldpin[mqtt]'"
        raise SettingsError(str(config), (problem,)) from None
    identity = identity or identity_of(settings, config.stem)
    return MqttPublisher(
        broker,
        identity=identity,
        messages=Messages(identity, chamber=settings.chamber.name, zone=settings.site.zone()),
        feed=EventFeed(records_path(settings.records.path, place), place / PLACE),
        incoming=IncomingRequests(place / REQUESTS, settings, kept=place / ASKED)
        if broker.commands
        else None,
        zone=settings.site.zone(),
    )


def pause_after(failures: int, *, share: float) -> float:
    """Return how long to wait after so many failures in a row [s].

    Args:
        failures: 1 or more.
        share: 0 to 1, drawn anew each time, so that many lookouts do not come back at once.
    """
    longest_s = backoff_s(failures, first_s=FIRST_PAUSE_S, longest_s=LONGEST_PAUSE_S)
    return longest_s * (0.5 + 0.5 * share)


class MqttPublisher(Worker):
    """Is given every snapshot, and publishes what is new in it."""

    def __init__(
        self,
        broker: Broker,
        *,
        identity: Identity,
        messages: Messages,
        feed: EventFeed,
        incoming: IncomingRequests | None,
        zone: tzinfo | None,
        draw: Callable[[], float] = random.random,
    ) -> None:
        """Connect to nothing yet.

        Args:
            broker: Where to.
            identity: Who publishes.
            messages: Makes the documents.
            feed: The events.
            incoming: Accepts requests by message; None: none are accepted.
            zone: The chamber's zone.
            draw: Gives a share of 0 to 1 for the pauses.
        """
        super().__init__("mqtt")
        self._broker = broker
        self._identity = identity
        self._messages = messages
        self._feed = feed
        self._incoming = incoming
        self._zone = zone
        self._draw = draw
        self._latest: Snapshot | None = None
        self._published: dict[str, object] = {}
        self._others: dict[str, Retained] = {}
        self._state_at_s = 0.0
        self._under_way: dict[int, int] = {}
        self._sent_row: int | None = None
        self._fed_at_s = 0.0
        self._up = False
        self._short_lived = 0
        self._session_taken_over = False
        self._wrong = ""
        self._problems = ProblemLog(_LOGGER)

    def __call__(self, snapshot: Snapshot) -> None:
        """Take the newest snapshot; never waits."""
        self._latest = snapshot

    def others(self) -> dict[str, Retained]:
        """Return what the broker keeps of every chamber, by "instance/machine"."""
        return dict(self._others)

    def _work(self) -> None:
        failures = 0
        while not self._stop.is_set():
            began_s = time.monotonic()
            try:
                self._session()
            except Exception as error:  # noqa: BLE001 - whatever it was, the next try may do
                self._wrong = f"{type(error).__name__}: {error}"
            if self._stop.is_set():
                return
            previously_up = self._up
            steady = previously_up and time.monotonic() - began_s > STEADY_AFTER_S
            self._up = False
            failures = 1 if steady else failures + 1
            self._short_lived = self._short_lived + 1 if previously_up and not steady else 0
            self._session_taken_over &= not steady
            self._report(self._wrong or self._lost())
            self._stop.wait(pause_after(failures, share=self._draw()))

    @property
    def _seems_doubled(self) -> bool:
        """Whether another client seems to take the connection over again and again."""
        return self._session_taken_over or self._short_lived >= SHORT_LIVED

    def _lost(self) -> str:
        """Return how the connection ended, with a hint where another client seems to end it."""
        if self._seems_doubled:
            return (
                "the broker ends this connection again and again: another client may use the name "
                f"{self._identity.client_id}, such as a copy of this configuration or of this card"
            )
        return "the connection was lost"

    def _on_disconnect(
        self, _client: Client, _data: Any, _flags: Any, reason: Any, _properties: Any
    ) -> None:
        self._session_taken_over |= reason.value == SESSION_TAKEN_OVER

    def _session(self) -> None:
        """Connect, and publish until the connection ends."""
        self._wrong = ""
        client = self._connected_client()
        try:
            while not self._stop.is_set():
                if client.loop(timeout=_TURN_S) != 0:
                    return
                if self._up:
                    self._publish_new(client)
            if self._up:
                self._publish_absence(client)
        finally:
            self._keep_place()
            client.disconnect()

    def _connected_client(self) -> Client:
        client = new_client(self._broker, name=self._identity.client_id)
        now = datetime.now(UTC)
        client.will_set(
            self._topic(PRESENT),
            self._messages.present(now, present=False),
            qos=1,
            retain=self._identity.is_retained,
        )
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        client.on_message = self._on_message
        connect(client, self._broker)
        return client

    def _on_connect(
        self, client: Client, _data: Any, _flags: Any, reason: Any, _properties: Any
    ) -> None:
        if reason.is_failure:
            self._wrong = f"the broker refused: {reason}"
            return
        self._up = True
        if not self._seems_doubled and self._problems.end():
            _log.info("mqtt_again", host=self._broker.host)
        self._published.clear()
        self._state_at_s = self._fed_at_s = 0.0
        self._under_way.clear()
        self._sent_row = None
        self._publish(client, PRESENT, self._messages.present(datetime.now(UTC), present=True))
        if self._incoming is not None:
            client.subscribe(self._topic(ASK), qos=1)
        if self._broker.all_chambers:
            client.subscribe(
                [(topic_of(self._broker.topic, "+", "+", each), 0) for each in OF_OTHERS]
            )

    def _publish_new(self, client: Client) -> None:
        """Publish what is new."""
        snapshot = self._latest
        if snapshot is not None:
            self._publish_changed(client, snapshot)
        if time.monotonic() - self._fed_at_s >= FEED_EVERY_S:
            self._fed_at_s = time.monotonic()
            self._feed_events(client)
            self._keep_place()

    def _publish_changed(self, client: Client, snapshot: Snapshot) -> None:
        status = None if snapshot.silent else snapshot.status
        changes = None if status is None else _changes(status)
        due = time.monotonic() - self._state_at_s >= self._broker.every_s
        if due or self._published.get(STATE, ()) != changes:
            self._published[STATE], self._state_at_s = changes, time.monotonic()
            self._publish(client, STATE, self._messages.state(snapshot))
        alarms = None if status is None else status.alarms
        if self._published.get(ALARMS, ()) != alarms:
            self._published[ALARMS] = alarms
            self._publish(client, ALARMS, self._messages.alarms(snapshot))
        if self._published.get(FORECAST, ()) != snapshot.forecast:
            self._published[FORECAST] = snapshot.forecast
            self._publish(client, FORECAST, self._messages.forecast(snapshot))

    def _feed_events(self, client: Client) -> None:
        room = MOST_UNDER_WAY - len(self._under_way)
        if room <= 0:
            return
        try:
            events = self._feed.next(after=self._sent_row, most=room)
        except OSError as error:
            self._report(f"events cannot be read: {error}")
            return
        for event in events:
            document = self._messages.event(event, datetime.now(UTC))
            sent = client.publish(self._topic(EVENTS), document, qos=1)
            self._under_way[sent.mid] = event.row
            self._sent_row = event.row

    def _on_publish(
        self, _client: Client, _data: Any, mid: int, _reason: Any, _properties: Any
    ) -> None:
        self._under_way.pop(mid, None)

    def _keep_place(self) -> None:
        """Keep how far everything has arrived without a gap."""
        if self._sent_row is None:
            return
        waiting = min(self._under_way.values(), default=self._sent_row + 1)
        try:
            self._feed.passed_on(waiting - 1)
        except OSError as error:
            self._report(f"the place among the events cannot be kept: {error}")

    def _on_message(self, client: Client, _data: Any, message: Any) -> None:
        if message.topic != self._topic(ASK):
            receive(self._others, message.topic, message.payload)
            return
        if self._incoming is None:
            return
        now = local_time(datetime.now(UTC), self._zone)
        try:
            asked = self._incoming.take(message.payload, kept=bool(message.retain), now=now)
        except OSError as error:
            self._report(f"a request cannot be written: {error}")
            return
        if asked is None:
            return
        _log.info("asked_by_message", id=asked.id, accepted=asked.accepted, why=asked.why)
        answer = self._messages.answer(now, asked=asked.id, accepted=asked.accepted, why=asked.why)
        client.publish(self._topic(ANSWER), answer, qos=1)

    def _publish(self, client: Client, what: str, document: bytes) -> None:
        client.publish(self._topic(what), document, qos=1, retain=self._identity.is_retained)

    def _publish_absence(self, client: Client) -> None:
        """Publish that the lookout is gone, as the last will would."""
        document = self._messages.present(datetime.now(UTC), present=False)
        retained = self._identity.is_retained
        sent = client.publish(self._topic(PRESENT), document, qos=1, retain=retained)
        ends_s = time.monotonic() + 1.0
        while not sent.is_published() and time.monotonic() < ends_s and client.loop(0.1) == 0:
            pass

    def _topic(self, what: str) -> str:
        own = self._identity
        return topic_of(own.prefix(self._broker.topic), own.instance, own.machine, what)

    def _report(self, problem: str) -> None:
        self._problems.report(problem, "mqtt", host=self._broker.host, problem=problem)


def _changes(status: Status) -> tuple[object, ...]:
    """Return what is published at once when it changes; the rest follows with the next turn."""
    return (
        status.stage,
        status.phase,
        status.pump,
        status.fan,
        status.alarms,
        status.cut_in_c,
        status.cut_out_c,
    )
