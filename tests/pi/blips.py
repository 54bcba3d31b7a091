"""Read a log of GPIO registers: when an active-low relay was on, how long, and how long it rested.

Usage: blips.py LOG [--shortest SECONDS] [--rest GPIO=SECONDS] LINE [LINE...]

A line of the log reads "TIME GPIO5 WORD"; the latch drives the line only while its function is
output. With --shortest no relay may have been on for less, since nothing in the runs switches one
on for so short a time: that would be a blip. With --rest no pause between two runs of that line may
be shorter. Ends with 1 where one of the two does not hold, or where no rest is there to be judged.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path

EARLY_S = 0.2
"""The log is stamped outside the emulator, the pause is measured by the clock inside it."""


@dataclass(frozen=True, slots=True)
class On:
    """A time for which a relay was on."""

    since: datetime
    until: datetime | None
    """None: it was still on when the log ended."""

    @property
    def lasted_s(self) -> float:
        """How long [s]; for ever where it has no end."""
        return (self.until - self.since).total_seconds() if self.until else float("inf")


def times_on(rows: Iterable[str], line: int) -> tuple[list[On], str]:
    """Return when the active-low relay at a line was on, and how the line stood at the end.

    Args:
        rows: The log.
        line: GPIO number.
    """
    function, latch, since = "input", "low", None
    on_times: list[On] = []
    for row in rows:
        when, name, level = row.split()[:3]
        if name != f"GPIO{line}":
            continue
        function, latch = (function, level) if level in {"high", "low"} else (level, latch)
        on = function == "output" and latch == "low"
        at = datetime.fromisoformat(when)
        if on and since is None:
            since = at
        elif not on and since is not None:
            on_times.append(On(since, at))
            since = None
    if since is not None:
        on_times.append(On(since, None))
    return on_times, f"{function} {latch}"


def judge(name: str, holds: bool) -> bool:
    """Print whether something holds."""
    print(f"{'held' if holds else 'NOT HELD'}: {name}")
    return holds


def main(arguments: list[str]) -> int:
    """Print one line for each time a relay was on, then what held."""
    parser = argparse.ArgumentParser()
    parser.add_argument("log", type=Path)
    parser.add_argument("lines", type=int, nargs="+")
    parser.add_argument("--shortest", type=float, default=0.0)
    parser.add_argument("--rest", action="append", default=[])
    asked = parser.parse_args(arguments)
    rests = {int(line): float(s) for line, s in (each.split("=") for each in asked.rest)}
    rows = asked.log.read_text(encoding="ascii").splitlines()
    good = True
    for line in asked.lines:
        on_times, end = times_on(rows, line)
        for on in on_times:
            how = f"for {on.lasted_s:.2f} s" if on.until else "and still on when the log ends"
            print(f"GPIO{line} on {on.since:%H:%M:%S.%f} {how}")
        at_end = "on" if on_times and on_times[-1].until is None else "off"
        print(f"GPIO{line}: on {len(on_times)} time(s); at the end {at_end}, {end}")
        if asked.shortest:
            short = [on for on in on_times if on.lasted_s < asked.shortest]
            what = f"GPIO{line} was never on for less than {asked.shortest:g} s"
            good &= judge(f"{what}: found {len(short)} such of {len(on_times)}", not short)
        if line in rests:
            pauses = [
                (after.since - before.until).total_seconds()
                for before, after in pairwise(on_times)
                if before.until
            ]
            shortest = f"the shortest of {len(pauses)} {min(pauses):.2f} s" if pauses else "none"
            what = f"GPIO{line} rested {rests[line]:g} s or more between two runs: {shortest}"
            good &= judge(what, bool(pauses) and min(pauses) >= rests[line] - EARLY_S)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
