"""Sends notices, and goes on trying: what waits survives a restart and an hour without network.

Each service has its own place in the queue, so that one with a wrong password neither holds up the
others nor has them sent everything again. How each service does is known: the page shows it, and
one that fails for long is reported through the others.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo
from pathlib import Path

from controller.domain.backoff import backoff_s
from controller.domain.zones import local_time
from controller.log import Logger
from controller.lookout.notices.due import notices_due
from controller.lookout.notices.message import SERVICES, Notice
from controller.lookout.notices.notice_rules import Rules
from controller.lookout.notices.outage import OutageWatch
from controller.lookout.notices.queue import (
    ClockPair,
    QueueFile,
    Waiting,
    is_given_up,
    is_late,
    joined,
    of_services,
    with_notice,
    without_service,
)
from controller.lookout.notices.services import Service, ServiceHealth, delivered
from controller.lookout.worker import Worker
from controller.pictures.words import duration
from controller.records.boot import boottime
from controller.records.snapshot import Snapshot

NOTICES = "notices.json"
FIRST_PAUSE_S, LONGEST_PAUSE_S = 15.0, 1800.0
REPORTED_AFTER_S = 1800.0
"""A service that has failed for so long is reported through the others [s]."""
TEST_TEXT = "A test: notices arrive."

_log = Logger("coldpin.notices")

EventsSince = Callable[[datetime, datetime], Sequence[str]]
"""Returns what happened between two instants, a line for each event."""


@dataclass(slots=True, eq=False)
class _State:
    """How a service does, by the clock that nobody sets [s]."""

    accepted_at_s: float | None = None
    failing_since_s: float | None = None
    not_before_s: float = float("-inf")
    """When its server wants to hear from us again."""
    reported: bool = False


class Sender(Worker):
    """Decides with every snapshot what is to be sent, and sends it in a thread of its own."""

    def __init__(
        self,
        place: Path,
        rules: Rules,
        services: Sequence[Service],
        *,
        zone: tzinfo | None = None,
        boot: str | None = None,
        since_boot: Callable[[], float] = boottime,
        events_since: EventsSince = lambda _since, _until: (),
    ) -> None:
        """Take up what was sent and what waits; nothing runs until `begin`.

        Args:
            place: The instance's state directory.
            rules: What the grower wants.
            services: Who is handed the notices.
            zone: The chamber's zone.
            boot: This boot; None where the kernel does not say.
            since_boot: Gives the boot-time clock [s].
            events_since: Gives what happened, for the notice after an outage.
        """
        super().__init__("notices")
        self._file = QueueFile(place / NOTICES)
        self._rules = rules
        self._services = tuple(services)
        self._zone = zone
        self._boot = boot
        self._since_boot = since_boot
        self._numbers = tuple(service.number for service in self._services)
        kept = self._file.read()
        self._kept = replace(kept, waiting=of_services(kept.waiting, self._numbers))
        self._outage = OutageWatch(self._kept.seen, events_since)
        self._lock = threading.Lock()
        self._wake = threading.Event()
        self._states = {number: _State() for number in self._numbers}

    def __call__(self, snapshot: Snapshot) -> None:
        """Decide what a snapshot calls for; never waits for a service."""
        local = local_time(snapshot.at_utc, self._zone)
        now = self._clock(snapshot.at_utc)
        with self._lock:
            history, notices = notices_due(self._kept.history, snapshot, self._rules, local)
            notices = self._outage.completed(notices, snapshot, self._rules, now, local)
            seen = self._outage.seen(self._kept.seen, now)
            before, self._kept = self._kept, replace(self._kept, history=history, seen=seen)
            for notice in notices:
                self._put(notice, now, self._numbers)
            if self._kept != before:
                self._file.write(self._kept)
        if notices:
            self._wake.set()

    def begin(self) -> None:
        """Begin to send, first what has waited since before the start."""
        super().begin()
        self._wake.set()

    def close(self) -> None:
        """Stop sending; what waits is kept."""
        self._stop.set()
        self._wake.set()
        super().close()

    def health(self) -> list[ServiceHealth]:
        """Return how each service does."""
        now_s, now = self._since_boot(), datetime.now(UTC)

        def instant(at_s: float | None) -> datetime | None:
            if at_s is None:
                return None
            return datetime.fromtimestamp(now.timestamp() - max(0.0, now_s - at_s), UTC)

        with self._lock:
            return [
                ServiceHealth(
                    number=each.number,
                    kind=each.kind,
                    accepted_at=instant(self._states[each.number].accepted_at_s),
                    failing_since=instant(self._states[each.number].failing_since_s),
                    waiting=sum(each.number in waits.left for waits in self._kept.waiting),
                )
                for each in self._services
            ]

    def send_test(self, text: str = TEST_TEXT) -> list[tuple[Service, bool]]:
        """Send a test message through every service now; return which accepted it."""
        notice = Notice(title=self._rules.title, body=text, link=self._rules.link("headline"))
        return [(service, self._accepted(service, notice)) for service in self._services]

    def send_waiting(self, now: datetime) -> bool:
        """Try to send what waits, oldest first; True where nothing waits any more."""
        served = [self._served(service, now) for service in self._services]
        self._report_failing(now)
        return all(served)

    def _served(self, service: Service, now: datetime) -> bool:
        """Hand one service what it has not accepted; return whether it accepted all."""
        number = service.number
        while True:
            clock = self._clock(now)
            with self._lock:
                mine = [each for each in self._kept.waiting if number in each.left]
                active = self._kept.history.active
            if not mine:
                return True
            old = [each for each in mine if is_given_up(each, active, clock)]
            late = [each for each in mine if is_late(each, clock)]
            batch = old or (late if len(late) > 1 else mine[:1])
            for each in old:
                _log.warning("notice_given_up", service=number, body=each.notice.body)
            if not old:  # what is too old leaves the queue unsent
                if self._since_boot() < self._states[number].not_before_s:
                    return False
                if not self._accepted(service, joined(batch, clock, local_time(now, self._zone))):
                    return False
            with self._lock:
                left = without_service(self._kept.waiting, number, batch)
                self._kept = replace(self._kept, waiting=left)
                self._file.write(self._kept)

    def _accepted(self, service: Service, notice: Notice) -> bool:
        outcome = delivered(service, notice)
        now_s, state = self._since_boot(), self._states[service.number]
        about = {"service": service.number, "kind": service.kind}
        with self._lock:
            if outcome.wait_s is not None:
                state.not_before_s = now_s + outcome.wait_s
            if not outcome.accepted:
                if state.failing_since_s is None:
                    state.failing_since_s = now_s
                    _log.warning("notice_not_sent", **about, note="not accepted; tried again later")
                return False
            state.accepted_at_s = now_s
            state.not_before_s = float("-inf")
            if state.failing_since_s is not None:
                state.failing_since_s = None
                _log.info("notices_sent_again", **about)
        return True

    def _report_failing(self, now: datetime) -> None:
        """Report through the services that work those that have failed for long, and their end."""
        now_s = self._since_boot()
        with self._lock:
            well = tuple(n for n, state in self._states.items() if state.failing_since_s is None)
            if not well:
                return
            for service in self._services:
                state = self._states[service.number]
                since_s = state.failing_since_s
                name = f"Service {service.number} ({service.kind})"
                if since_s is not None and not state.reported:
                    if now_s - since_s < REPORTED_AFTER_S:
                        continue
                    failing_for = duration(60 * ((now_s - since_s) // 60))
                    body = (
                        f"{name} has accepted no notice for {failing_for}."
                        " Check its line in the file of addresses, and try coldpin notify."
                    )
                    others = tuple(n for n in well if n != service.number)
                elif since_s is None and state.reported:
                    body, others = f"{name} accepts notices again.", well
                else:
                    continue
                state.reported = since_s is not None
                notice = Notice(
                    title=self._rules.title,
                    body=body,
                    about=SERVICES,
                    link=self._rules.link("notices-title"),
                )
                self._put(notice, self._clock(now), others)
                self._file.write(self._kept)
                self._wake.set()

    def _put(self, notice: Notice, now: ClockPair, numbers: tuple[int, ...]) -> None:
        """Have a notice wait for services; under the lock."""
        _log.info("notice", body=notice.body, urgent=notice.urgent)
        waiting = Waiting(notice=notice, at=now, left=numbers)
        self._kept = replace(self._kept, waiting=with_notice(self._kept.waiting, waiting))

    def _clock(self, now: datetime) -> ClockPair:
        return ClockPair(
            utc_s=now.timestamp(), boot_id=self._boot, boottime_s=self._since_boot()
        )  # fmt: skip

    def _pause_s(self, failures: int) -> float:
        """Return how long to wait before the next try: no longer than a server asks for [s]."""
        pause_s = backoff_s(failures, first_s=FIRST_PAUSE_S, longest_s=LONGEST_PAUSE_S)
        now_s = self._since_boot()
        asked = [state.not_before_s - now_s for state in self._states.values()]
        return min([pause_s, *(max(1.0, wait_s) for wait_s in asked if wait_s > 0.0)])

    def _work(self) -> None:
        failures = 0
        while not self._stop.is_set():
            self._wake.wait(self._pause_s(failures) if failures else None)
            self._wake.clear()
            if self._stop.is_set():
                return
            failures = 0 if self.send_waiting(datetime.now(UTC)) else failures + 1
