"""What a commit of the records writes to the medium; prints figures and judges nothing.

Run as ``python -m tests.benchmarks.card [--commits N] [--folder FOLDER]``. Bytes are those that the
kernel counts for this process (``write_bytes`` in /proc/self/io), so the folder must be on a real
file system, not in memory.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from pathlib import Path

from controller.core.law import Band
from controller.core.state import Decision, Event, Inputs
from controller.domain.control_phase import Phase, Reason
from controller.domain.events import EventKind
from controller.domain.temperatures import Seen
from controller.records.writer import BATCH_S, RecordsWriter
from tests.benchmarks.speed import say

EVENTS_A_DAY = 960
"""Commits that an event asks for at once: the busy chamber of the laptop example, by `rehearse`."""


def main() -> None:
    """Print bytes for a commit, and what a day comes to."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--commits", type=int, default=60)
    options.add_argument("--folder", type=Path)
    chosen = options.parse_args()
    with tempfile.TemporaryDirectory(dir=chosen.folder) as folder:
        each = bytes_per_commit(Path(folder), chosen.commits)
    say("bytes written for a commit of one reading and one event", f"{each / 1000:.1f} kB")
    say("a commit a batch, all day", f"{each * 86_400 / BATCH_S / 1e6:.0f} MB a day")
    say(f"with {EVENTS_A_DAY} events on top, at most", f"{each * EVENTS_A_DAY / 1e6:.0f} MB more")


def bytes_per_commit(folder: Path, commits: int) -> float:
    """Return what one commit writes [B], each waited for."""
    writer = RecordsWriter(folder / "records.db", chamber="c", boot_id="b", ahead_s=0.0)
    band = Band(17_000, 15_500)
    time.sleep(1.0)
    before = _written()
    for number in range(commits):
        on = number % 2 == 1
        phase, reason = (Phase.COOL, Reason.CALL) if on else (Phase.REST, Reason.NO_CALL)
        event = Event(EventKind.PHASE, phase.value, reason.value)
        writer.note(
            1000.0 + 60.0 * number,
            Inputs(band=band, air=Seen(16_000 + number), reservoir=Seen(4_000)),
            Decision(on, on, phase, reason, (event,)),
        )
        while writer.waiting:
            time.sleep(0.02)
    os.sync()
    after = _written()
    writer.close()
    return (after - before) / commits


def _written() -> int:
    counts = Path("/proc/self/io").read_text(encoding="ascii")
    return int(counts.split("write_bytes: ")[1].split()[0])


if __name__ == "__main__":
    main()
