"""Fill a pipe and hold its other end without reading it: a log that nobody reads.

Usage: fill.py PIPE. Prints how many bytes fit; ends by a signal.
"""

from __future__ import annotations

import os
import sys
import time


def main() -> None:
    """Run it."""
    pipe = os.open(sys.argv[1], os.O_RDWR | os.O_NONBLOCK)
    full = 0
    for piece in (b"x" * 4096, b"x"):
        try:
            while True:
                full += os.write(pipe, piece)
        except BlockingIOError:
            pass
    print("   bytes in the pipe:", full, flush=True)
    time.sleep(100000)


if __name__ == "__main__":
    main()
