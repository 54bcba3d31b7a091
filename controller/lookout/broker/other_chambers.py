"""What a broker keeps of every chamber, for lists of all of them."""

from __future__ import annotations

import json
import time
from typing import Any

from controller.lookout.broker.connection import LARGEST_PACKET, Broker, connect, new_client
from controller.lookout.broker.documents import FORECAST, PRESENT, STATE, topic_of

OF_OTHERS = (STATE, FORECAST, PRESENT)
MOST_OTHERS = 1000


def hear(others: dict[str, dict[str, Any]], topic: str, payload: bytes) -> None:
    """Take note of a document about some chamber; what is none of ours is passed over.

    Args:
        others: Where it is noted, by "instance/machine" and topic.
        topic: Of the message.
        payload: The message.
    """
    parts = topic.rsplit("/", 3)
    if len(parts) != 4 or parts[3] not in OF_OTHERS or len(payload) > LARGEST_PACKET:
        return
    try:
        document = json.loads(payload.decode("utf-8"))
    except (ValueError, RecursionError):
        return
    source = f"{parts[1]}/{parts[2]}"
    if len(others) < MOST_OTHERS or source in others:
        others.setdefault(source, {})[parts[3]] = document


def ask_broker(broker: Broker, *, quiet_s: float = 0.5, most_s: float = 10.0) -> dict[str, Any]:
    """Return every chamber's retained documents, by "instance/machine" and topic.

    Args:
        broker: Where to.
        quiet_s: When so long nothing more came, that was all [s].
        most_s: It takes no longer than this [s].

    Raises:
        OSError: The broker cannot be reached, or refuses.
    """
    others: dict[str, dict[str, Any]] = {}
    refused: list[str] = []
    heard_s = [0.0]
    client = new_client(broker, name="")

    def joined(_client: Any, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            refused.append(str(reason))
        else:
            client.subscribe([(topic_of(broker.topic, "+", "+", each), 0) for each in OF_OTHERS])

    def subscribed(*_: Any) -> None:
        heard_s[0] = time.monotonic()

    def heard(_client: Any, _data: Any, message: Any) -> None:
        heard_s[0] = time.monotonic()
        hear(others, message.topic, message.payload)

    client.on_connect, client.on_subscribe, client.on_message = joined, subscribed, heard
    connect(client, broker)
    ends_s = time.monotonic() + most_s
    while not refused and time.monotonic() < ends_s:
        if client.loop(timeout=0.1) != 0:
            break
        if heard_s[0] and time.monotonic() - heard_s[0] > quiet_s:
            break
    client.disconnect()
    if refused or not heard_s[0]:
        why = refused[0] if refused else "it did not answer"
        raise OSError(f"the broker {broker.host}:{broker.port} refused: {why}")
    return others
