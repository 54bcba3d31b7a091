"""What a message may ask for: the same as a form of the page, through the same checks."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from controller.domain.codec import UnreadableError
from controller.domain.json_text import json_text, read_json
from controller.log import Logger
from controller.lookout.broker.documents import ASK_CODEC, AskDocument
from controller.lookout.page.button_actions import ActionContext, action_of
from controller.records.durable import replace_file
from controller.records.requests_file import ask, swaps
from controller.settings.load import Settings

LARGEST_BYTES = 16_384
MOST_KNOWN = 500
OLDEST, EARLIEST = timedelta(minutes=5), timedelta(minutes=1)
"""A message may have been under way so long, and its sender's clock may be ahead so much."""
MOST_IN_A_MINUTE = 30
"""Requests accepted in a minute: more is no person, and each is forced to the card."""

_log = Logger("coldpin.mqtt")


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageOutcome:
    """What became of a message."""

    id: str
    accepted: bool
    why: str


class IncomingRequests:
    """Accepts messages that ask for something, each once, also over a restart."""

    def __init__(self, requests: Path, settings: Settings, *, kept: Path) -> None:
        """Remember what was accepted before.

        Args:
            requests: The requests file.
            settings: The configuration.
            kept: Where the ids of accepted messages are kept.
        """
        self._requests = requests
        self._settings = settings
        self._kept = kept
        self._known: deque[str] = deque(_read_ids(kept), maxlen=MOST_KNOWN)
        self._accepted_at: deque[datetime] = deque(maxlen=MOST_IN_A_MINUTE)

    def take(self, payload: bytes, *, kept: bool, now: datetime) -> MessageOutcome | None:
        """Put what a message asks for into the requests; None for one that came before.

        Args:
            payload: The message.
            kept: Whether the broker had kept it from earlier; such a one is refused.
            now: Now, in the chamber's zone.

        Raises:
            OSError: The requests file or the file of ids cannot be used; nothing was asked.
        """
        try:
            message = _message(payload)
        except ValueError as error:
            return MessageOutcome(id="", accepted=False, why=str(error))
        if message.id in self._known:
            return None
        try:
            self._judge(message, kept=kept, now=now)
            context = ActionContext(
                settings=self._settings,
                now=now,
                logged=tuple(swaps(self._requests)),
                who=message.who,
            )
            action = action_of(message.what, message.fields, context)
        except ValueError as error:
            return MessageOutcome(id=message.id, accepted=False, why=str(error))
        # the id first: a power cut between the two loses a request, and never does one twice
        replace_file(self._kept, json_text([*self._known, message.id][-MOST_KNOWN:]))
        self._known.append(message.id)
        self._accepted_at.append(now)
        ask(
            self._requests,
            action.payload,
            who=f"{message.who}, by message",
            instead_of=action.instead_of,
        )
        return MessageOutcome(id=message.id, accepted=True, why=action.question)

    def _judge(self, message: AskDocument, *, kept: bool, now: datetime) -> None:
        """Refuse what is too old, from the future, or one of too many.

        Raises:
            ValueError: Says what was found and what is allowed.
        """
        if kept:
            raise ValueError("found a retained message, allowed: none")
        if not -EARLIEST <= now - message.sent <= OLDEST:
            raise ValueError(
                f"found a message sent at {message.sent.isoformat()}, and it is {now:%H:%M:%S} "
                f"here; allowed: up to {OLDEST.seconds // 60} minutes old"
            )
        lately = [at for at in self._accepted_at if timedelta() <= now - at < timedelta(minutes=1)]
        if len(lately) >= MOST_IN_A_MINUTE:
            raise ValueError(f"found too many messages, allowed: {MOST_IN_A_MINUTE} a minute")


def _message(payload: bytes) -> AskDocument:
    """Return the document of a message.

    Raises:
        ValueError: It is none of ours; says what was found and what is allowed.
    """
    if len(payload) > LARGEST_BYTES:
        raise ValueError(f"found {len(payload)} bytes, allowed: up to {LARGEST_BYTES}")
    try:
        return ASK_CODEC.read(payload)
    except UnreadableError as error:
        shown = ascii(str(error))[1:-1]  # it goes into a log and back to whoever sent it
        raise ValueError(f"{shown}; allowed: an object as in the schema of ask") from None


def _read_ids(path: Path) -> list[str]:
    """Return the ids of messages that were accepted; none where nothing can be read.

    Then a message may be done twice, within the five minutes for which it is accepted at all.
    """
    try:
        ids: Any = read_json(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return []
    except (OSError, ValueError) as error:
        _log.warning("ids_not_read", file=str(path), error=str(error))
        return []
    if not isinstance(ids, list):
        return []
    return [each for each in ids if isinstance(each, str)]
