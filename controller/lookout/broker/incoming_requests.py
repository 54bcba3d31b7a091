"""What a message may ask for: the same as a form of the page, through the same checks."""

from __future__ import annotations

import json
from collections import deque
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from controller.lookout.page.actions import doing_of
from controller.records.requests import ask_now
from controller.settings.load import Settings

LARGEST_BYTES = 16_384
MOST_KNOWN = 500
KEYS = {"id", "what", "fields", "who"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What became of a message."""

    id: str
    accepted: bool
    why: str


class MessageDesk:
    """Takes messages that ask for something, each once."""

    def __init__(self, requests: Path, settings: Settings) -> None:
        """Know nothing yet.

        Args:
            requests: The requests file.
            settings: The configuration.
        """
        self._requests = requests
        self._settings = settings
        self._known: deque[str] = deque(maxlen=MOST_KNOWN)

    def take(self, payload: bytes, *, kept: bool, now: datetime) -> Asked | None:
        """Put what a message asks for into the requests; None for one that came before.

        Args:
            payload: The message.
            kept: Whether the broker had kept it from earlier; such a one is refused, because
                nobody knows how old it is.
            now: Now, in the chamber's zone.

        Raises:
            OSError: The requests file cannot be written.
        """
        try:
            number, what, fields, who = _parts(payload)
        except ValueError as error:
            return Asked(id="", accepted=False, why=str(error))
        if kept:
            return Asked(id=number, accepted=False, why="found a retained message, allowed: none")
        if number in self._known:
            return None
        self._known.append(number)
        try:
            doing = doing_of(what, fields, settings=self._settings, now=now)
        except ValueError as error:
            return Asked(id=number, accepted=False, why=str(error))
        ask_now(self._requests, doing.kind, doing.payload, who=f"{who}, by message")
        return Asked(id=number, accepted=True, why=doing.words)


def _parts(payload: bytes) -> tuple[str, str, dict[str, str], str]:
    """Return id, what, fields and who of a message.

    Raises:
        ValueError: It is none of ours; says what was found and what is allowed.
    """
    if len(payload) > LARGEST_BYTES:
        raise ValueError(f"found {len(payload)} bytes, allowed: up to {LARGEST_BYTES}")
    try:
        found: Any = json.loads(payload.decode("utf-8"))
    except (ValueError, RecursionError):
        raise ValueError("found no JSON, allowed: one object; see the schema of ask") from None
    if not isinstance(found, dict):
        raise ValueError("found no object, allowed: one; see the schema of ask")  # noqa: TRY004
    if unknown := sorted(set(found) - KEYS):
        raise ValueError(f"found {', '.join(unknown)[:80]}, allowed: {', '.join(sorted(KEYS))}")
    number, what = found.get("id"), found.get("what")
    fields, who = found.get("fields", {}), found.get("who", "somebody")
    texts = all(isinstance(text, str) and 0 < len(text) <= 80 for text in (number, what, who))
    if not texts or not isinstance(fields, dict):
        raise ValueError("id, what and who: allowed: text of 1 to 80; fields: an object of text")
    if not all(isinstance(value, str) and len(value) <= 200 for value in fields.values()):
        raise ValueError("fields: allowed: text of up to 200, numbers as text")
    return str(number), str(what), fields, str(who)
