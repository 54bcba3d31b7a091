"""Takes people's requests to the loop and the loop's answers back, in a thread of its own."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from pathlib import Path

import structlog

from controller.core.state import NOTHING_ASKED, Asked
from controller.domain.alarms import AlarmName
from controller.records.requests import Kind, Request, answer, newest, unanswered

LONGEST_PAUSE_S = 4 * 3600.0
MOST_WAITING = 200

_log = structlog.get_logger("coldpin.requests")


class RequestDesk:
    """Between the requests file and the loop; the loop never waits for the file."""

    def __init__(
        self,
        path: Path,
        *,
        boot_id: str | None,
        boottime: Callable[[], float],
        set_stage: Callable[[str], str],
        set_swap_due: Callable[[bool, float], object],
        every_s: float,
    ) -> None:
        """Begin to look for requests.

        Args:
            path: The requests file.
            boot_id: This boot; None where the kernel does not say.
            boottime: Gives the boot-time clock [s].
            set_stage: Puts a stage in force, called in the loop's thread; returns the answer.
            set_swap_due: Takes whether packs are due and until when on the boot-time clock [s],
                called in the loop's thread.
            every_s: How often the file is looked at [s].
        """
        self._path = path
        self._boot_id = boot_id
        self._boottime = boottime
        self._set_stage = set_stage
        self._set_swap_due = set_swap_due
        self._every_s = every_s
        self._waiting: deque[Request] = deque(maxlen=MOST_WAITING)
        self._answers: deque[tuple[int, str]] = deque()
        self._taken: set[int] = set()
        self._stop = threading.Event()
        self._failed = False
        self._first = True
        self._thread = threading.Thread(target=self._work, name="requests", daemon=True)
        self._thread.start()

    def asked(self) -> Asked:
        """Return what people have asked for since the last tick, and answer it."""
        if not self._waiting:
            return NOTHING_ASKED
        pause_s: float | None = None
        resume = reset = False
        acknowledge: tuple[AlarmName, ...] = ()
        while self._waiting:
            request = self._waiting.popleft()
            text = "done"
            match request.kind:
                case Kind.PAUSE:
                    left_s = self._pause_left_s(request)
                    pause_s, resume = (left_s, False) if left_s > 0 else (pause_s, resume)
                    text = f"paused for {left_s:.0f} s" if left_s > 0 else "too late: it is over"
                case Kind.RESUME:
                    pause_s, resume = None, True
                case Kind.RESET:
                    reset = True
                case Kind.ACKNOWLEDGE:
                    acknowledge = (*acknowledge, *_alarms(request.payload))
                case Kind.STAGE:
                    text = self._set_stage(str(request.payload.get("name", "")))
                case Kind.SWAP:
                    text = "noted"
                case Kind.FORECAST:
                    self._told_swap_due(request)
            if request.kind is not Kind.FORECAST:  # comes every few minutes
                _log.info("request", kind=request.kind.value, who=request.who, answer=text)
            self._answers.append((request.id, text))
        return Asked(pause_s=pause_s, resume=resume, reset=reset, acknowledge=acknowledge)

    def close(self, timeout_s: float = 1.0) -> None:
        """Write the answers that wait, if the medium allows it within the time [s]."""
        self._stop.set()
        self._thread.join(timeout_s)

    def _pause_left_s(self, request: Request) -> float:
        wanted = request.payload.get("for_s", 0.0)
        wanted_s = float(wanted) if isinstance(wanted, int | float) else 0.0
        if self._boot_id is None or request.boot_id != self._boot_id:
            return 0.0  # asked before the last boot: the hands are out of the chamber
        gone_s = self._boottime() - request.asked_boot_ms / 1000
        return min(wanted_s, LONGEST_PAUSE_S) - max(0.0, gone_s)

    def _told_swap_due(self, request: Request) -> None:
        until_ms = request.payload.get("until_boot_ms")
        if request.boot_id == self._boot_id and isinstance(until_ms, int | float):
            self._set_swap_due(request.payload.get("due") is True, until_ms / 1000)

    def _work(self) -> None:
        while True:
            stopping = self._stop.wait(self._every_s)
            try:
                self._serve(take=not stopping)
            except OSError as error:
                if not self._failed:
                    _log.warning("requests_not_readable", error=str(error))
                self._failed = True
            else:
                self._failed = False
            if stopping:
                return

    def _serve(self, *, take: bool) -> None:
        while self._answers:
            number, text = self._answers[0]
            answer(self._path, number, text, utc_ms=time.time_ns() // 1_000_000)
            self._answers.popleft()
            self._taken.discard(number)
        if not take:
            return
        if self._first:
            # the lookout's word holds until its end, also where it was told to the process before
            word = newest(self._path, Kind.FORECAST)
            if word is not None and word.answer is not None:
                self._waiting.append(word)
            self._first = False
        for request in unanswered(self._path):
            if request.id not in self._taken:
                self._taken.add(request.id)
                self._waiting.append(request)


def _alarms(payload: Mapping[str, object]) -> tuple[AlarmName, ...]:
    named = payload.get("alarm")
    if named is None:
        return tuple(AlarmName)
    return tuple(name for name in AlarmName if name.value == named)
