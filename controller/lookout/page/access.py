"""Who may act: a secret that is stored hashed, sessions, and patience with wrong tries.

Looking may be open to the house; acting always needs the secret.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from controller.domain.json_text import json_text, read_json
from controller.domain.places import SECRET_FILE
from controller.errors import ControllerError
from controller.lookout.page.throttle import FIRST_WAIT_S, Throttle

SESSION_S = 30 * 86_400.0
MOST_SESSIONS = 200
MOST_WAITING = 4
"""Tries that wait while another is judged; more would hold up the threads that answer the page."""
_SCRYPT = {"n": 2**14, "r": 8, "p": 1}
_LONGEST_SECRET = 200
LONGEST_NAME = 40


class TooSoonError(ControllerError, PermissionError):
    """A try was not even looked at, because too many before it were wrong."""

    def __init__(self, wait_s: float) -> None:
        self.wait_s = wait_s
        super().__init__(wait_s)  # the wait itself, so that it can be pickled

    def __str__(self) -> str:
        return f"too many wrong tries: wait {self.wait_s:.0f} s"


def new_secret(place: Path) -> str:
    """Make a secret, store its hash with mode 0600, and return it to be shown once.

    Raises:
        OSError: It cannot be written.
    """
    secret = "-".join(secrets.token_hex(2) for _ in range(5))
    salt = secrets.token_bytes(16)
    document = json_text({"salt": salt.hex(), "hash": _hashed(secret, salt).hex()})
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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Session:
    until_s: float
    token: str
    """What a form must carry, so that no other page can send it."""
    who: str
    """What the person is called, empty where that was not told."""
    entered_by: bytes
    """Hash of the secret that was in force: a new secret ends every session of an old one."""


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
        self._throttle = Throttle(clock)
        self._one_at_a_time = threading.Lock()
        self._waiting = threading.BoundedSemaphore(MOST_WAITING)

    @property
    def has_secret(self) -> bool:
        """Whether there is a secret at all."""
        return self._path.is_file()

    def wait_s(self, peer: str = "") -> float:
        """Return how long no try of an address is accepted [s]; 0 where one may be made."""
        return self._throttle.wait_s(peer)

    def enter(self, secret: str, who: str = "", *, peer: str = "") -> str | None:
        """Return the name of a new session for the right secret, None for a wrong one.

        After a few wrong tries each further one makes the next wait of that address longer, and
        many of many addresses make strangers wait (`Throttle`). Tries are judged one after
        another: all at once they would all be free, and each takes 16 MB while it is hashed.

        Args:
            secret: What somebody typed.
            who: What they want to be called in the requests they make.
            peer: The address that they came from.

        Raises:
            TooSoonError: The wait is not over, or too many tries came at once; the secret was not
                looked at.
        """
        if not self._waiting.acquire(blocking=False):
            raise TooSoonError(FIRST_WAIT_S)
        try:
            return self._enter_in_turn(secret, who, peer)
        finally:
            self._waiting.release()

    def _enter_in_turn(self, secret: str, who: str, peer: str) -> str | None:
        with self._one_at_a_time:
            wait_s = self._throttle.wait_s(peer)
            if wait_s > 0.0:
                raise TooSoonError(wait_s)
            entered_by = self._judged(secret)
            if entered_by is None:
                self._throttle.failed(peer)
                return None
            self._throttle.succeeded(peer)
            now_s = self._clock()
            kept = {k: v for k, v in self._sessions.items() if v.until_s > now_s}
            while len(kept) >= MOST_SESSIONS:
                del kept[next(iter(kept))]
            name = secrets.token_urlsafe(32)
            kept[name] = _Session(
                until_s=now_s + SESSION_S,
                token=secrets.token_urlsafe(32),
                who=_name(who),
                entered_by=entered_by,
            )
            self._sessions = kept
            return name

    def leave(self, name: str) -> None:
        """End a session."""
        self._sessions.pop(name, None)

    def token(self, name: str | None) -> str | None:
        """Return what the forms of a session must carry, None where there is no such session."""
        session = self._session(name)
        return None if session is None else session.token

    def who(self, name: str | None) -> str:
        """Return what the person of a session is called, empty where that is not known."""
        session = self._session(name)
        return "" if session is None else session.who

    def may_act(self, name: str | None, token: str) -> bool:
        """Return whether a form came from a page of this session."""
        expected = self.token(name)
        return expected is not None and hmac.compare_digest(expected.encode(), token.encode())

    def _session(self, name: str | None) -> _Session | None:
        session = self._sessions.get(name or "")
        if session is None or session.until_s <= self._clock():
            return None
        kept = self._kept()
        return None if kept is None or kept[1] != session.entered_by else session

    def _kept(self) -> tuple[bytes, bytes] | None:
        """Return salt and hash of the secret in force."""
        try:
            kept = read_json(self._path.read_text(encoding="ascii"))
            return bytes.fromhex(kept["salt"]), bytes.fromhex(kept["hash"])
        except (OSError, ValueError, KeyError, TypeError):
            return None

    def _judged(self, secret: str) -> bytes | None:
        """Return the hash of the right secret, None for a wrong one."""
        kept = self._kept()
        if kept is None or len(secret) > _LONGEST_SECRET:
            return None
        salt, expected = kept
        return expected if hmac.compare_digest(_hashed(secret.strip(), salt), expected) else None


def _name(text: str) -> str:
    """Return a person's name as it can stand in a line of a log or of a page."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())[:LONGEST_NAME]
