"""Which release is installed, and which one each chamber's service runs."""

from __future__ import annotations

from controller import __version__
from controller.domain.places import (
    CONFIGURATIONS,
    configurations_in,
    named_state_directory,
    runtime_directory,
)
from controller.records.boot import boot_id, boottime
from controller.records.status_file import STATUS, is_silent, read_status


def version_words(runs: str, installed: str) -> str:
    """Return which release runs, and what to do where another one is installed."""
    if runs == installed:
        return runs
    return f"{runs} runs, {installed} is installed: restart the service to change over"


def version_lines() -> list[str]:
    """Return what is installed, then a line for each chamber on this machine whose service runs."""
    installed = __version__
    lines = [f"coldpin, version {installed}"]
    for config in configurations_in(CONFIGURATIONS):
        status = read_status(runtime_directory(named_state_directory(config)) / STATUS)
        silent = is_silent(status, boot_id=boot_id(), boottime_s=boottime())
        if status is not None and status.version and not silent:
            words = version_words(status.version, installed)
            lines.append(f"{config.stem}: {words}" + " runs" * (words == installed))
    return lines
