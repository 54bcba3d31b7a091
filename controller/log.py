"""Log lines: the name of an event, and what belongs to it by name.

They go through the standard library's logging; `cli.logs` gives them their shape. Nothing else is
imported for them: the control process runs for months on a small computer.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping


class LogLine:
    """What one line says."""

    __slots__ = ("event", "fields")

    def __init__(self, event: str, fields: Mapping[str, object]) -> None:
        self.event = event
        self.fields = fields

    def __str__(self) -> str:
        """Return the line for whoever shapes it no further."""
        return " ".join((self.event, *(f"{key}={value!r}" for key, value in self.fields.items())))


class EventLog:
    """Writes lines under the name of a part of coldpin. No line waits for whoever reads it."""

    __slots__ = ("_logger",)

    def __init__(self, name: str) -> None:
        """Write under this name, which begins with coldpin or controller."""
        self._logger = logging.getLogger(name)

    def info(self, event: str, /, **fields: object) -> None:
        """Log what is as it should be."""
        self._write(logging.INFO, event, fields)

    def warning(self, event: str, /, **fields: object) -> None:
        """Log what somebody should look at."""
        self._write(logging.WARNING, event, fields)

    def error(self, event: str, /, **fields: object) -> None:
        """Log what is broken."""
        self._write(logging.ERROR, event, fields)

    def _write(self, level: int, event: str, fields: Mapping[str, object]) -> None:
        if self._logger.isEnabledFor(level):
            self._logger.log(level, LogLine(event, fields))
