"""The program itself: its help, its exit statuses, and output that loses its reader."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from controller.cli.main import PIPE_CLOSED

ROOT = Path(__file__).parents[2]
LAPTOP = str(ROOT / "config" / "larkmoor-laptop.toml")


@pytest.mark.parametrize(
    "arguments", [["check", LAPTOP], ["check", LAPTOP, "--json"], ["--help"]], ids=" ".join
)
def test_output_without_a_reader_is_no_alarm(arguments: list[str]) -> None:
    """As in `coldpin status | head -1`: click and rich would both end with 1."""
    reads, writes = os.pipe()
    os.close(reads)
    with os.fdopen(writes, "wb") as closed:
        ran = subprocess.run(
            [sys.executable, "-m", "controller", *arguments],
            stdout=closed, stderr=subprocess.PIPE, cwd=ROOT, check=False,
        )  # fmt: skip

    assert ran.returncode == PIPE_CLOSED == 141
    assert ran.stderr == b""
