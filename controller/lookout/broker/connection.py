"""The broker that a configuration names, and how to connect to it (MQTT 5, OASIS standard)."""

from __future__ import annotations

import ssl
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import SettingsError
from controller.lookout.private_file import read_private
from controller.settings.load import Settings

if TYPE_CHECKING:
    from paho.mqtt.client import Client

KEEPALIVE_S = 30
CONNECT_S = 10.0
LARGEST_PACKET = 65_536
"""Larger ones the broker keeps to itself [bytes]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Broker:
    """Where to and how."""

    host: str
    port: int
    topic: str
    every_s: float
    commands: bool
    all_chambers: bool = False
    user: str | None = None
    password: str | None = None
    tls: ssl.SSLContext | None = None


def broker_of(settings: Settings, folder: Path) -> Broker | None:
    """Return the broker that is named, None where none is.

    Args:
        settings: The configuration.
        folder: The configuration's.

    Raises:
        SettingsError: Password or certificates cannot be used.
    """
    named = settings.mqtt
    if named.host is None:
        return None
    password = None
    if named.password_file is not None:
        password = read_private(folder / named.password_file).strip()
    tls = None
    if named.tls:
        ca_file = None if named.ca_file is None else folder / named.ca_file
        try:
            tls = ssl.create_default_context(cafile=ca_file)
        except (OSError, ssl.SSLError) as error:
            raise SettingsError(
                str(ca_file), (f"found no certificates ({error}), allowed: PEM",)
            ) from None
    return Broker(
        host=named.host,
        port=named.port,
        topic=named.topic,
        every_s=float(named.every),
        commands=named.commands,
        all_chambers=named.all_chambers,
        user=named.user,
        password=password,
        tls=tls,
    )


def new_client(broker: Broker, *, name: str) -> Client:
    """Return a client that is not connected yet.

    Args:
        broker: Where to.
        name: By which the broker knows it; empty: the broker gives one.
    """
    from paho.mqtt.client import Client, MQTTv5  # noqa: PLC0415 - not everybody has a broker
    from paho.mqtt.enums import CallbackAPIVersion  # noqa: PLC0415

    client = Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=MQTTv5)
    if broker.user is not None:
        client.username_pw_set(broker.user, broker.password)
    if broker.tls is not None:
        client.tls_set_context(broker.tls)
    client.connect_timeout = CONNECT_S
    return client


def connect(client: Client, broker: Broker) -> None:
    """Connect, and have the broker keep large packets to itself.

    Raises:
        OSError: It cannot be reached, or does not prove itself.
    """
    from paho.mqtt.packettypes import PacketTypes  # noqa: PLC0415
    from paho.mqtt.properties import Properties  # noqa: PLC0415

    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.MaximumPacketSize = LARGEST_PACKET
    client.connect(broker.host, broker.port, KEEPALIVE_S, properties=properties)
