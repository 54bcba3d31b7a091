"""A long soak: a million ticks with troubles thrown at random, and what it does to the process.

    python -m tests.benchmarks.soak [--ticks 1000000] [--seed 1]

Ends with an error at the first tick that breaks a rule; prints memory, file handles and threads.
Every six simulated hours the lookout's own work is done on the records as they are: a forecast,
notices, the page's words and the figures for monitoring systems.
"""

from __future__ import annotations

import argparse
import logging
import resource
import tempfile
import threading
import time
from datetime import UTC, datetime, timedelta
from datetime import time as day_time
from pathlib import Path

from controller.log import structlog
from controller.lookout.forecasting import RecordsForecaster
from controller.lookout.headline import AlarmLimits, headline_of
from controller.lookout.metrics import metrics_text
from controller.lookout.notices.due import notices_due
from controller.lookout.notices.history import NoticeHistory
from controller.lookout.notices.notice_rules import Rules
from controller.records.boot import boottime
from controller.records.snapshot import Snapshot
from controller.records.status_file import Clocks, status_of
from controller.settings.load import read_settings
from controller.settings.shipped import shipped_config
from tests.support.soak import TICK_S, Soak

PARTS = 5
LOOKOUT_EVERY = 4320
"""Ticks between two looks of the lookout; it looks far more often, but the records are the same."""


class LookoutParts:
    """What the lookout does, on the soak's records and its simulated time."""

    def __init__(self, soak: Soak, folder: Path) -> None:
        self._soak = soak
        settings = read_settings(shipped_config("larkmoor-laptop.toml"))
        self._forecaster = RecordsForecaster(settings, folder)
        self._history = NoticeHistory()
        self.snapshots = self.forecasts = self.notices = 0

    def run_once(self) -> None:
        """Make a snapshot, a forecast and notices."""
        loop, clock = self._soak.loop, self._soak.clock
        self._soak.records.keep_event(clock.monotonic(), "stage", "snapshot")
        ends = time.monotonic() + 30.0
        while self._soak.records.waiting and time.monotonic() < ends:
            time.sleep(0.002)
        # the records believe that the soak's clock is this boot's
        now = datetime.now(UTC) + timedelta(seconds=clock.monotonic() - boottime())
        forecast = self._forecaster.forecast(now)
        assert loop.inputs is not None
        status = status_of(
            loop.state, loop.inputs, loop.law,
            Clocks(now=clock.monotonic(), local=now, boot_id="b", boottime_s=clock.monotonic()),
            chamber="soak", stage="fruiting", tick_s=TICK_S,
        )  # fmt: skip
        snapshot = Snapshot(
            at_utc=now, status=status, age_s=0.0, silent=False, last_swap=None, forecast=forecast
        )
        self._history, notices = notices_due(self._history, snapshot, Rules(
            leads_s=(10_800.0, 3600.0), wakes=day_time(6, 30), sleeps=day_time(22, 30)
        ), now)  # fmt: skip
        assert metrics_text(snapshot)
        limits = AlarmLimits(
            air_high_c=20.0, air_low_c=11.0, reservoir_warm_c=12.0, reservoir_freezing_c=-0.25,
            unit="C",
        )  # fmt: skip
        assert headline_of(snapshot, limits, now).words
        self.snapshots += 1
        self.forecasts += forecast.known
        self.notices += len(notices)


def resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * resource.getpagesize() / 1e6


def open_files() -> int:
    return sum(1 for _ in Path("/proc/self/fd").iterdir())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--ticks", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    with tempfile.TemporaryDirectory() as folder:
        soak = Soak(asked.seed, Path(folder) / "records.sqlite")
        lookout = LookoutParts(soak, Path(folder))
        began = time.perf_counter()
        for _ in range(PARTS):
            for _ in range(max(1, asked.ticks // PARTS // LOOKOUT_EVERY)):
                result = soak.turn(LOOKOUT_EVERY)
                lookout.run_once()
            print(
                f"{result.ticks:9} ticks, {result.ticks * TICK_S / 86_400:5.1f} d: {result.starts} "
                f"starts; {resident_mb():.1f} MB, {open_files()} files, "
                f"{threading.active_count()} threads"
            )
        print(
            f"lookout: {lookout.snapshots} snapshots, {lookout.forecasts} forecasts, "
            f"{lookout.notices} notices"
        )
        print(f"no rule broken, in {time.perf_counter() - began:.0f} s")
        print("thrown:", ", ".join(f"{n} {what}" for what, n in sorted(result.thrown.items())))
        print("alarms:", ", ".join(f"{n} {what}" for what, n in sorted(result.alarms.items())))
        soak.close()


if __name__ == "__main__":
    main()
