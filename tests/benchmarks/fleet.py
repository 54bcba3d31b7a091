"""Many chambers into one broker: messages, loss, latency, and a broker that is away.

    python -m tests.benchmarks.fleet [--chambers 200] [--minutes 3] [--outage 600] [--speed 60]

A real mosquitto on this machine, the chambers of ``fleet_rehearsal``, and one listener.
Latency is from the ``sent`` of a message to its arrival, on one clock. Every event's id ends in its
row in the chamber's records, so a row that is missing between two others was lost; ids that came
twice are counted apart. The outage is in real time; the listener is back before the chambers are.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter, defaultdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from controller.settings.shipped import shipped_config
from tests.support.broker import RealBroker, free_port

CATCH_UP_S = 420.0
"""After an outage: lookouts come back after up to five minutes of pause [s]."""


class Counting:
    """A listener that keeps figures and no messages."""

    def __init__(self, port: int) -> None:
        self.count: Counter[str] = Counter()
        self.latency_ms: list[float] = []
        self.rows: dict[str, list[int]] = defaultdict(list)
        self.ids: Counter[str] = Counter()
        self.paused = False
        self._lock = threading.Lock()
        client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        client.reconnect_delay_set(1, 1)
        client.on_connect = lambda *_: client.subscribe("coldpin/#", qos=1)
        client.on_message = self._on_message
        client.connect("127.0.0.1", port)
        client.loop_start()
        self.client = client

    def _received(self, _client: Any, _data: Any, message: Any) -> None:
        now = datetime.now(UTC)
        what = message.topic.rsplit("/", 1)[1]
        document = json.loads(message.payload)
        with self._lock:
            self.count[what] += 1
            if not message.retain and not self.paused:
                sent = datetime.fromisoformat(document["sent"])
                self.latency_ms.append((now - sent).total_seconds() * 1000.0)
            if what == "events":
                self.ids[document["id"]] += 1
                self.rows[document["instance"]].append(int(document["id"].rsplit("-", 1)[1]))

    def losses(self) -> int:
        """Return how many rows are missing between the first and the last of each chamber."""
        return sum(
            max(rows) - min(rows) + 1 - len(set(rows)) for rows in self.rows.values() if rows
        )

    def twice(self) -> int:
        """Return how many ids came more than once."""
        return sum(count > 1 for count in self.ids.values())


def quantile(values: list[float], share: float) -> float:
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))] if ordered else float("nan")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--chambers", type=int, default=200)
    parser.add_argument("--minutes", type=float, default=3.0)
    parser.add_argument("--outage", type=float, default=600.0, help="seconds; 0: none")
    parser.add_argument("--speed", type=float, default=60.0)
    asked = parser.parse_args()
    whole_s = 60.0 * asked.minutes + (asked.outage + CATCH_UP_S if asked.outage else 0.0)
    with tempfile.TemporaryDirectory() as folder:
        broker = RealBroker(Path(folder))
        config = Path(folder) / "fleet.toml"
        text = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")
        config.write_text(
            f'{text}\n[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\n'
            f"[lookout]\nport = {free_port()}\n",
            encoding="utf-8",
        )
        received = Counting(broker.port)
        with subprocess.Popen(
            [
                sys.executable, "-m", "tests.benchmarks.fleet_rehearsal", str(config),
                "--chambers", str(asked.chambers), "--minutes", str(whole_s / 60.0),
                "--speed", str(asked.speed),
            ],
            stderr=subprocess.DEVNULL,
        ) as process:  # fmt: skip
            time.sleep(min(30.0, 15.0 * asked.minutes))
            begun_s, before = time.monotonic(), sum(received.count.values())
            received.latency_ms.clear()
            time.sleep(max(1.0, 60.0 * asked.minutes - 40.0))
            messages = sum(received.count.values()) - before
            lasted_s = time.monotonic() - begun_s
            print(
                f"{asked.chambers} chambers at {asked.speed:g} times the clock: {messages} messages"
                f" in {lasted_s:.0f} s, {messages / lasted_s:.0f} a second; latency median "
                f"{quantile(received.latency_ms, 0.5):.0f} ms, 99 % "
                f"{quantile(received.latency_ms, 0.99):.0f} ms; rows lost {received.losses()}, "
                f"ids twice {received.twice()}",
                flush=True,
            )
            if asked.outage:
                known = sum(received.ids.values())
                received.paused = True
                broker.stop()
                time.sleep(asked.outage)
                broker.start()
                print(f"broker away for {asked.outage:.0f} s, back", flush=True)
            process.wait()
        time.sleep(2.0)
        print(
            f"in all: {sum(received.count.values())} messages, {len(received.ids)} events of "
            f"{len(received.rows)} chambers, rows lost {received.losses()}, ids that came twice "
            f"{received.twice()}"
            + (
                f"; {len(received.ids) - known} events since the outage began"
                if asked.outage
                else ""
            )
        )
        received.client.disconnect()
        received.client.loop_stop()
        broker.stop()


if __name__ == "__main__":
    main()
