"""Runs a command in this process, with its two outputs apart."""

from __future__ import annotations

import inspect

from click.testing import CliRunner


def separating_runner() -> CliRunner:
    """Return what keeps the two outputs apart, which click did only when asked before 8.2."""
    if "mix_stderr" in inspect.signature(CliRunner).parameters:
        return CliRunner(mix_stderr=False)
    return CliRunner()
