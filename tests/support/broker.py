"""A real mosquitto on a free port of this machine, started and stopped by tests."""

from __future__ import annotations

import json
import socket
import subprocess
import threading
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from tests.support.machine import demand, program
from tests.support.waiting import AT_MOST_S, until

MOSQUITTO = program("mosquitto") or "mosquitto"


def free_port() -> int:
    """Return a port that nobody listens at now."""
    with socket.socket() as probe_socket:
        probe_socket.bind(("127.0.0.1", 0))
        port: int = probe_socket.getsockname()[1]
        return port


class RealBroker:
    """A mosquitto with a configuration of its own."""

    def __init__(self, folder: Path, more: str = "allow_anonymous true") -> None:
        """Start it.

        Args:
            folder: For its configuration.
            more: Lines of its configuration.
        """
        demand("mosquitto")
        self.port = free_port()
        self._config = folder / "mosquitto.conf"
        self._config.write_text(
            f"listener {self.port} 127.0.0.1\nmax_queued_messages 0\nuser root\n{more}\n",
            encoding="utf-8",
        )
        self._process: subprocess.Popen[bytes] | None = None
        self.start()

    def start(self) -> None:
        """Start it, and wait until it listens."""
        self._process = subprocess.Popen(
            [MOSQUITTO, "-c", str(self._config)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        until(self._listens, "the broker listens")

    def stop(self) -> None:
        """Stop it, as a power cut would."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(AT_MOST_S)
            self._process = None

    def _listens(self) -> bool:
        with socket.socket() as tried:
            return tried.connect_ex(("127.0.0.1", self.port)) == 0


class Listener:
    """Somebody who hears everything below a topic."""

    def __init__(self, port: int, topic: str = "coldpin/#", **login: str) -> None:
        """Connect, and wait until subscribed; goes on by itself when the broker was away."""
        self.received: list[tuple[str, bytes, bool]] = []
        self._ready = threading.Event()
        client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        if login:
            client.username_pw_set(login["user"], login["password"])
        client.reconnect_delay_set(1, 1)
        client.on_connect = lambda *_: client.subscribe(topic, qos=1)
        client.on_subscribe = lambda *_: self._ready.set()
        client.on_message = lambda _c, _d, message: self.received.append(
            (message.topic, message.payload, bool(message.retain))
        )
        client.connect("127.0.0.1", port)
        client.loop_start()
        assert self._ready.wait(AT_MOST_S)
        self.client = client

    def of(self, what: str) -> list[dict[str, Any]]:
        """Return the documents heard on a chamber's topic, in order."""
        return [
            json.loads(payload)
            for topic, payload, _ in list(self.received)
            if topic.rsplit("/", 1)[1] == what
        ]

    def close(self) -> None:
        """Go."""
        self.client.disconnect()
        self.client.loop_stop()
