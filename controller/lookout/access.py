"""Who may act: a secret that is stored hashed, sessions, and patience with wrong tries.

Looking may be open to the house; acting always needs the secret.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

SECRET_FILE = "lookout-secret.json"  # noqa: S105 - a file name
SESSION_S = 30 * 86_400.0
MOST_SESSIONS = 200
FREE_TRIES = 3
FIRST_WAIT_S, LONGEST_WAIT_S = 2.0, 900.0
_SCRYPT = {"n": 2**14, "r": 8, "p": 1}
_LONGEST_SECRET = 200


def new_secret(place: Path) -> str:
    """Make a secret, store its hash with mode 0600, and return it to be shown once.

    Raises:
        OSError: It cannot be written.
    """
    secret = "-".join(secrets.token_hex(2) for _ in range(5))
    salt = secrets.token_bytes(16)
    document = json.dumps({"salt": salt.hex(), "hash": _hashed(secret, salt).hex()})
    path = place / SECRET_FILE
    fresh = path.with_name(f"{path.name}.new")
    fresh.unlink(missing_ok=True)
    handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w", encoding="ascii") as file:
        file.write(document)
    fresh.replace(path)
    return secret


def _hashed(secret: str, salt: bytes) -> bytes:
    return hashlib.scrypt(secret.encode(), salt=salt, dklen=32, **_SCRYPT)


@dataclass(slots=True)
class _Session:
    until_s: float
    token: str
    """What a form must carry, so that no other page can send it."""


class Access:
    """The sessions of one lookout; gone when it ends."""

    def __init__(self, place: Path, *, clock: Callable[[], float]) -> None:
        """Begin without a session.

        Args:
            place: The instance's state directory, where the secret is.
            clock: Monotonic seconds.
        """
        self._path = place / SECRET_FILE
        self._clock = clock
        self._sessions: dict[str, _Session] = {}
        self._wrong = 0
        self._closed_until_s = 0.0

    @property
    def has_secret(self) -> bool:
        """Whether there is a secret at all."""
        return self._path.is_file()

    def wait_s(self) -> float:
        """Return how long no try is taken [s]; 0 where one may be made."""
        return max(0.0, self._closed_until_s - self._clock())

    def enter(self, secret: str) -> str | None:
        """Return the name of a new session for the right secret, None for a wrong one.

        After a few wrong tries each further one makes the next wait longer, whoever tries: on a
        house network addresses are cheap.
        """
        if self.wait_s() > 0.0 or not self._right(secret):
            self._wrong += 1
            over = self._wrong - FREE_TRIES
            if over >= 0:
                wait_s = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(over, 20))
                self._closed_until_s = max(self._closed_until_s, self._clock() + wait_s)
            return None
        self._wrong = 0
        now_s = self._clock()
        self._sessions = {k: v for k, v in self._sessions.items() if v.until_s > now_s}
        while len(self._sessions) >= MOST_SESSIONS:
            del self._sessions[next(iter(self._sessions))]
        name = secrets.token_urlsafe(32)
        self._sessions[name] = _Session(now_s + SESSION_S, secrets.token_urlsafe(32))
        return name

    def leave(self, name: str) -> None:
        """End a session."""
        self._sessions.pop(name, None)

    def token(self, name: str | None) -> str | None:
        """Return what the forms of a session must carry, None where there is no such session."""
        session = self._sessions.get(name or "")
        if session is None or session.until_s <= self._clock():
            return None
        return session.token

    def may_act(self, name: str | None, token: str) -> bool:
        """Return whether a form came from a page of this session."""
        expected = self.token(name)
        return expected is not None and hmac.compare_digest(expected.encode(), token.encode())

    def _right(self, secret: str) -> bool:
        if len(secret) > _LONGEST_SECRET:
            return False
        try:
            kept = json.loads(self._path.read_text(encoding="ascii"))
            salt, expected = bytes.fromhex(kept["salt"]), bytes.fromhex(kept["hash"])
        except (OSError, ValueError, KeyError, TypeError):
            return False
        return hmac.compare_digest(_hashed(secret.strip(), salt), expected)
