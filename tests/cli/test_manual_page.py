"""The manual page: every command is in it, and man itself has nothing to say against it."""

from __future__ import annotations

import re
import shutil
import subprocess

import pytest

from controller.cli.main import COMMANDS
from controller.cli.manual_page import manual_page


def test_every_command_is_in_it() -> None:
    """With its usage."""
    page = manual_page("1.2.3").replace("\\-", "-")

    named = re.findall(r"^\.SS coldpin ([\w-]+)", page, re.MULTILINE)
    assert named == list(COMMANDS)
    assert "coldpin 1.2.3" in page
    assert ".B --frozen-through" in page


def test_no_line_is_taken_for_a_command_of_roff() -> None:
    """A help text that begins with a dot would vanish."""
    known = {".TH", ".SH", ".SS", ".PP", ".TP", ".B"}

    lines = manual_page("1").splitlines()

    assert {line.split()[0] for line in lines if line.startswith((".", "'"))} <= known


@pytest.mark.skipif(shutil.which("groff") is None, reason="groff is not installed")
def test_groff_has_nothing_to_say() -> None:
    """Source: groff's own warnings."""
    ran = subprocess.run(
        ["groff", "-man", "-Tascii", "-ww"], input=manual_page("1"), capture_output=True,
        text=True, check=True,
    )  # fmt: skip

    assert ran.stderr == ""
