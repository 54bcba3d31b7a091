"""Where log lines go: standard error, key=value for people, JSON where nobody watches.

The lines leave through the standard library's handler, which complains and goes on when the reader
has gone; a print would raise into the control loop.
"""

from __future__ import annotations

import logging
import math
import sys
from collections.abc import MutableMapping
from typing import Any

import structlog


def set_up_logs() -> None:
    """Configure structlog for this process."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(logging.Formatter("%(message)s"))
    root = logging.getLogger()
    root.handlers = [handler]
    root.setLevel(logging.INFO)
    for_people = sys.stderr.isatty()
    shape: Any = (
        structlog.processors.KeyValueRenderer(key_order=["at", "level", "event"])
        if for_people
        else structlog.processors.JSONRenderer(default=_readable, ensure_ascii=False)
    )
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
