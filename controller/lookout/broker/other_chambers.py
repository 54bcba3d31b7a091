"""What a broker keeps of every chamber, for lists of all of them."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from typing import Any

from controller.lookout.broker.connection import LARGEST_PACKET, Broker, connect, new_client
from controller.lookout.broker.documents import (
    FORECAST,
    FORECAST_CODEC,
    PRESENT,
    PRESENT_CODEC,
    STATE,
    STATE_CODEC,
    ForecastDocument,
    PresentDocument,
    StateDocument,
    topic_of,
)

OF_OTHERS = (STATE, FORECAST, PRESENT)
MOST_OTHERS = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Retained:
    """The newest documents of one chamber; None: there is none that can be read."""

    state: StateDocument | None = None
    forecast: ForecastDocument | None = None
    present: PresentDocument | None = None


def receive(others: dict[str, Retained], topic: str, payload: bytes) -> None:
    """Take in a document about some chamber; what is none of ours is passed over.

    Args:
        others: The newest documents by "instance/machine", changed in place.
        topic: Of the message.
        payload: The message.
    """
    parts = topic.rsplit("/", 3)
    if len(parts) != 4 or parts[3] not in OF_OTHERS or len(payload) > LARGEST_PACKET:
        return
    what, source = parts[3], f"{parts[1]}/{parts[2]}"
    if len(others) >= MOST_OTHERS and source not in others:
        return
    known = others.get(source, Retained())
    try:
        match what:
            case "state":
                known = replace(known, state=STATE_CODEC.read(payload))
            case "forecast":
                known = replace(known, forecast=FORECAST_CODEC.read(payload))
            case "present":
                known = replace(known, present=PRESENT_CODEC.read(payload))
    except ValueError:
        return
    others[source] = known


def ask_broker(
    broker: Broker, *, quiet_s: float = 0.5, most_s: float = 10.0
) -> dict[str, Retained]:
    """Return every chamber's retained documents, by "instance/machine".

    Args:
        broker: Where to.
        quiet_s: When so long nothing more came, that was all [s].
        most_s: It takes no longer than this [s].

    Raises:
        OSError: The broker cannot be reached, or refuses.
    """
    others: dict[str, Retained] = {}
    refused: list[str] = []
    received_s = [0.0]
    client = new_client(broker, name="")

    def on_connect(_client: Any, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            refused.append(str(reason))
        else:
            client.subscribe([(topic_of(broker.topic, "+", "+", each), 0) for each in OF_OTHERS])

    def on_subscribe(*_: Any) -> None:
        received_s[0] = time.monotonic()

    def on_message(_client: Any, _data: Any, message: Any) -> None:
        received_s[0] = time.monotonic()
        receive(others, message.topic, message.payload)

    client.on_connect, client.on_subscribe = on_connect, on_subscribe
    client.on_message = on_message
    connect(client, broker)
    ends_s = time.monotonic() + most_s
    while not refused and time.monotonic() < ends_s:
        if client.loop(timeout=0.1) != 0:
            break
        if received_s[0] and time.monotonic() - received_s[0] > quiet_s:
            break
    client.disconnect()
    if refused or not received_s[0]:
        why = refused[0] if refused else "it did not answer"
        raise OSError(f"the broker {broker.host}:{broker.port} refused: {why}")
    return others
