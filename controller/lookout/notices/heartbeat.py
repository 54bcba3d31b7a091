"""A heartbeat that somebody else can miss: one request every few minutes while coldpin controls.

A machine without power can notify nobody. A service elsewhere that expects the request, and warns
where it does not come, closes that gap. Beside the notices it is the one thing that leaves the
house: an address is asked for, and nothing is told but that.
"""

from __future__ import annotations

import time
import urllib.error
import urllib.request
from collections.abc import Callable
from http.client import HTTPException
from pathlib import Path
from urllib.parse import urlsplit

from controller.errors import SettingsError
from controller.log import Logger
from controller.lookout.private_file import read_private
from controller.lookout.problem_log import ProblemLog
from controller.lookout.worker import Worker
from controller.records.snapshot import Snapshot

TIMEOUT_S = 20.0
ALIVE_FOR_S = 60.0
"""A snapshot says for so long that the control process is alive [s]: a watch that hangs must not
look like a chamber that is well."""
AGAIN_S = 5.0
"""How often it is looked whether the control process is alive again [s]."""
_LOGGER = "coldpin.heartbeat"
_log = Logger(_LOGGER)

Get = Callable[[str], None]
"""Asks for an address.

Raises:
    OSError: It cannot be had.
    HTTPException: What answers does not speak HTTP.
"""


def read_heartbeat(path: Path) -> str:
    """Return the address that a file names: one line, ``#`` before a remark.

    Raises:
        SettingsError: The file is not there, others can read it, or it holds something else.
    """
    lines = [line.strip() for line in read_private(path).splitlines()]
    addresses = [line for line in lines if line and not line.startswith("#")]
    if len(addresses) != 1:
        problem = f"found {len(addresses)} addresses, allowed: one, for the heartbeat"
        raise SettingsError(str(path), (problem,))
    parts = urlsplit(addresses[0])
    if parts.scheme not in {"http", "https"} or not parts.hostname:
        raise SettingsError(str(path), ("found no address that begins with https:// or http://",))
    return addresses[0]


class _NoRedirects(urllib.request.HTTPRedirectHandler):
    """Follows nowhere: the address that was named is the one that is asked for."""

    def redirect_request(self, *_: object) -> None:
        return None


def get(address: str) -> None:
    """Ask for an address over HTTP; what it answers is of no interest.

    Raises:
        OSError: It cannot be had.
        HTTPException: What answers does not speak HTTP.
    """
    opener = urllib.request.build_opener(_NoRedirects())
    with opener.open(address, timeout=TIMEOUT_S):
        pass


class Heartbeat(Worker):
    """Asks for the address every so often, as long as the control process is alive."""

    def __init__(
        self,
        address: str,
        *,
        every_s: float,
        get: Get = get,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Prepare; nothing runs until `begin`.

        Args:
            address: Whom to ask.
            every_s: How often [s].
            get: Asks for it.
            clock: Gives seconds that nobody sets.
        """
        super().__init__("heartbeat")
        self._address = address
        self._every_s = every_s
        self._get = get
        self._clock = clock
        self._alive_until_s = float("-inf")
        self._problems = ProblemLog(_LOGGER)

    def __call__(self, snapshot: Snapshot) -> None:
        """Take note of whether the control process is alive."""
        self._alive_until_s = self._clock() + ALIVE_FOR_S if not snapshot.silent else float("-inf")

    def beat(self) -> bool:
        """Ask once where the control process is alive; return whether it is, and was asked for.

        The address may hold a secret: no log names it.
        """
        if self._clock() > self._alive_until_s:
            return False
        try:
            self._get(self._address)
        except (OSError, ValueError, HTTPException) as error:
            cause = type(error).__name__
            if isinstance(error, urllib.error.HTTPError):
                cause = f"{cause} {error.code}"
                error.close()  # the refusal carries the open connection with it
            self._problems.report("heartbeat_failed", "heartbeat_failed", error=cause)
        else:
            if self._problems.end():
                _log.info("heartbeat_again")
        return True

    def _work(self) -> None:
        while not self._stop.is_set():
            self._stop.wait(self._every_s if self.beat() else AGAIN_S)
