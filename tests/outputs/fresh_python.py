"""Run a script in a process of its own, where what happens at its end can be seen."""

from __future__ import annotations

import subprocess
import sys
import textwrap
from pathlib import Path

PROJECT = Path(__file__).parents[2]


def run_python(
    script: str, *, cwd: Path = PROJECT, env: dict[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    """Return what the script printed and how it ended; warnings are errors in it."""
    return subprocess.run(
        [sys.executable, "-W", "error", "-c", textwrap.dedent(script)],
        cwd=cwd,
        env={"PYTHONPATH": str(PROJECT), **(env or {})},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
