"""Takes people's requests to the loop and the loop's answers back, in a thread of its own."""

from __future__ import annotations

import contextlib
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

from controller.core.alarm_board import standing_alarms
from controller.core.state import NOTHING_ASKED, Asked, State
from controller.domain.alarms import AlarmName
from controller.domain.control_phase import Phase
from controller.domain.requests import (
    LONGEST_PAUSE_S,
    NOTHING_BEGINS,
    PAUSED_LONGER,
    Acknowledge,
    LogSwap,
    Pause,
    Payload,
    ReportSwapDue,
    Request,
    RequestKind,
    Reset,
    Resume,
    SetStage,
    UnreadableRequest,
    Withdraw,
)
from controller.errors import words_of
from controller.log import Logger
from controller.records.damaged_files import is_damage, set_aside
from controller.records.requests_file import answer_all, ask, newest, unanswered
from controller.records.requests_place import in_use

MOST_AT_ONCE = 200
"""Requests taken from the file in one go; the others stay there for the next one."""
OLDEST_S: Mapping[RequestKind, float] = {
    RequestKind.PAUSE: 600.0,
    RequestKind.RESUME: 600.0,
    RequestKind.RESET: 600.0,
    RequestKind.ACKNOWLEDGE: 600.0,
    RequestKind.STAGE: 86_400.0,
}
"""Age beyond which a request is refused [s]: what was meant for the moment is not done hours later,
when coldpin starts again. A swap is a note of what happened and has no such age."""

SWAP_AHEAD_S = 3600.0
"""A pack change noted for so long after it was asked for is a slip [s]; page and command allow only
minutes. Held against the clock of whoever asked: that of a machine after its start may be off."""

_log = Logger("coldpin.requests")


