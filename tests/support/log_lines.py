"""What was logged meanwhile."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from controller.log import LogLine


class _Collector(logging.Handler):
    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self.lines: list[dict[str, Any]] = []

    def emit(self, record: logging.LogRecord) -> None:
        if isinstance(record.msg, LogLine):
            line = {"event": record.msg.event, "log_level": record.levelname.lower()}
            self.lines.append({**record.msg.fields, **line})


@contextmanager
def capture_logs() -> Iterator[list[dict[str, Any]]]:
    """Yield the lines of coldpin's own logs as they come: fields, event and log_level of each."""
    root, collector = logging.getLogger(), _Collector()
    level_before = root.level
    root.addHandler(collector)
    root.setLevel(logging.INFO)
    try:
        yield collector.lines
    finally:
        root.setLevel(level_before)
        root.removeHandler(collector)
