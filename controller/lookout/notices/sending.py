"""Sends notices, and goes on trying: what waits survives a restart and an hour without network.

Each service has its own place in the queue, so that one with a wrong password neither holds up the
others nor makes them hear everything again. The addresses of the services are secrets. They are
kept in a file of their own that others cannot read, and never come near a log.
"""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Any

import structlog

from controller.domain.backoff import backoff_s
from controller.domain.json_text import json_text
from controller.errors import SettingsError
from controller.lookout.notices.rules import Notice, Rules, Said, notices_due
from controller.lookout.private_file import read_private
from controller.pictures.words import moment
from controller.records.boot import boottime
from controller.records.durable import replace_file
from controller.records.snapshot import Snapshot

NOTICES = "notices.json"
FIRST_PAUSE_S, LONGEST_PAUSE_S = 15.0, 1800.0
GIVEN_UP_AFTER = timedelta(hours=24)
DATED_AFTER = timedelta(minutes=10)
"""A notice that arrives later than this says when it is from."""
MOST_WAITING = 200
_SPEAK_OF_ADDRESSES = ("apprise", "urllib3", "requests")
"""Loggers of libraries that may write an address, or the path in it, at one level or another."""

_log = structlog.get_logger("coldpin.notices")

Deliver = Callable[[Notice], bool]
"""Hands a notice to a service; True where it took it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Service:
    """One service, without its secrets."""

    number: int
    """Which address of the file it is, from 1."""
    kind: str
    """What stands before ``://``."""
    deliver: Deliver


@dataclass(slots=True, eq=False, kw_only=True)
class _Waiting:
    """A notice on its way."""

    notice: Notice
    at_s: float
    """When it was thought of, by the wall clock [s since 1970]."""
    boot_id: str | None
    boottime_s: float
    """The same by the clock that nobody sets, in the boot named [s]."""
    left: set[int]
    """Numbers of the services that have not taken it."""


def read_addresses(path: Path) -> list[str]:
    """Return the addresses of the services, one a line, ``#`` before a remark.

    Raises:
        SettingsError: The file is not there, is empty or no text, or others can read it.
    """
    lines = [line.strip() for line in read_private(path).splitlines()]
    addresses = [line for line in lines if line and not line.startswith("#")]
    if not addresses:
        raise SettingsError(str(path), ("found no address, allowed: one a line",))
    return addresses


def services_for(addresses: Sequence[str]) -> list[Service]:
    """Return the services behind addresses.

    Raises:
        SettingsError: An address is of no service that is known; it is named by its number.
    """
    import apprise  # noqa: PLC0415 - it takes a while, and not everybody wants notices

    for name in _SPEAK_OF_ADDRESSES:
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    services, wrong = [], []
    for number, address in enumerate(addresses, 1):
        service = apprise.Apprise()
        if not service.add(address):
            wrong.append(number)
        kind = address.partition("://")[0] if "://" in address else "unknown"
        services.append(Service(number=number, kind=kind, deliver=_deliverer(service)))
    if wrong:
        told = ", ".join(str(number) for number in wrong)
        raise SettingsError(
            "the file of addresses", (f"address {told}: of no service that is known",)
        )
    return services


def _deliverer(service: Any) -> Deliver:
    from apprise import NotifyType  # noqa: PLC0415

    def deliver(notice: Notice) -> bool:
        kind = NotifyType.WARNING if notice.urgent else NotifyType.INFO
        return bool(service.notify(title=notice.title, body=notice.body, notify_type=kind))

    return deliver


def taken_by(service: Service, notice: Notice) -> bool:
    """Hand a notice to a service; return whether it took it, whatever its library raises."""
    try:
        return service.deliver(notice)
    except Exception as error:  # noqa: BLE001 - a service's library may raise anything
        # its message may hold the address
        _log.debug("service_failed", service=service.number, error=type(error).__name__)
        return False


