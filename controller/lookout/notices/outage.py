"""The notice after a time in which nobody watched: power cut, crash, or the lookout stopped.

A machine without a clock of its own starts with an old time and is set minutes later. So the time
that is missing is what the wall clock moved by since the last watch, less what the machine has run
by its own count since, and it is judged anew for a while after the start.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime

from controller.lookout.notices.due import outage_notice
from controller.lookout.notices.message import OUTAGE, Notice
from controller.lookout.notices.notice_rules import Rules
from controller.lookout.notices.queue import ClockPair
from controller.records.snapshot import Snapshot

SHORTEST_S = 1200.0
"""A shorter outage is no news [s]: an update restarts everything."""
JUDGED_FOR_S = 1800.0
"""So long after the start an outage may still become known [s], once the clock is set."""
SEEN_EVERY_S = 600.0
"""How often it is kept that the chamber was watched [s]; a card wears by every write."""
MOST_EVENTS = 8


class OutageWatch:
    """Finds out whether nobody watched before this start, and completes notices of outages."""

    def __init__(
        self,
        last_seen: ClockPair | None,
        events_since: Callable[[datetime, datetime], Sequence[str]],
    ) -> None:
        """Begin.

        Args:
            last_seen: When the chamber was last watched before this start; None: never.
            events_since: Gives what happened between two instants, a line for each event.
        """
        self._before = last_seen
        self._events_since = events_since
        self._started_s: float | None = None

    def completed(
        self,
        notices: Sequence[Notice],
        snapshot: Snapshot,
        rules: Rules,
        now: ClockPair,
        local: datetime,
    ) -> list[Notice]:
        """Return the notices with one of an outage where there was one, and with what happened.

        Args:
            notices: What is due now.
            snapshot: How the chamber is.
            rules: What the grower wants.
            now: Now, by both clocks.
            local: Now, in the chamber's zone.
        """
        missing_s = self._missing_s(now)
        due = list(notices)
        if missing_s is not None and not snapshot.silent:
            assert self._before is not None
            since = datetime.fromtimestamp(self._before.utc_s, UTC)
            self._before = None
            due = [each for each in due if each.about != OUTAGE]
            cause = "No notice could be sent"
            due.insert(0, outage_notice(since, snapshot, rules, local, cause=cause))
        return [self._with_events(each, local) for each in due]

    def _missing_s(self, now: ClockPair) -> float | None:
        """Return how long nobody watched before this start [s], None: too short, or not known."""
        if self._started_s is None:
            self._started_s = now.boottime_s
        ran_s = now.boottime_s - self._started_s
        before = self._before
        if before is None:
            return None
        if ran_s > JUDGED_FOR_S:
            self._before = None
            return None
        missing_s = before.age_s(now) - ran_s
        return missing_s if missing_s > SHORTEST_S else None

    def _with_events(self, notice: Notice, local: datetime) -> Notice:
        if notice.since_s is None:
            return notice
        events = list(self._events_since(datetime.fromtimestamp(notice.since_s, UTC), local))
        if not events:
            return notice
        left_out = len(events) - MOST_EVENTS
        lines = events[-MOST_EVENTS:]
        if left_out > 0:
            lines.insert(0, f"{left_out} earlier events are on the page.")
        text = "\n".join([f"{notice.body} Meanwhile:", *lines])
        return replace(notice, body=text)

    def seen(self, kept: ClockPair | None, now: ClockPair) -> ClockPair:
        """Return what to keep of when the chamber was last watched."""
        same_boot = kept is not None and kept.boot_id == now.boot_id
        if kept is not None and same_boot and now.boottime_s - kept.boottime_s < SEEN_EVERY_S:
            return kept
        return now
