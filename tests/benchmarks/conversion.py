"""How long a conversion of large records takes; prints figures and judges nothing.

    python -m tests.benchmarks.conversion [--days 365] [--folder FOLDER]

The records are of the first version, with a reading a minute. The service is ready before it begins
and waits for none, so its start timeout (TimeoutStartSec= of the unit) bounds nothing here; the
last line says what could be converted within it.
"""

from __future__ import annotations

import argparse
import re
import sqlite3
import tempfile
import time
from contextlib import closing
from pathlib import Path
from unittest import mock

from controller.records.schema import MIGRATIONS, migrate
from tests.benchmarks.speed import say

UNIT = Path(__file__).parents[2] / "systemd" / "coldpin@.service"
MIB = 1 << 20


def main() -> None:
    """Print size, time and speed."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--days", type=int, default=365)
    options.add_argument("--folder", type=Path)
    chosen = options.parse_args()
    with tempfile.TemporaryDirectory(dir=chosen.folder) as folder:
        path = Path(folder, "records.sqlite")
        fill(path, chosen.days)
        size = path.stat().st_size
        with closing(sqlite3.connect(path, isolation_level=None)) as file:
            file.execute("PRAGMA journal_mode = WAL")
            file.execute("PRAGMA synchronous = FULL")
            begun_s, cpu_s = time.perf_counter(), time.process_time()
            migrate(file)
            took_s, cpu_s = time.perf_counter() - begun_s, time.process_time() - cpu_s
    limit = re.search(r"^TimeoutStartSec=(\d+)s$", UNIT.read_text(encoding="utf-8"), re.MULTILINE)
    assert limit is not None
    say(f"records of {chosen.days} days, first version", f"{size / MIB:.0f} MiB")
    say("converted in", f"{took_s:.2f} s, of which the processor {cpu_s:.2f} s")
    say(f"within {limit[1]} s", f"{size / MIB / took_s * int(limit[1]):.0f} MiB")


def fill(path: Path, days: int) -> None:
    """Write records of the first version, one reading a minute."""
    with closing(sqlite3.connect(path, isolation_level=None)) as file:
        with mock.patch("controller.records.schema.MIGRATIONS", MIGRATIONS[:1]):
            migrate(file)
        columns = [row[1] for row in file.execute("PRAGMA table_info(readings)") if row[1] != "id"]
        rows = (
            tuple(60_000 * n if name == "at_ms" else 1 if name == "run" else n % 20_000
                  for name in columns)
            for n in range(days * 1440)
        )  # fmt: skip
        places = ", ".join("?" * len(columns))
        file.execute("BEGIN")
        file.executemany(f"INSERT INTO readings ({', '.join(columns)}) VALUES ({places})", rows)
        file.execute("COMMIT")


if __name__ == "__main__":
    main()