class Sender:
    """Decides with every snapshot what is to be said, and says it in a thread of its own."""

    def __init__(
        self,
        place: Path,
        rules: Rules,
        services: Sequence[Service],
        *,
        zone: tzinfo | None = None,
        boot: str | None = None,
        since_boot: Callable[[], float] = boottime,
    ) -> None:
        """Take up what was said and what waits; nothing runs until `begin`.

        Args:
            place: The instance's state directory.
            rules: What the grower wants.
            services: Who is handed the notices.
            zone: The chamber's zone.
            boot: This boot; None where the kernel does not say.
            since_boot: Gives the boot-time clock [s].
        """
        self._path = place / NOTICES
        self._rules = rules
        self._services = tuple(services)
        self._zone = zone
        self._boot = boot
        self._since_boot = since_boot
        self._said, self._waiting = _kept(self._path, self._numbers)
        self._lock = threading.Lock()
        self._wake = threading.Event()
        self._stop = threading.Event()
        self._failing: set[int] = set()
        self._thread = threading.Thread(target=self._work, name="notices", daemon=True)

    @property
    def _numbers(self) -> set[int]:
        return {service.number for service in self._services}

    def __call__(self, snapshot: Snapshot) -> None:
        """Look at a snapshot; never waits for a service."""
        now = snapshot.taken_utc.astimezone(self._zone)
        with self._lock:
            said, notices = notices_due(self._said, snapshot, self._rules, now)
            changed = said != self._said or notices
            self._said = said
            for notice in notices:
                _log.info("notice", body=notice.body, urgent=notice.urgent)
                self._waiting.append(
                    _Waiting(
                        notice=notice,
                        at_s=snapshot.taken_utc.timestamp(),
                        boot_id=self._boot,
                        boottime_s=self._since_boot(),
                        left=self._numbers,
                    )
                )
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
        served = [self._served(service, now) for service in self._services]
        return all(served)

    def _served(self, service: Service, now: datetime) -> bool:
        """Hand one service what it has not taken; return whether it took all."""
        while True:
            with self._lock:
                waiting = next((w for w in self._waiting if service.number in w.left), None)
            if waiting is None:
                return True
            old = self._age(waiting, now)
            if old > GIVEN_UP_AFTER:
                _log.warning("notice_given_up", service=service.number, body=waiting.notice.body)
            elif not self._took(service, self._dated(waiting.notice, old, now)):
                return False
            with self._lock:
                waiting.left.discard(service.number)
                self._waiting = [each for each in self._waiting if each.left]
                self._keep()

    def _took(self, service: Service, notice: Notice) -> bool:
        taken = taken_by(service, notice)
        about = {"service": service.number, "kind": service.kind}
        if not taken and service.number not in self._failing:
            self._failing.add(service.number)
            _log.warning("notice_not_sent", **about, note="not taken; tried again later")
        elif taken and service.number in self._failing:
            self._failing.remove(service.number)
            _log.info("notices_sent_again", **about)
        return taken

    def _age(self, waiting: _Waiting, now: datetime) -> timedelta:
        """Return how old a notice is; a clock that was set in between does not count."""
        if self._boot is not None and waiting.boot_id == self._boot:
            return timedelta(seconds=max(0.0, self._since_boot() - waiting.boottime_s))
        return timedelta(seconds=max(0.0, now.timestamp() - waiting.at_s))

    def _dated(self, notice: Notice, old: timedelta, now: datetime) -> Notice:
        if old <= DATED_AFTER:
            return notice
        local = now.astimezone(self._zone)
        from_at = moment(local - old, local, far=False)
        return replace(notice, body=f"{notice.body} (From {from_at}.)")

    def _work(self) -> None:
        failures = 0
        while not self._stop.is_set():
            pause_s = backoff_s(failures, first_s=FIRST_PAUSE_S, longest_s=LONGEST_PAUSE_S)
            self._wake.wait(pause_s if failures else None)
            self._wake.clear()
            if self._stop.is_set():
                return
            failures = 0 if self.send_waiting(datetime.now(UTC)) else failures + 1

    def _keep(self) -> None:
        document = {
            "said": self._said.document(),
            "waiting": [{**asdict(each), "left": sorted(each.left)} for each in self._waiting],
        }
        try:
            replace_file(self._path, json_text(document))
        except OSError as error:
            _log.warning("notices_not_kept", error=str(error))


def _kept(path: Path, numbers: set[int]) -> tuple[Said, list[_Waiting]]:
    """Return what was said and what waits for the services there are."""
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        waiting = [
            _Waiting(
                notice=Notice(**each["notice"]),
                at_s=float(each["at_s"]),
                boot_id=each["boot_id"],
                boottime_s=float(each["boottime_s"]),
                left=numbers & set(each["left"]),
            )
            for each in document["waiting"]
        ]
        return Said.from_document(document["said"]), [each for each in waiting if each.left]
    except (OSError, ValueError, KeyError, TypeError):
        return Said(), []
