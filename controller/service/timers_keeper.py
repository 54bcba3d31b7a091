"""Keeps on the medium what a restart must know, whenever it has changed; no tick waits for it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import structlog

from controller.core.state import Cooling, State
from controller.domain.places import KEPT_TIMERS
from controller.records.boot import boottime
from controller.service.kept_timers import (
    MOST_CUT_STARTS,
    KeptTimers,
    begin_from,
    cut_starts_after,
    is_starting,
    kept_from,
    read_kept,
    write_kept,
)
from controller.service.newest_writer import NewestWriter

_log = structlog.get_logger("coldpin")


class TimersKeeper:
    """One chamber's timers, from the start of a process to its end."""

    def __init__(self, place: Path, *, boot: str | None) -> None:
        """Begin to keep.

        Args:
            place: The state directory.
            boot: Boot id; None: not known, and nothing is kept.
        """
        self._file = place / KEPT_TIMERS
        self._boot = boot
        self._cut_starts = 0
        self._newest: tuple[object, ...] = ()
        self._writer = NewestWriter[KeptTimers](
            "kept-timers", lambda kept: write_kept(self._file, kept)
        )

    @property
    def supply_fails(self) -> bool:
        """Whether one boot after another came at a start of the pump."""
        return self._cut_starts >= MOST_CUT_STARTS

    def begun(self, now: float) -> State:
        """Return the state of a controller that starts now with what was kept.

        Args:
            now: Monotonic instant [s].
        """
        kept = read_kept(self._file)
        self._cut_starts = cut_starts_after(kept, boot=self._boot)
        if self._cut_starts:
            _log.warning(
                "power_failed_at_a_start", times=self._cut_starts, locked_out_at=MOST_CUT_STARTS
            )
        return begin_from(kept, boot=self._boot, ahead_s=boottime() - now, now=now)

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
            self._writer.give(kept)

    def close(self, cooling: Cooling, now: float) -> None:
        """Keep the cooling as it stands once its outputs are off, and end."""
        self.keep(stopped(cooling, now), now)
        self._writer.close()


def stopped(cooling: Cooling, now: float) -> Cooling:
    """Return the cooling as it stands once its outputs have been put off."""
    if not cooling.pump:
        return replace(cooling, fan=False)
    return replace(cooling, pump=False, fan=False, pump_since=now)
