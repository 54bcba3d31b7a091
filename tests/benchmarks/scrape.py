"""What a scrape of one lookout takes, over HTTP, beside a page and beside nothing at all.

python -m tests.benchmarks.scrape [--times 300]
"""

from __future__ import annotations

import argparse
import http.client
import os
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.lookout.houses import alarm, put_status, settings_with, status
from tests.support.broker import free_port

FIGURES = {
    "late_s": 0.002,
    "records_waiting": 3,
    "starts": 12,
    "pump_s": 3456.0,
    "refused": {"air": {"checksum wrong": 4}, "reservoir": {"stale": 2}},
}


def timed_ms(port: int, path: str, times: int) -> list[float]:
    """Return how long each request took, in order of length [ms]."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    lasted_ms = []
    for _ in range(times):
        began = time.perf_counter()
        connection.request("GET", path)
        answer = connection.getresponse()
        body = answer.read()
        lasted_ms.append((time.perf_counter() - began) * 1000.0)
        assert answer.status == 200, (path, answer.status)
        assert body
    return sorted(lasted_ms)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--times", type=int, default=300)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        place, port = Path(name), free_port()
        settings_with(place, f"[lookout]\nport = {port}")
        put_status(place, status(alarms=[alarm("air_high")], figures=FIGURES))
        with subprocess.Popen(
            [sys.executable, "-m", "controller", "lookout", str(place / "c.toml")],
            env={**os.environ, "STATE_DIRECTORY": name},
            stderr=subprocess.DEVNULL,
        ) as lookout:
            ends = datetime.now(UTC) + timedelta(seconds=30)
            while datetime.now(UTC) < ends:
                try:
                    timed_ms(port, "/metrics", 3)
                    break
                except OSError:
                    time.sleep(0.2)
            for path in ("/metrics", "/", "/now", "/page.css"):
                put_status(place, status(alarms=[alarm("air_high")], figures=FIGURES))
                lasted_ms = timed_ms(port, path, asked.times)
                print(
                    f"{path:12} median {statistics.median(lasted_ms):5.1f} ms, 99 % "
                    f"{lasted_ms[int(0.99 * len(lasted_ms))]:5.1f} ms"
                )
            memory = Path(f"/proc/{lookout.pid}/status").read_text(encoding="ascii")
            kb = next(line.split()[1] for line in memory.splitlines() if "VmRSS" in line)
            print(f"resident {int(kb) / 1024:.1f} MB")
            lookout.terminate()


if __name__ == "__main__":
    main()