class PendingRequests:
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
        paused_until_boot_s: float = 0.0,
        utc: Callable[[], float] = time.time,
    ) -> None:
        """Begin to read requests.

        Args:
            path: The requests file.
            boot_id: This boot; None where the kernel does not say.
            boottime: Gives the boot-time clock [s].
            set_stage: Puts a stage in force, called in the loop's thread; returns the answer.
            set_swap_due: Is given whether packs are due and until when on the boot-time clock [s],
                called in the loop's thread.
            every_s: How often the file is read [s].
            paused_until_boot_s: End of a pause that a restart has not ended, on the boot-time
                clock [s].
            utc: Gives the wall clock [s since 1970].
        """
        self._path = path
        self._boot_id = boot_id
        self._boottime = boottime
        self._set_stage = set_stage
        self._set_swap_due = set_swap_due
        self._every_s = every_s
        self._utc = utc
        self._waiting: deque[Request] = deque()
        self._answers: deque[tuple[int, str]] = deque()
        self._stages_of_file: deque[str] = deque()
        self._accepted: set[int] = set()
        self._last_pause = -1
        self._paused_until_boot_s = paused_until_boot_s
        """End of the longest pause in force, on the boot-time clock [s]."""
        self._stop = threading.Event()
        self._first = True
        self.fault: str | None = None
        """Why requests cannot be read or answered; None while they can."""
        self.set_aside: Path | None = None
        """Where the file is now that was found damaged; None: none was."""
        self._thread = threading.Thread(target=self._work, name="requests", daemon=True)
        self._thread.start()

    def take(self, state: State) -> Asked:
        """Return what people have asked for since the last tick, and answer it.

        Args:
            state: The control's; says whether there is anything to end or to mark.
        """
        if not self._waiting:
            return NOTHING_ASKED
        asked = NOTHING_ASKED
        while self._waiting:
            request = self._waiting.popleft()
            try:
                refusal = self._why_refused(request)
                asked, text = (asked, refusal) if refusal else self._done(request, asked, state)
            except Exception as error:  # noqa: BLE001 - no row of a file may end the control
                text = f"cannot be done: {type(error).__name__}: {words_of(error)}"
            if request.kind is not RequestKind.FORECAST:  # comes every few minutes
                _log.info("request", kind=request.kind.value, who=request.who, answer=text)
            self._answers.append((request.id, text))
        return asked

    def _done(self, request: Request, asked: Asked, state: State) -> tuple[Asked, str]:
        """Do what is asked for, and return what the loop is to be asked, and the answer."""
        lacking = self._lacking(request.payload, state)
        text = "done" if lacking is None else f"{NOTHING_BEGINS}: {lacking}"
        match request.payload:
            case Pause(for_s=for_s):
                left_s = self._pause_left_s(request, for_s)
                if left_s <= 0:
                    return asked, "too late: it is over"
                self._last_pause = request.id
                longer_s = self._paused_until_boot_s - self._boottime()
                if longer_s > left_s:  # somebody else's hands are in the chamber for longer
                    return asked, f"paused for {longer_s:.0f} s: {PAUSED_LONGER}"
                self._paused_until_boot_s = self._boottime() + left_s
                asked = replace(asked, pause_s=left_s, resume=False)
                text = f"paused for {left_s:.0f} s"
            case Resume():
                self._paused_until_boot_s = 0.0
                asked = replace(asked, pause_s=None, resume=True)
            case Reset():
                asked = replace(asked, reset=True)
            case Acknowledge(alarm=alarm):
                alarms = (*asked.acknowledge, *_alarms(alarm))
                asked = replace(asked, acknowledge=alarms)
            case SetStage(name=name):
                text = self._set_stage(name)
            case LogSwap():
                text = "noted"
            case Withdraw():
                text = "taken back"
            case ReportSwapDue() as report:
                self._pass_on_swap_due(request, report)
        return asked, text

    def _lacking(self, payload: Payload, state: State) -> str | None:
        """Return what is not there that somebody wants to end or to mark; None: it is there.

        The loop is asked all the same, for it may have come meanwhile.
        """
        cooling = state.cooling
        match payload:
            case Resume() if self._paused_until_boot_s <= self._boottime():
                return "no pause was running"
            case Reset() if cooling.phase is not Phase.LOCKOUT and not cooling.failed_tries:
                return "no lockout was in force"
            case Acknowledge(alarm=named):
                standing = {alarm.name for alarm in standing_alarms(state)}
                if named is None:
                    return None if standing else "no alarm was active"
                return None if named in standing else f"{named} was not active"
        return None

    def keep_stage_of_file(self, name: str) -> None:
        """Keep, without waiting, that the configuration itself has named a stage.

        What people asked for before has had its day then, also after a restart, and also where
        the configuration names its former stage again.

        Args:
            name: The stage in force.
        """
        self._stages_of_file.append(name)

    def close(self, timeout_s: float = 1.0) -> None:
        """Write the answers that wait, if the medium allows it within the time [s]."""
        self._stop.set()
        self._thread.join(timeout_s)

    def _why_refused(self, request: Request) -> str | None:
        if request.kind is RequestKind.RESUME and request.id < self._last_pause:
            return "refused: a later pause was asked for after it"
        if isinstance(request.payload, LogSwap):
            ahead_s = request.payload.at.timestamp() - request.asked_utc_ms / 1000
            if ahead_s > SWAP_AHEAD_S:
                return (
                    f"refused: it is noted for {_length(ahead_s)} after it was logged, allowed: "
                    "what has happened; log it again with the right time"
                )
        oldest_s = OLDEST_S.get(request.kind)
        if oldest_s is None:
            return None
        age_s = self._age_s(request)
        if age_s is None:
            return (
                "refused: it was asked before the computer started and its age is not known; "
                "ask again if it is still wanted"
            )
        if age_s > oldest_s:
            return (
                f"refused: it was asked {_length(age_s)} ago, allowed: up to {_length(oldest_s)}; "
                "ask again if it is still wanted"
            )
        return None

    def _age_s(self, request: Request) -> float | None:
        """Return the age [s]; None where it was asked in another boot and no clock tells."""
        if self._boot_id is not None and request.boot_id == self._boot_id:
            return max(0.0, self._boottime() - request.asked_boot_ms / 1000)
        age_s = self._utc() - request.asked_utc_ms / 1000
        return age_s if age_s >= 0 else None

    def _pause_left_s(self, request: Request, for_s: float) -> float:
        if self._boot_id is None or request.boot_id != self._boot_id:
            return 0.0  # asked before the last boot: the hands are out of the chamber
        passed_s = self._boottime() - request.asked_boot_ms / 1000
        return min(for_s, LONGEST_PAUSE_S) - max(0.0, passed_s)

    def _pass_on_swap_due(self, request: Request, report: ReportSwapDue) -> None:
        if request.boot_id == self._boot_id:
            self._set_swap_due(report.due, report.until_boot_ms / 1000)

    def _work(self) -> None:
        while True:
            stopping = self._stop.wait(self._every_s)
            try:
                self._serve(take=not stopping)
            except Exception as error:  # noqa: BLE001 - whatever is in the file, the thread goes on
                if self.fault is None:
                    _log.warning("requests_not_readable", error=words_of(error))
                self.fault = words_of(error)
                if is_damage(error):
                    self._begin_anew()
            else:
                if self.fault is not None and not stopping:
                    _log.info("requests_readable_again")
                    self.fault = None
            if stopping:
                return

    def _begin_anew(self) -> None:
        """Put a damaged file where it can be looked at: nobody could ask for a pause any more."""
        with contextlib.suppress(OSError):
            self.set_aside = set_aside(in_use(self._path))
            # numbers begin anew with the file, and no answer of the old one is for the new one
            self._answers.clear()
            self._accepted.clear()
            self._last_pause = -1
            _log.error("requests_set_aside", file=str(self.set_aside))

    def _serve(self, *, take: bool) -> None:
        answers = list(self._answers)
        if answers:
            answer_all(self._path, answers, utc_ms=time.time_ns() // 1_000_000)
            for number, _ in answers:
                self._answers.popleft()
                self._accepted.discard(number)
        while self._stages_of_file:
            name = self._stages_of_file[0]
            number = ask(self._path, SetStage(name=name, instead_of=name), who="configuration")
            answer_all(
                self._path,
                [(number, f"stage {name} in force")],
                utc_ms=time.time_ns() // 1_000_000,
            )
            self._stages_of_file.popleft()
        if not take:
            return
        if self._first:
            # what the lookout told the process before this one holds until its end
            last = newest(self._path, RequestKind.FORECAST)
            if last is not None and last.answer is not None:
                self._waiting.append(last)
            self._first = False
        for request in unanswered(self._path, most=MOST_AT_ONCE):
            if request.id in self._accepted:
                continue
            self._accepted.add(request.id)
            if isinstance(request, UnreadableRequest):
                _log.warning("request_not_understood", number=request.id, why=request.why)
                self._answers.append((request.id, f"cannot be done: {request.why}"))
            else:
                self._waiting.append(request)


def _length(time_s: float) -> str:
    if time_s < 5400:
        return f"{time_s / 60:.0f} min"
    return f"{time_s / 3600:.0f} h" if time_s < 172_800 else f"{time_s / 86_400:.0f} days"


def _alarms(named: str | None) -> tuple[AlarmName, ...]:
    if named is None:
        return tuple(AlarmName)
    return tuple(name for name in AlarmName if name.value == named)
