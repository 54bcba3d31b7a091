"""Prints the table of faults at the end of a run that tried any."""

from __future__ import annotations

import pytest

from tests.faults.table import OUTCOMES, rows


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print it."""
    if OUTCOMES:
        terminalreporter.section("faults brought about")
        for line in rows(OUTCOMES):
            terminalreporter.write_line(line)
