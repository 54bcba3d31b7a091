"""The page with a year of readings: time to its first byte, pictures, and the lookout's memory.

    python -m tests.benchmarks.page [--days 365]

Prints figures and judges nothing. The year is put into the database by SQL: a reading a minute and
at each switch, older ones thinned to five minutes, and phases as a busy chamber has them. Times are
taken over the loopback from a process of its own, memory from /proc of that process.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import socket
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from http.client import HTTPConnection
from pathlib import Path

import uvicorn

from controller.domain.places import RECORDS
from controller.lookout.page.access import Access
from controller.lookout.page.app import PageContext, page_app
from controller.records.boot import boot_id, boottime
from controller.records.requests_file import REQUESTS, log_past_swap
from controller.records.schema import migrate
from controller.records.snapshot import take_snapshot
from controller.records.status_file import STATUS
from controller.records.thinning import give_back, thin_once
from controller.settings.load import read_settings
from controller.settings.shipped import shipped_config
from tests.lookout.houses import status

DETAIL_DAYS = 30
CYCLE_MIN = 15
"""Length of a cycle of cooling; a third of it with the pump on."""
PHASES = ("prime", "cool", "run_on", "rest")
TURNS = 40
MINUTE_MS = 60_000
DAY_MS = 1440 * MINUTE_MS


def fill(path: Path, days: int) -> None:
    """Make the year, ending now."""
    now_ms = round(time.time() * 1000)
    begins_ms = now_ms - days * DAY_MS
    with closing(sqlite3.connect(path, isolation_level=None)) as file:
        file.execute("PRAGMA auto_vacuum = INCREMENTAL")
        migrate(file)
        file.execute("BEGIN")
        file.execute("INSERT INTO runs VALUES (1, 'of the benchmark', 'hall shelf', 0)")
        file.execute("INSERT INTO clocks VALUES (1, 0, ?)", (begins_ms,))
        file.executemany(
            "INSERT INTO readings (run, at_ms, air_mc, reservoir_mc, room_mc, coil_outlet_mc, pump,"
            " fan) VALUES (1, ?, ?, ?, ?, ?, ?, ?)",
            (reading(minute) for minute in range(days * 1440)),
        )
        file.executemany(
            "INSERT INTO events (run, at_ms, kind, name, detail) VALUES (1, ?, 'phase', ?, 'c')",
            (
                (minute * MINUTE_MS + number * 10_000, name)
                for minute in range(0, days * 1440, CYCLE_MIN)
                for number, name in enumerate(PHASES)
            ),
        )
        for day in range(days):
            for hour, band in ((6, "15500 17000"), (22, "15000 16500")):
                file.execute(
                    "INSERT INTO events (run, at_ms, kind, name, detail)"
                    " VALUES (1, ?, 'band', ?, '')",
                    (day * DAY_MS + hour * 60 * MINUTE_MS, band),
                )
        file.execute("COMMIT")
        while thin_once(file, before_utc_ms=now_ms - DETAIL_DAYS * DAY_MS):
            pass
        for _ in range(400):
            give_back(file)
    for swap in range(2 * DETAIL_DAYS):
        at = datetime.fromtimestamp((now_ms - (swap + 0.4) * DAY_MS / 2) / 1000, UTC)
        log_past_swap(path.parent / REQUESTS, at=at, packs=4, who="benchmark")


def reading(minute: int) -> tuple[int, ...]:
    """Return a row: air round its band, a reservoir that warms between swaps, a warm room."""
    in_cycle = minute % CYCLE_MIN
    pump = int(in_cycle < CYCLE_MIN // 3)
    air = 16_250 + round(700 * math.cos(2 * math.pi * in_cycle / CYCLE_MIN))
    since_swap = minute % 720
    room = 24_000 + round(3000 * math.sin(2 * math.pi * minute / 1440))
    return minute * MINUTE_MS, air, 2000 + 6 * since_swap, room, 4000 + 6 * since_swap, pump, pump


def serve(config: Path, place: Path) -> None:
    """Serve the page alone: no forecast, no notices, no watch."""
    settings = read_settings(config)
    context = PageContext(
        settings=settings,
        place=place,
        snapshot=lambda: take_snapshot(place, at_utc=datetime.now(UTC)),
        access=Access(place, clock=time.monotonic),
    )
    uvicorn.run(
        page_app(context), host="127.0.0.1", port=settings.lookout.port, log_config=None,
        access_log=False, lifespan="off", loop="asyncio", http="h11", ws="none",
    )  # fmt: skip


@contextmanager
def process(arguments: list[str], port: int, place: Path) -> Iterator[int]:
    """Run a server until it listens, and yield its number."""
    environment = {**os.environ, "STATE_DIRECTORY": str(place)}
    with subprocess.Popen(
        [sys.executable, "-m", *arguments], env=environment, stderr=subprocess.DEVNULL
    ) as server:
        while True:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.05)
        try:
            yield server.pid
        finally:
            server.terminate()


def first_byte_s(port: int, path: str) -> tuple[float, int]:
    """Return the time to the first byte of the body [s], and the length of the answer."""
    connection = HTTPConnection("127.0.0.1", port, timeout=60)
    began = time.perf_counter()
    connection.request("GET", path)
    answer = connection.getresponse()
    first = answer.read(1)
    spent_s = time.perf_counter() - began
    length = len(first + answer.read())
    connection.close()
    if answer.status != 200:
        raise SystemExit(f"{path}: found status {answer.status}")
    return spent_s, length


def memory(number: int) -> str:
    """Return what a process holds in memory now, and held at most [MB]."""
    lines = Path(f"/proc/{number}/status").read_text(encoding="ascii").splitlines()
    result = {name: value for name, _, value in (line.partition(":") for line in lines)}
    now, most = (int(result[name].split()[0]) / 1024 for name in ("VmRSS", "VmHWM"))
    return f"{now:7.1f} MB, at most {most:.1f} MB"


def timed(label: str, port: int, path: str) -> None:
    first_s, length = first_byte_s(port, path)
    spent = sorted(first_byte_s(port, path)[0] for _ in range(TURNS))
    print(
        f"{label:34} {1000 * spent[TURNS // 2]:7.1f} ms, first time {1000 * first_s:.1f} ms, "
        f"19 of 20 below {1000 * spent[int(TURNS * 0.95)]:.1f} ms; {length / 1000:.0f} kB"
    )


def forecast_is_there(port: int) -> bool:
    connection = HTTPConnection("127.0.0.1", port, timeout=60)
    connection.request("GET", "/now")
    there = b"No forecast yet" not in connection.getresponse().read()
    connection.close()
    return there


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--serve", nargs=2, type=Path, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.serve:
        serve(*arguments.serve)
        return
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        config = place / "c.toml"
        text = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")
        config.write_text(f"{text}\n[lookout]\nport = {port}\n", encoding="utf-8")
        fill(place / RECORDS, arguments.days)
        print(f"{arguments.days} days of records: {(place / RECORDS).stat().st_size / 1e6:.1f} MB")
        document = status(boot_id=boot_id(), boottime_s=boottime())
        (place / STATUS).write_text(json.dumps(document), encoding="utf-8")

        alone = ["tests.benchmarks.page", "--serve", str(config), str(place)]
        with process(alone, port, place) as number:
            print(f"{'memory, page alone, before a look':34} {memory(number)}")
            timed("first byte of the page", port, "/")
            timed("first byte, picture of a crop", port, "/?span=crop")
            timed("live update", port, "/now")
            timed("figure of a day", port, "/picture?span=day")
            print(f"{'memory, page alone, a day':34} {memory(number)}")
            timed("figure of a week", port, "/picture?span=week")
            timed("figure of a crop, 90 days", port, "/picture?span=crop")
            timed("figure of a year", port, "/picture?span=year")
            print(f"{'memory, page alone, after all':34} {memory(number)}")
        with process(["controller", "lookout", str(config)], port, place) as number:
            while not forecast_is_there(port):
                time.sleep(0.2)
            print(f"{'memory, lookout with a forecast':34} {memory(number)}")
            for span in ("day", "week", "crop", "year"):
                first_byte_s(port, f"/?span={span}")
                first_byte_s(port, f"/picture?span={span}")
            print(f"{'memory, lookout, after all':34} {memory(number)}")


if __name__ == "__main__":
    main()
