"""Keeps what a restart must know: on the medium for the next boot, in memory for this one.

The copy in memory is written at once at every change and costs no more than a few microseconds; the
file on the medium is written by a thread. Only before a start of the pump is the medium waited for,
and for no longer than `WRITE_WITHIN_S`: a record that says "off since an hour" while the pump runs
would shorten the next rest. Where the medium does not take it, the old file is renamed so that it
proves no rest any more, the copy in memory says that the pump runs, and the pump starts all the
same.
"""

from __future__ import annotations

import contextlib
from pathlib import Path

from controller.core.state import Cooling, State
from controller.domain.alarms import Alarm
from controller.domain.places import KEPT_TIMERS
from controller.log import Logger
from controller.records.boot import boottime
from controller.service.boot_memory import boot_memory, leave_memory
from controller.service.kept_timers import (
    MOST_CUT_STARTS,
    KeptTimers,
    begin_from,
    cut_starts_after,
    doubted,
    is_starting,
    kept_from,
    newest_of,
    read_kept,
    write_kept,
    write_mirror,
)
from controller.service.newest_writer import NewestWriter

WRITE_WITHIN_S = 1.0

_log = Logger("coldpin")


class TimerStore:
    """One chamber's timers, from the start of a process to its end."""

    def __init__(self, place: Path, *, boot: str | None) -> None:
        """Begin to keep.

        Args:
            place: The state directory.
            boot: Boot id; None: not known, and nothing is kept.
        """
        self._file = place / KEPT_TIMERS
        self._stale = place / f"{KEPT_TIMERS}.stale"
        memory = boot_memory(place)
        self._mirror = memory / f"boot-{KEPT_TIMERS}" if memory != place else None
        """None: there is no memory to keep it in, and the loop writes to no medium."""
        self._boot = boot
        self._cut_starts = 0
        self._newest: tuple[object, ...] = ()
        self._mirror_failed = False
        self._leave_file_alone = False
        self.ended_with_pump_on: str | None = None
        """How the last run ended, where it ended with the pump on; None: it did not."""
        self._writer = NewestWriter[KeptTimers](
            "kept-timers", self._write, on_failure=self._mark_stale
        )

    @property
    def keeps(self) -> bool:
        """Whether the medium takes what has to be kept."""
        return not (self._writer.failed or self._leave_file_alone)

    @property
    def supply_fails(self) -> bool:
        """Whether one boot after another came at a start of the pump."""
        return self._cut_starts >= MOST_CUT_STARTS

    def begun(self, now: float, alarms: tuple[Alarm, ...] = ()) -> State:
        """Return the state of a controller that starts now with what was kept.

        Args:
            now: Monotonic instant [s].
            alarms: Those that stood when the last process ended.
        """
        mirror = self._read_mirror()
        kept = newest_of(self._read_durable(), mirror)
        self._cut_starts = cut_starts_after(kept, boot=self._boot)
        if self._cut_starts:
            _log.warning(
                "power_failed_at_a_start", times=self._cut_starts, locked_out_at=MOST_CUT_STARTS
            )
        self._report_a_run_without_an_end(kept)
        ahead_s = boottime() - now
        state = begin_from(kept, boot=self._boot, ahead_s=ahead_s, now=now, alarms=alarms)
        if not self._renewed(state, now) and kept is not mirror:
            # a file that cannot be renewed may be older than the last switch, and proves nothing
            state = begin_from(
                doubted(kept), boot=self._boot, ahead_s=ahead_s, now=now, alarms=alarms
            )
            self.keep(state.cooling, now)
        return state

    def before_start(self, cooling: Cooling, now: float) -> None:
        """Keep that the pump runs, before it does; return soon whatever the medium does.

        Args:
            cooling: As it stands once the pump runs.
            now: Monotonic instant [s].
        """
        self.keep(cooling, now)
        if not self._writer.wait_written(WRITE_WITHIN_S):
            _log.warning(
                "pump_starts_without_its_record",
                file=str(self._file),
                waited_s=WRITE_WITHIN_S,
                in_memory=not self._mirror_failed,
            )

    def keep(self, cooling: Cooling, now: float) -> None:
        """Hand over where the cooling stands, when it differs from the last time.

        Args:
            cooling: Where it stands.
            now: Monotonic instant [s].
        """
        if self._boot is None:
            return
        if cooling.pump and not is_starting(cooling, now):
            self._cut_starts = 0
        kept = kept_from(
            cooling,
            boot=self._boot,
            ahead_s=boottime() - now,
            now=now,
            cut_starts=self._cut_starts,
        )
        telling = (
            cooling.pump,
            cooling.pump_since,
            cooling.failed_tries,
            kept.locked_since_s is None,
            cooling.paused_until,
            kept.starting,
            kept.cut_starts,
        )
        if telling != self._newest:
            self._newest = telling
            self._keep_in_memory(kept)
            if not self._leave_file_alone:
                self._writer.give(kept)

    def close(self, cooling: Cooling, now: float) -> None:
        """Keep the cooling as it stands once its outputs are off, and end."""
        self.keep(stopped(cooling, now), now)
        written = self._writer.close()
        kept = written and not self._leave_file_alone and self._boot is not None
        if kept and self._mirror is not None:
            with contextlib.suppress(OSError):
                self._mirror.unlink(missing_ok=True)
            leave_memory(self._mirror.parent)

    def _renewed(self, state: State, now: float) -> bool:
        self.keep(state.cooling, now)
        return self._writer.wait_written(WRITE_WITHIN_S)

    def _read_durable(self) -> KeptTimers | None:
        kept = read_kept(self._file)
        self._leave_file_alone = kept.of_a_newer_release
        if kept.timers is None and not self._file.exists():
            return doubted(read_kept(self._stale).timers)
        return kept.timers

    def _read_mirror(self) -> KeptTimers | None:
        """Return the copy in memory, if it is of this boot."""
        if self._mirror is None:
            return None
        timers = read_kept(self._mirror).timers
        return timers if timers is not None and timers.boot_id == self._boot else None

    def _report_a_run_without_an_end(self, kept: KeptTimers | None) -> None:
        if kept is None or not kept.pump or self._leave_file_alone:
            return
        same_boot = kept.boot_id == self._boot
        self.ended_with_pump_on = (
            "the process was killed" if same_boot else "the power failed or the computer crashed"
        )
        _log.warning(
            "last_run_ended_with_the_pump_on",
            how=self.ended_with_pump_on,
            effect="the pump counts as running until now and rests its whole time",
        )

    def _keep_in_memory(self, kept: KeptTimers) -> None:
        if self._mirror is None:
            self._mirror_failed = True
            return
        try:
            write_mirror(self._mirror, kept)
        except OSError as error:
            if not self._mirror_failed:
                _log.error("kept_timers_not_in_memory", file=str(self._mirror), error=str(error))
            self._mirror_failed = True
        else:
            self._mirror_failed = False

    def _write(self, kept: KeptTimers) -> None:
        write_kept(self._file, kept)
        self._stale.unlink(missing_ok=True)

    def _mark_stale(self) -> None:
        """Take the rest out of a file that a full medium cannot renew; in the writer's thread."""
        with contextlib.suppress(OSError):
            self._file.replace(self._stale)


def stopped(cooling: Cooling, now: float) -> Cooling:
    """Return the cooling as it stands once its outputs have been put off."""
    if not cooling.pump:
        return cooling._replace(fan=False)
    return cooling._replace(pump=False, fan=False, pump_since=now)
