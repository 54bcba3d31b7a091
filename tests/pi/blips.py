"""Read a log of GPIO registers and say when an active-low relay was on, and for how long.

Usage: blips.py LOG LINE [LINE...]. A line of the log reads "TIME GPIO5 WORD"; the latch drives the
line only while its function is output.
"""

from __future__ import annotations

import sys
from datetime import datetime
from pathlib import Path


def main() -> None:
    """Print one line for each time a relay was on."""
    log, *lines = sys.argv[1:]
    for line in lines:
        function, latch, on_since, shown = "input", "low", None, 0
        for row in Path(log).read_text(encoding="ascii").splitlines():
            when, name, word = row.split()[:3]
            if name != f"GPIO{line}":
                continue
            function, latch = (function, word) if word in {"high", "low"} else (word, latch)
            on = function == "output" and latch == "low"
            at = datetime.fromisoformat(when)
            if on and on_since is None:
                on_since = at
            elif not on and on_since is not None:
                lasted_s = (at - on_since).total_seconds()
                print(f"GPIO{line} on {on_since:%H:%M:%S.%f} for {lasted_s:.2f} s")
                on_since, shown = None, shown + 1
        if on_since is not None:
            print(f"GPIO{line} on {on_since:%H:%M:%S.%f} and still on when the log ends")
            shown += 1
        print(
            f"GPIO{line}: on {shown} time(s); at the end {'on' if on_since else 'off'}, "
            f"{function} {latch}"
        )


main()
