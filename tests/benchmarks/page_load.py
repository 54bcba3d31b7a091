"""The page under 500 idle connections and 50 requests a second; prints figures, judges nothing.

    nice python -m tests.benchmarks.page_load [--idle 500] [--per-second 50] [--seconds 20]

Everything stays on the loopback interface. The lookout is a process of its own, as it is in use. A
connection that it puts out is opened anew a second later, so that the load stays.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from pathlib import Path

from controller.lookout.server import MOST_OF_ONE_ADDRESS
from tests.lookout.houses import put_status, settings_with, status
from tests.support.broker import free_port

REQUEST = b"GET %s HTTP/1.1\r\nhost: 127.0.0.1\r\nconnection: close\r\n\r\n"
MOST_S = 30.0
"""A request that takes longer counts as failed."""


async def ask(port: int, path: bytes) -> tuple[bool, float]:
    """Return whether a request was answered well, and after what time [s]."""
    began_s = time.monotonic()
    try:
        async with asyncio.timeout(MOST_S):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(REQUEST % path)
            answer = await reader.read()
            writer.close()
    except (OSError, TimeoutError):
        return False, time.monotonic() - began_s
    return answer.startswith(b"HTTP/1.1 200"), time.monotonic() - began_s


async def hold(port: int, opened: list[int], closed: list[int]) -> None:
    """Hold a connection that sends nothing, and open another when it is closed."""
    while True:
        with suppress(OSError):
            reader, _ = await asyncio.open_connection("127.0.0.1", port)
            opened.append(1)
            await reader.read()
            closed.append(1)
        await asyncio.sleep(1.0)


async def load(
    port: int, path: bytes, *, per_second: int, seconds: int
) -> list[tuple[bool, float]]:
    """Return what became of requests that begin evenly spaced, whatever the others take."""
    begun = []
    began_s = time.monotonic()
    for number in range(per_second * seconds):
        await asyncio.sleep(max(0.0, began_s + number / per_second - time.monotonic()))
        begun.append(asyncio.create_task(ask(port, path)))
    return list(await asyncio.gather(*begun))


def row(name: str, results: list[tuple[bool, float]]) -> str:
    """Return a line about requests."""
    times_ms = sorted(1000.0 * spent_s for well, spent_s in results if well)
    if not times_ms:
        return f"{name:34} none of {len(results)} answered"
    middle, high = times_ms[len(times_ms) // 2], times_ms[int(0.99 * (len(times_ms) - 1))]
    return (
        f"{name:34} {len(times_ms)} of {len(results)} answered, median {middle:.0f} ms, "
        f"99 % within {high:.0f} ms"
    )


async def measure(port: int, idle: int, per_second: int, seconds: int, process: int) -> None:
    """Print the figures."""
    descriptors = Path(f"/proc/{process}/fd")
    quiet = len(list(descriptors.iterdir()))
    paths = (b"/now", b"/metrics")
    for path in paths:
        results = await load(port, path, per_second=per_second, seconds=seconds)
        print(row(f"{path.decode()}, no idle connection", results), flush=True)
    opened: list[int] = []
    closed: list[int] = []
    holders = [asyncio.create_task(hold(port, opened, closed)) for _ in range(idle)]
    await asyncio.sleep(2.0)
    for path in paths:
        results = await load(port, path, per_second=per_second, seconds=seconds)
        print(row(f"{path.decode()}, {idle} idle connections", results), flush=True)
    held = len(list(descriptors.iterdir())) - quiet
    print(f"connections held {held} (allowed {MOST_OF_ONE_ADDRESS} of one address); "
          f"{len(opened)} idle ones opened, {len(closed)} put out")  # fmt: skip
    for each in holders:
        each.cancel()


def main() -> None:
    """Start a lookout and load it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--idle", type=int, default=500)
    parser.add_argument("--per-second", type=int, default=50)
    parser.add_argument("--seconds", type=int, default=20)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        place, port = Path(folder), free_port()
        settings_with(place, f"[lookout]\nport = {port}")
        put_status(place, status())
        with subprocess.Popen(
            [sys.executable, "-m", "controller", "lookout", str(place / "c.toml")],
            env={**os.environ, "STATE_DIRECTORY": folder},
            stderr=subprocess.DEVNULL,
        ) as lookout:
            ends_s = time.monotonic() + 60.0
            while not asyncio.run(ask(port, b"/metrics"))[0]:
                assert time.monotonic() < ends_s, "the page did not come up"
                time.sleep(0.2)
            asyncio.run(measure(port, asked.idle, asked.per_second, asked.seconds, lookout.pid))
            lookout.terminate()


if __name__ == "__main__":
    main()
