"""Sends notices, and goes on trying: what waits survives a restart and an hour without network.

The addresses of the services are secrets. They are kept in a file of their own that others cannot
read, and never come near a log.
"""

from __future__ import annotations

import json
import logging
import stat
import threading
from collections.abc import Callable, Sequence
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import structlog

from controller.errors import SettingsError
from controller.lookout.notices import Notice, Rules, Said, notices_due
from controller.lookout.snapshot import Snapshot
from controller.records.durable import replace_file

NOTICES = "notices.json"
FIRST_PAUSE_S, LONGEST_PAUSE_S = 15.0, 1800.0
GIVEN_UP_AFTER = timedelta(hours=24)
MOST_WAITING = 200

_log = structlog.get_logger("coldpin.notices")

Deliver = Callable[[Notice], bool]
"""Hands a notice to every service; True where all took it."""


def read_addresses(path: Path) -> list[str]:
    """Return the addresses of the services, one a line, ``#`` before a remark.

    Raises:
        SettingsError: The file is not there, or others can read it.
    """
    try:
        mode = stat.S_IMODE(path.stat().st_mode)
        if mode & stat.S_IRWXO:
            problem = f"found mode {mode:04o}, allowed: nothing for others; chmod o= {path}"
            raise SettingsError(str(path), (problem,))
        lines = path.read_text(encoding="utf-8").splitlines()
    except OSError as error:
        raise SettingsError(str(path), (f"cannot be read: {error.strerror}",)) from None
    return [line.strip() for line in lines if line.strip() and not line.lstrip().startswith("#")]


def service_for(addresses: Sequence[str]) -> Deliver:
    """Return what hands a notice to the services.

    Raises:
        SettingsError: An address is of no service that is known; it is named by its number.
    """
    import apprise  # noqa: PLC0415 - it takes a while, and not everybody wants notices

    # it logs addresses, and an address is a secret
    logging.getLogger("apprise").setLevel(logging.CRITICAL + 1)
    services = apprise.Apprise()
    wrong = [number for number, each in enumerate(addresses, 1) if not services.add(each)]
    if wrong:
        told = ", ".join(str(number) for number in wrong)
        raise SettingsError(
            "the file of addresses", (f"address {told}: of no service that is known",)
        )

    def deliver(notice: Notice) -> bool:
        kind = apprise.NotifyType.WARNING if notice.urgent else apprise.NotifyType.INFO
        return bool(services.notify(title=notice.title, body=notice.body, notify_type=kind))

    return deliver


class Sender:
    """Decides with every snapshot what is to be said, and says it in a thread of its own."""

    def __init__(self, place: Path, rules: Rules, deliver: Deliver, *, zone: Any = None) -> None:
        """Take up what was said and what waits; nothing runs until `begin`.

        Args:
            place: The instance's state directory.
            rules: What the grower wants.
            deliver: Hands a notice over.
            zone: The chamber's zone.
        """
        self._path = place / NOTICES
        self._rules = rules
        self._deliver = deliver
        self._zone = zone
        self._said, self._waiting = _kept(self._path)
        self._lock = threading.Lock()
        self._wake = threading.Event()
        self._stop = threading.Event()
        self._failed = False
        self._thread = threading.Thread(target=self._work, name="notices", daemon=True)

    def __call__(self, snapshot: Snapshot) -> None:
        """Look at a snapshot; never waits for a service."""
        now = snapshot.taken_utc.astimezone(self._zone)
        with self._lock:
            said, notices = notices_due(self._said, snapshot, self._rules, now)
            changed = said != self._said or notices
            self._said = said
            for notice in notices:
                _log.info("notice", body=notice.body, urgent=notice.urgent)
                self._waiting.append((snapshot.taken_utc.timestamp(), notice))
            del self._waiting[:-MOST_WAITING]
            if changed:
                self._keep()
        if notices:
            self._wake.set()

    def begin(self) -> None:
        """Begin to send."""
        self._thread.start()
        self._wake.set()

    def close(self) -> None:
        """Stop sending; what waits is kept."""
        self._stop.set()
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join(2.0)

    def send_waiting(self, now: datetime) -> bool:
        """Try to send what waits, oldest first; True where nothing waits any more."""
        while True:
            with self._lock:
                if not self._waiting:
                    return True
                at_s, notice = self._waiting[0]
            old = now.timestamp() - at_s > GIVEN_UP_AFTER.total_seconds()
            if not old and not self._delivered(notice):
                return False
            if old:
                _log.warning("notice_given_up", body=notice.body)
            with self._lock:
                if self._waiting and self._waiting[0] == (at_s, notice):
                    self._waiting.pop(0)
                    self._keep()

    def _delivered(self, notice: Notice) -> bool:
        try:
            sent = self._deliver(notice)
        except Exception as error:  # noqa: BLE001 - a service's library may raise anything
            sent = False
            _log.debug("service_failed", error=type(error).__name__)
        if not sent and not self._failed:
            _log.warning("notice_not_sent", note="a service did not take it; tried again later")
        self._failed = not sent
        return sent

    def _work(self) -> None:
        pause_s = FIRST_PAUSE_S
        while not self._stop.is_set():
            self._wake.wait(pause_s if self._failed else None)
            self._wake.clear()
            if self._stop.is_set():
                return
            if self.send_waiting(datetime.now(UTC)):
                pause_s = FIRST_PAUSE_S
            else:
                pause_s = min(LONGEST_PAUSE_S, 2.0 * pause_s)

    def _keep(self) -> None:
        document = {
            "said": self._said.document(),
            "waiting": [[at_s, asdict(notice)] for at_s, notice in self._waiting],
        }
        try:
            replace_file(self._path, json.dumps(document, ensure_ascii=False))
        except OSError as error:
            _log.warning("notices_not_kept", error=str(error))


def _kept(path: Path) -> tuple[Said, list[tuple[float, Notice]]]:
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        waiting = [(float(at_s), Notice(**notice)) for at_s, notice in document["waiting"]]
        return Said.from_document(document["said"]), waiting
    except (OSError, ValueError, KeyError, TypeError):
        return Said(), []
