"""End a tool that still holds loads, and switch them off: what its second process and timer do."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

OFF_TRIES, OFF_AGAIN_AFTER_S = 10, 0.5
"""A line stays busy until the kernel has taken it from the tool that was ended."""


def started_at(process: int) -> str:
    """Return when a process was started, in the kernel's own units; empty where it is none.

    With its id that names one process for good: ids come again. Source: proc_pid_stat(5), field 22.
    """
    try:
        stat = Path(f"/proc/{process}/stat").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""
    return stat.rpartition(")")[2].split()[19]


def end(process: int, started: str) -> None:
    """End a process, if it is still the one that was started then."""
    if started and started_at(process) == started:
        with contextlib.suppress(ProcessLookupError):
            os.kill(process, signal.SIGKILL)


def switch_off(config: str) -> int:
    """Switch off by ``coldpin off``, over and over for a while; return the last exit status.

    Args:
        config: What it is called with.
    """
    status = 1
    for _ in range(OFF_TRIES):
        status = subprocess.run(  # noqa: S603 - our own command, with the tool's configuration
            [sys.executable, "-m", "controller", "off", config],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            check=False,
        ).returncode  # fmt: skip
        if status == 0:
            break
        time.sleep(OFF_AGAIN_AFTER_S)
    return status


if __name__ == "__main__":
    end(int(sys.argv[1]), sys.argv[2])
    sys.exit(switch_off(sys.argv[3]))
