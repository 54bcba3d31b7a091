"""Run a command on a terminal of its own and answer its questions, as a person would.

Usage: answer.py ANSWERS COMMAND...

Each line of the file ANSWERS: a TEXT to wait for, what to type (empty: nothing), and a shell
command that runs in the background from then on (may be left out), parted by tabs. What the
terminal shows is printed. Ends with the command's exit status, or 124 where a TEXT is not shown
within ten minutes.
"""

from __future__ import annotations

import os
import pty
import select
import subprocess
import sys
import time
from pathlib import Path

PATIENCE_S = 600.0


def main() -> int:
    """Run it."""
    lines = Path(sys.argv[1]).read_text(encoding="utf-8").splitlines()
    answers = [(line + "\t\t").split("\t")[:3] for line in lines if line]
    child, terminal = pty.fork()
    if child == 0:
        os.execvp(sys.argv[2], sys.argv[2:])
    seen = ""
    for text, typed, command in answers:
        until = time.monotonic() + PATIENCE_S
        while text not in seen:
            more = _shown(terminal, until)
            if more is None:
                print(f"\nnot shown: {text}", flush=True)
                return _status(child) or 124
            seen += more
        seen = seen[seen.index(text) + len(text) :]
        if command:
            subprocess.Popen(["bash", "-c", command])
        if typed:
            os.write(terminal, f"{typed}\n".encode())
    while _shown(terminal, time.monotonic() + PATIENCE_S) is not None:
        pass
    return _status(child)


def _shown(terminal: int, until: float) -> str | None:
    """Return what the terminal shows next, None where it ends or nothing comes in time."""
    ready, _, _ = select.select([terminal], [], [], max(0.0, until - time.monotonic()))
    if not ready:
        return None
    try:
        received = os.read(terminal, 4096)
    except OSError:  # the other end is closed
        return None
    if not received:
        return None
    text = received.decode("utf-8", "replace")
    print(text.replace("\r\n", "\n"), end="", flush=True)
    return text


def _status(child: int) -> int:
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


if __name__ == "__main__":
    sys.exit(main())
