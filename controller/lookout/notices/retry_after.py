"""How long a server asks to be left alone: its Retry-After header, which Apprise does not pass on.

Apprise answers with yes or no. It sends by the library requests, whose session therefore notes the
header of a refusal (HTTP 429 or 503; RFC 9110, section 10.2.3, and RFC 6585, section 4). Apprise
may send in a thread of its own, so what is noted belongs to the one delivery that is under way. A
service that is reached in another way has its growing pauses alone.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any

LONGEST_S = 6 * 3600.0
"""No server is left alone for longer, whatever it asks for [s]: crop alarms wait behind it."""
_REFUSALS = {429, 503}
_one_at_a_time = threading.Lock()


@dataclass(slots=True, eq=False)
class Noted:
    """What a server asked for during a delivery."""

    wait_s: float | None = None
    """How long to leave it alone [s]; None: it asked for nothing."""


_under_way = [Noted()]
"""What is noted of the delivery that is under way."""


def note_refusals() -> None:
    """Have the sessions of requests note what a server asks for; once is enough."""
    import requests  # noqa: PLC0415 - only where notices are sent

    send = requests.Session.send
    if getattr(send, "notes_refusals", False):
        return

    def noting(self: Any, request: Any, **options: Any) -> Any:
        response = send(self, request, **options)
        if response.status_code in _REFUSALS:
            _under_way[0].wait_s = wait_of(response.headers.get("Retry-After"), datetime.now(UTC))
        return response

    noting.notes_refusals = True  # type: ignore[attr-defined]
    requests.Session.send = noting  # type: ignore[method-assign]


@contextmanager
def noting() -> Iterator[Noted]:
    """Note what a server asks for while this lasts; one delivery at a time."""
    with _one_at_a_time:
        _under_way[0] = Noted()
        yield _under_way[0]


def wait_of(header: str | None, now: datetime) -> float | None:
    """Return how long a Retry-After header asks to wait [s], None where it says nothing usable.

    Args:
        header: Seconds, or an HTTP date.
        now: Now, aware.
    """
    text = (header or "").strip()
    if text.isascii() and text.isdigit():
        wait_s = float(text) if len(text) < 12 else LONGEST_S
    else:
        try:
            at = parsedate_to_datetime(text)
        except ValueError:
            return None
        wait_s = ((at if at.tzinfo else at.replace(tzinfo=UTC)) - now).total_seconds()
    return min(wait_s, LONGEST_S) if wait_s > 0 else None
