"""Where log lines go: standard error, key=value for people, JSON where nobody watches.

A line leaves through a bounded queue and a thread of its own. Whoever logs never waits: a reader
that does not read, a full disk behind it or one that has gone costs lines, never a tick. Lines that
do not fit are counted, and the count is logged once lines move again.
"""

from __future__ import annotations

import logging
import math
import os
import queue
import sys
import threading
from collections.abc import MutableMapping
from datetime import UTC, datetime
from typing import Any

from controller.domain.json_text import json_text
from controller.log import structlog

MOST_WAITING = 1000
FLUSH_WITHIN_S = 1.0


class QueuedLines(logging.Handler):
    """Writes lines to a file descriptor from a thread of its own."""

    def __init__(self, descriptor: int, *, most_waiting: int = MOST_WAITING) -> None:
        """Start the thread.

        Args:
            descriptor: An open file; it is duplicated, and may block for as long as it likes.
            most_waiting: Lines that wait at most; more are dropped and counted.
        """
        super().__init__()
        # each has one writer, so that no count is lost between the two threads
        self._did_not_fit = self._reported = 0
        self._lines: queue.Queue[bytes] = queue.Queue(most_waiting)
        try:
            self._descriptor = os.dup(descriptor)
        except OSError:  # standard error was closed at the start
            self._descriptor = os.open(os.devnull, os.O_WRONLY | os.O_CLOEXEC)
        self._idle = threading.Event()
        self._idle.set()
        threading.Thread(target=self._work, name="log", daemon=True).start()

    @property
    def dropped(self) -> int:
        """Lines that did not fit and that no line has reported yet."""
        return self._did_not_fit - self._reported

    def emit(self, record: logging.LogRecord) -> None:
        """Queue a line, or count it where it does not fit; never waits, never raises."""
        try:
            line = f"{self.format(record)}\n".encode("utf-8", "backslashreplace")
        except Exception:  # noqa: BLE001 - a line that cannot be made must not reach the loop
            line = b'{"event": "log_line_not_printable"}\n'
        self._idle.clear()
        try:
            self._lines.put_nowait(line)
        except queue.Full:
            self._did_not_fit += 1

    def flush(self) -> None:
        """Wait until the lines are out, for `FLUSH_WITHIN_S` at most."""
        self._idle.wait(FLUSH_WITHIN_S)

    def _work(self) -> None:
        while True:
            self._write(self._lines.get())
            if self._lines.empty():
                dropped = self.dropped
                if dropped:
                    self._reported += dropped
                    self._write(_dropped_line(dropped))
                self._idle.set()

    def _write(self, line: bytes) -> None:
        try:
            while line:
                line = line[os.write(self._descriptor, line) :]
        except OSError:
            pass  # the reader has gone, or its medium is full; the next line is tried anew


def _dropped_line(count: int) -> bytes:
    document = {
        "count": count, "event": "log_lines_dropped", "level": "warning",
        "at": datetime.now(UTC).isoformat().replace("+00:00", "Z"),
    }  # fmt: skip
    return json_text(document).encode("ascii") + b"\n"


def set_up_logs() -> QueuedLines:
    """Configure structlog for this process, and return what writes its lines."""
    handler = QueuedLines(2)
    root = logging.getLogger()
    root.handlers = [handler]
    root.setLevel(logging.INFO)
    for_people = sys.stderr is not None and sys.stderr.isatty()
    shape: Any = (
        structlog.processors.KeyValueRenderer(key_order=["at", "level", "event"])
        if for_people
        else structlog.processors.JSONRenderer(
            default=_readable, ensure_ascii=False, allow_nan=False
        )
    )
    handler.setFormatter(_OneShape(shape))
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True, key="at"),
            structlog.processors.format_exc_info,
            _everything_printable,
            shape,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        logger_factory=logging.getLogger,
        cache_logger_on_first_use=True,
    )
    return handler


class _OneShape(logging.Formatter):
    """Gives lines of libraries, which are plain text and perhaps a traceback, the shape of ours."""

    def __init__(self, shape: Any) -> None:
        super().__init__("%(message)s")
        self._shape = shape

    def format(self, record: logging.LogRecord) -> str:
        """Return one line."""
        if record.name.partition(".")[0] in {"coldpin", "controller"}:
            return super().format(record)  # structlog shaped it already
        event: dict[str, Any] = {"event": record.getMessage(), "logger": record.name}
        if record.exc_info:
            event["exception"] = self.formatException(record.exc_info)
        event["level"] = record.levelname.lower()
        at = datetime.fromtimestamp(record.created, UTC)
        event["at"] = at.isoformat().replace("+00:00", "Z")
        line: str = self._shape(None, "", event)
        return line


def _readable(value: object) -> str:
    try:
        return repr(value)
    except Exception:  # noqa: BLE001 - a value's own repr may be broken; the line must still go out
        return f"<{type(value).__name__}>"


def _everything_printable(
    _logger: object, _method: str, event: MutableMapping[str, Any]
) -> MutableMapping[str, Any]:
    """Replace what a renderer could choke on: bytes, no numbers, an object without a usable repr.

    NaN and infinity are no JSON, and one such line would stop whoever reads it line by line.
    """
    for key, value in event.items():
        odd = isinstance(value, float) and not math.isfinite(value)
        if odd or not isinstance(value, str | int | float | bool | None):
            event[key] = _readable(value)
    return event
