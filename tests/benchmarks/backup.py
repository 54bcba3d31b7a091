"""A year's records are backed up while the control process runs: how late does a tick get?

    python -m tests.benchmarks.backup [--days 365] [--seconds 40]

The real ``coldpin run`` on simulated probes at a tick of 0.5 s; its own figure of how late its last
tick began is read from the status file twenty times a second. Prints figures, judges nothing.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

from controller.domain.places import RECORDS
from controller.history.importing import add_history
from controller.records.status_file import STATUS
from controller.settings.shipped import shipped_config
from tests.benchmarks.records import year

POLL_S = 0.05


class Watched:
    """What the running process says of its own lateness."""

    def __init__(self, place: Path) -> None:
        self._path = place / STATUS

    def late_ms(self, seconds: float, busy: subprocess.Popen[bytes] | None) -> list[float]:
        """Return lateness of every tick seen, in order of size [ms].

        Args:
            seconds: How long to look [s].
            busy: End when this has ended, if that is sooner.
        """
        seen: dict[float, float] = {}
        ends_s = time.monotonic() + seconds
        while time.monotonic() < ends_s and (busy is None or busy.poll() is None):
            try:
                result = json.loads(self._path.read_text(encoding="utf-8"))
                seen[result["boottime_s"]] = result["figures"]["late_s"] * 1000.0
            except (OSError, ValueError, KeyError):
                pass
            time.sleep(POLL_S)
        return sorted(seen.values())


def row(name: str, late_ms: list[float]) -> None:
    print(
        f"{name:26} {len(late_ms):5} ticks; late by median {late_ms[len(late_ms) // 2]:6.2f} ms, "
        f"99 % {late_ms[int(0.99 * len(late_ms))]:6.2f} ms, most {late_ms[-1]:6.2f} ms"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--seconds", type=float, default=40.0)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        config = place / "shelf.toml"
        text = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")
        config.write_text(text.replace('tick = "5 s"', 'tick = "0.5 s"'), encoding="utf-8")
        add_history(
            place / RECORDS, year(asked.days, datetime.now(UTC)), name="year", chamber="hall shelf"
        )
        print(f"records of {asked.days} days: {(place / RECORDS).stat().st_size / 1e6:.1f} MB")
        environment = {**os.environ, "STATE_DIRECTORY": name}
        command = [sys.executable, "-m", "controller"]
        with subprocess.Popen(
            [*command, "run", str(config)], env=environment, stderr=subprocess.DEVNULL
        ) as service:
            watched = Watched(place)
            time.sleep(3.0)
            row("alone", watched.late_ms(asked.seconds, None))
            late_ms: list[float] = []
            began, times = time.monotonic(), 0
            while time.monotonic() - began < asked.seconds:
                backup = subprocess.Popen(
                    [*command, "backup", str(config), str(place / "b.tar.gz")],
                    env=environment,
                    stdout=subprocess.DEVNULL,
                )
                late_ms += watched.late_ms(120.0, backup)
                assert backup.wait() == 0
                times += 1
            spent_s = (time.monotonic() - began) / times
            row(f"{times} backups, {spent_s:.1f} s each", sorted(late_ms))
            service.terminate()
        size = (place / "b.tar.gz").stat().st_size / 1e6
        print(f"the backup has {size:.1f} MB")
        target = place / "new"
        target.mkdir()
        restored = subprocess.run(
            [*command, "restore", str(target / "shelf.toml"), str(place / "b.tar.gz")],
            env={**os.environ, "STATE_DIRECTORY": str(target)},
            check=True,
            capture_output=True,
            text=True,
        )
        print(f"restored: {restored.stdout.strip()[:100]}")


if __name__ == "__main__":
    main()
