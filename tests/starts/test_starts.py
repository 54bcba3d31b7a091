"""Odd surroundings of a start; `python -m tests.starts` tries every command in each of them."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from controller.cli.main import COMMANDS as NAMES
from tests.starts.matrix import COMMANDS, End, sample

ROOT = Path(__file__).parents[2]


def test_every_command_is_started() -> None:
    """In the whole matrix, and in the sample of it."""
    # size alone takes long, and is in the whole matrix
    assert set(NAMES) - {"size"} <= {command.split(" ")[0] for command in COMMANDS}
    assert {command.split(" ")[0] for command, _ in sample()} >= set(NAMES) - {"size"}


@pytest.mark.parametrize("kind", ["streams", "zones", "environment", "folders"])
def test_a_start_ends_with_words_and_a_status(kind: str) -> None:
    """Each surrounding once, in a process whose children are the starts."""
    ran = subprocess.run(
        [sys.executable, "-m", "tests.starts", kind, "--sample"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip

    assert ran.returncode == 0, ran.stdout + ran.stderr
    (count,) = re.findall(r"^(\d+) starts, 0 that ended", ran.stdout, flags=re.MULTILINE)
    assert int(count) > 15


@pytest.mark.parametrize(
    ("command", "status", "output", "good"),
    [
        ("check", 78, "cannot be used", True),
        ("check", 70, "This is a fault of coldpin", False),
        ("check", 120, "", False),
        ("check", 0, "Traceback (most recent call last)", False),
        ("check", 1, "", False),
        ("status c.toml", 1, "", True),
        ("check", -signal.SIGTERM, "", False),
        ("run c.toml", -signal.SIGTERM, "", True),
    ],
)
def test_what_is_good(command: str, status: int, output: str, good: bool) -> None:
    """The judge of all this is no yes-man."""
    assert End(command=command, case="", status=status, output=output).good is good
